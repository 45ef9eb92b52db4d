//! Figures of some runs, and the table of them.

use std::fmt::Write as _;
use std::time::Duration;

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// What was measured.
    pub what: String,
    /// In which unit.
    pub unit: &'static str,
    /// How much.
    pub value: f64,
}

/// The figures of one run, in the order in which they are shown.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures(pub Vec<Figure>);

impl Figures {
    /// Adds a figure.
    pub fn add(&mut self, what: impl Into<String>, unit: &'static str, value: f64) {
        self.0.push(Figure { what: what.into(), unit, value });
    }

    /// Adds the median and the 99th percentile of some times, in milliseconds.
    pub fn times(&mut self, what: &str, times: &mut [Duration]) {
        times.sort();
        for (share, name) in [(50, "p50"), (99, "p99")] {
            self.add(format!("{what}, {name}"), "ms", percentile(times, share).as_secs_f64() * 1_000.0);
        }
    }
}

/// The time below which so many of a hundred lie; none took no time.
pub fn percentile(sorted: &[Duration], share: usize) -> Duration {
    sorted.get(sorted.len().saturating_sub(1) * share / 100).copied().unwrap_or_default()
}

/// How the table is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// For a person.
    Table,
    /// For a program.
    Csv,
}

/// The median of each figure over the runs, with the least and the most.
pub fn table(runs: &[Figures], form: Form) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = match form {
        Form::Table => writeln!(text, "{:<58} {:>12} {:>12} {:>12}", "", "median", "least", "most"),
        Form::Csv => writeln!(text, "what,unit,median,least,most"),
    };
    let first = runs.first().map(|run| run.0.as_slice()).unwrap_or_default();
    for (place, figure) in first.iter().enumerate() {
        let mut values: Vec<f64> = runs.iter().filter_map(|run| Some(run.0.get(place)?.value)).collect();
        values.sort_by(f64::total_cmp);
        let [median, least, most] = [values.len() / 2, 0, values.len() - 1].map(|at| shown(values[at]));
        let (what, unit) = (&figure.what, figure.unit);
        let _ = match form {
            Form::Table => {
                let what = if unit.is_empty() { what.clone() } else { format!("{what} ({unit})") };
                writeln!(text, "{what:<58} {median:>12} {least:>12} {most:>12}")
            }
            Form::Csv => writeln!(text, "\"{what}\",{unit},{median},{least},{most}"),
        };
    }
    text
}

/// Three digits behind the point below ten, one below a thousand, none above or where it is whole.
pub fn shown(value: f64) -> String {
    match value.abs() {
        whole if whole.fract() == 0.0 => format!("{value:.0}"),
        small if small < 10.0 => format!("{value:.3}"),
        middling if middling < 1_000.0 => format!("{value:.1}"),
        _ => format!("{value:.0}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_gives_the_median_the_least_and_the_most() {
        let runs: Vec<Figures> = [3.5, 1.0, 20_000.0]
            .map(|rate| {
                let mut figures = Figures::default();
                figures.add("rate", "1/s", rate);
                figures.times("answer", &mut [Duration::from_millis(2), Duration::from_millis(1)]);
                figures
            })
            .to_vec();
        let csv = table(&runs, Form::Csv);
        let expect = "what,unit,median,least,most\n\"rate\",1/s,3.500,1,20000\n\"answer, p50\",ms,1,1,1\n\
            \"answer, p99\",ms,1,1,1\n";
        assert_eq!(csv, expect);
        assert!(table(&runs, Form::Table).lines().all(|line| line.chars().count() == 97), "columns stand");
    }

    #[test]
    fn percentiles_of_a_hundred_are_themselves() {
        let times: Vec<Duration> = (0..=100).map(Duration::from_millis).collect();
        assert_eq!([0, 50, 99, 100].map(|share| percentile(&times, share).as_millis()), [0, 50, 99, 100]);
        assert_eq!(percentile(&[], 99), Duration::ZERO);
    }
}
