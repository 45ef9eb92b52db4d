//! A site's own history as fleet and cases, and how good forecasts of it would have been.

use super::{
    cases::Case,
    forecasts::{self, Asked, Forecast},
    reports::Fleet,
};
use crate::{
    csvout,
    render::{due::Board, plot, table::Table, words, wrap::lines},
    times,
};
use fettler_domain::{
    forecast::{CUT_DAYS, Days, HORIZON, Hours, OwnCase, OwnCases, Scores, WEEKS_ASKED, own_cases},
    ledger::history::Segment,
    quantity::{Amount, Unit},
    time::Ts,
};
use fettler_proto::v1::{self as pb, shift_report::Statement};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// What is kept of a site's reports: the stretches that count, and readings of counters, by machine and meter.
#[derive(Debug, Default)]
pub(crate) struct Kept {
    runs: BTreeMap<String, Vec<Segment>>,
    readings: BTreeMap<String, Vec<(Ts, Amount)>>,
    reports: usize,
    other_units: usize,
}

/// The forecasts of a site's own past with what came.
pub(crate) struct Own {
    found: OwnCases,
    names: Vec<String>,
    forecasts: Vec<Forecast>,
    reports: usize,
    other_units: usize,
}

/// How often the spread from p10 to p90 held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Held {
    /// How many weeks ahead was asked; none for all.
    pub(crate) weeks: Option<u32>,
    /// How many forecasts there are.
    pub(crate) cases: usize,
    /// Of those whose p90 lies within the data, how many came before p10.
    pub(crate) before: usize,
    /// How many from p10 to p90.
    pub(crate) within: usize,
    /// How many after p90.
    pub(crate) after: usize,
}

impl Held {
    fn add(&mut self, case: &OwnCase, forecast: &Forecast) {
        self.cases += 1;
        let days = |days: Option<Days>| days.unwrap_or(HORIZON).0;
        let (p10, p90) = (days(forecast.quantiles.p10), days(forecast.quantiles.p90));
        // Of the others it is not known what came.
        if p90 <= case.outcome.data_end.0 {
            let due = case.outcome.due.map_or(f64::INFINITY, |due| due.0);
            let place = if due < p10 {
                &mut self.before
            } else if due <= p90 {
                &mut self.within
            } else {
                &mut self.after
            };
            *place += 1;
        }
    }

    /// How many can be judged.
    pub(crate) fn judged(&self) -> usize {
        self.before + self.within + self.after
    }

    /// The share within; none where none can be judged.
    pub(crate) fn share(&self) -> Option<f64> {
        let number = |of: usize| u32::try_from(of).map_or(f64::from(u32::MAX), f64::from);
        (self.judged() > 0).then(|| number(self.within) / number(self.judged()))
    }
}

impl Kept {
    /// Takes a report, if it counts and counts hours.
    pub(crate) fn take(&mut self, kept: &pb::KeptReport) {
        if kept.state() != pb::ReportState::Counted {
            return;
        }
        let meter = format!("{} {}", kept.machine, kept.meter);
        let at = |time: &Option<prost_types::Timestamp>| {
            time.as_ref().and_then(times::from_wire).map(Ts::from_utc)
        };
        let is_hours = |unit: pb::Unit| matches!(unit, pb::Unit::Unspecified | pb::Unit::Hours);
        let hours = |text: &str| Amount::parse(text, Unit::Hours).ok();
        match kept.sent.as_ref().and_then(|sent| sent.statement.as_ref()) {
            Some(Statement::Interval(said)) if is_hours(said.unit()) => {
                if let (Some(start), Some(end), Some(amount)) =
                    (at(&said.start), at(&said.end), hours(&said.amount))
                {
                    self.runs.entry(meter).or_default().push(Segment { start, end, amount });
                    self.reports += 1;
                }
            }
            Some(Statement::Reading(said)) if is_hours(said.unit()) => {
                if let (Some(at), Some(value)) = (at(&said.at), hours(&said.value)) {
                    self.readings.entry(meter).or_default().push((at, value));
                    self.reports += 1;
                }
            }
            Some(Statement::Interval(_) | Statement::Reading(_)) => self.other_units += 1,
            Some(Statement::Withdrawal(_)) | None => {}
        }
    }

    /// The stretches of each meter. Between two readings of a counter lies what it rose; where it fell it was replaced, and
    /// counting begins anew.
    fn stretches(mut self) -> BTreeMap<String, Vec<Segment>> {
        for (meter, mut readings) in self.readings {
            readings.sort_unstable();
            let of_pair = |pair: &[(Ts, Amount)]| {
                let ((start, from), (end, to)) = (pair[0], pair[1]);
                (from <= to && start < end).then(|| Segment { start, end, amount: to - from })
            };
            self.runs.entry(meter).or_default().extend(readings.windows(2).filter_map(of_pair));
        }
        self.runs
    }
}

/// Makes the cases that the reports hold and their forecasts, by the code that judges files.
pub(crate) fn judge(kept: Kept) -> Own {
    let (reports, other_units) = (kept.reports, kept.other_units);
    let (names, runs): (Vec<String>, Vec<Vec<Segment>>) = kept.stretches().into_iter().unzip();
    let found = own_cases(&runs);
    let machines = names.iter().cloned().zip(found.usage.iter().cloned()).collect();
    let fleet = Fleet { file: String::new(), machines };
    let cases: Vec<Case> = found.cases.iter().map(|case| question(case, &names)).collect();
    let asked = Asked { cases: cases.iter().map(|case| (case, &fleet)).collect(), left_out: BTreeMap::new() };
    let forecasts = forecasts::forecasts(&asked, false);
    Own { found, names, forecasts, reports, other_units }
}

fn question(case: &OwnCase, names: &[String]) -> Case {
    let machine = names[case.meter].clone();
    Case {
        id: format!("{machine} {} {}w", case.cut, case.weeks),
        dataset: String::new(),
        machine,
        cut: case.cut,
        remaining: (Hours(f64::from(case.hours)), case.hours.to_string()),
        outcome: Some(case.outcome),
    }
}

impl Own {
    /// Whether there is nothing to judge by.
    pub(crate) fn is_empty(&self) -> bool {
        self.found.cases.is_empty()
    }

    fn cases(&self) -> impl Iterator<Item = (&OwnCase, &Forecast)> {
        self.found.cases.iter().zip(&self.forecasts)
    }

    /// How often the spread held, by the weeks asked and of all; nothing where there is no case.
    pub(crate) fn held(&self) -> Vec<Held> {
        let all = WEEKS_ASKED.map(Some).into_iter().chain([None]);
        let mut rows = Vec::new();
        for weeks in all {
            let mut held = Held { weeks, ..Held::default() };
            for (case, forecast) in
                self.cases().filter(|(case, _)| weeks.is_none_or(|weeks| case.weeks == weeks))
            {
                held.add(case, forecast);
            }
            if held.cases > 0 {
                rows.push(held);
            }
        }
        rows
    }

    /// One row for each case, as columns and cells.
    fn rows(&self) -> Table {
        let mut table = Table::new([
            "case_id",
            "machine",
            "cut",
            "weeks",
            "remaining_hours",
            "data_end",
            "due",
            "p10",
            "p50",
            "p90",
        ]);
        for (case, forecast) in self.cases() {
            let asked = question(case, &self.names);
            let at = |days: Days| days.after(case.cut).to_string();
            let quantile = |days: Option<Days>| at(days.unwrap_or(HORIZON));
            table.push([
                asked.id,
                asked.machine,
                case.cut.to_string(),
                case.weeks.to_string(),
                case.hours.to_string(),
                at(case.outcome.data_end),
                case.outcome.due.map(at).unwrap_or_default(),
                quantile(forecast.quantiles.p10),
                quantile(forecast.quantiles.p50),
                quantile(forecast.quantiles.p90),
            ]);
        }
        table
    }
}

/// Cases and forecasts as CSV: columns that a file of cases may have, and the instants.
pub(crate) fn csv(own: &Own) -> String {
    csvout::text(&own.rows())
}

/// The same as a JSON array of objects.
pub(crate) fn json(own: &Own) -> String {
    let table = own.rows();
    let object = |row: &Vec<String>| {
        let cells = table.headers.iter().map(|header| (*header).to_owned());
        serde_json::Value::Object(cells.zip(row.iter().cloned().map(serde_json::Value::String)).collect())
    };
    format!("{:#}\n", serde_json::Value::Array(table.rows.iter().map(object).collect()))
}

/// How good they were, for people.
pub(crate) fn text(own: &Own, board: Board) -> String {
    let mut out = String::new();
    let mut say = |text: &str| {
        for line in lines(text, board.width) {
            let _ = writeln!(out, "{line}");
        }
    };
    say(&history(own, board));
    if own.other_units > 0 {
        let count = words::count(own.other_units, "report", "reports");
        say(&format!("Left out: {count} of meters that count no hours."));
    }
    if own.is_empty() {
        say(&format!(
            "Too little to judge by: a case needs a meter with reports of {CUT_DAYS} days before a cut and {CUT_DAYS} days after \
             it."
        ));
        return out;
    }
    let cuts: BTreeSet<Ts> = own.found.cases.iter().map(|case| case.cut).collect();
    let (cases, cuts) =
        (words::count(own.found.cases.len(), "case", "cases"), words::count(cuts.len(), "cut", "cuts"));
    say(&format!(
        "{cases}: as of {cuts}, each {CUT_DAYS} days before the one after it and the last report's end, and of each meter \
         known for {CUT_DAYS} days by then: when will it have run what it runs in 1, 4 and 12 weeks at its mean, as far as these lie before that end?"
    ));
    let _ = write!(out, "\n{}\n", scores(own).text(board.width, board.style));
    for line in lines(LEGEND, board.width) {
        let _ = writeln!(out, "{line}");
    }
    out.push_str(&where_it_came(own, board));
    out
}

fn history(own: &Own, board: Board) -> String {
    let meters = words::count(own.names.len(), "meter", "meters");
    let reports = words::count(own.reports, "report", "reports");
    let Some(end) = own.found.data_end else { return "No report of hours counts yet.".to_owned() };
    let end = board.teller.instant(Some(&times::to_wire(end.to_utc()))).unwrap_or_default();
    format!("{:.0} days of {meters}, {reports} that count, to {end}.", own.found.days.0)
}

const LEGEND: &str = "off, width: days, on the mean: how far p50 lay off, and p90 less p10, each cut off at the last report. open: not \
    due by then. within p10 to p90, before p10 and after p90: shares of what can be judged; 0.80, 0.10 and 0.10 are right.";

fn scores(own: &Own) -> Table {
    let mut table = Table::new(["asked", "cases", "open", "off", "width", "within", "before", "after"]);
    let all = WEEKS_ASKED.map(Some).into_iter().chain([None]);
    for weeks in all {
        let mut scores = Scores::default();
        for (case, forecast) in own.cases().filter(|(case, _)| weeks.is_none_or(|weeks| case.weeks == weeks))
        {
            scores.add(&forecast.quantiles, &case.outcome);
        }
        let Some(score) = scores.score() else { continue };
        let share = |share: Option<f64>| share.map_or_else(|| "-".to_owned(), |share| format!("{share:.2}"));
        table.push([
            weeks.map_or_else(|| "all".to_owned(), |n| words::count(n as usize, "week", "weeks")),
            score.cases.to_string(),
            score.open.to_string(),
            format!("{:.2}", score.off.0),
            format!("{:.2}", score.width.0),
            share(score.within),
            share(score.before_p10),
            share(score.after_p90),
        ]);
    }
    table
}

/// Where the due instants came within their spreads, as bars: of the cases whose p90 lies within the data, so that it is
/// known of all of them.
fn where_it_came(own: &Own, board: Board) -> String {
    const PARTS: [(&str, &str); 4] =
        [("before p10", "0.10"), ("p10 to p50", "0.40"), ("p50 to p90", "0.40"), ("after p90", "0.10")];
    let mut counts = [0_u32; 4];
    for (case, forecast) in own.cases() {
        let days = |days: Option<Days>| days.unwrap_or(HORIZON).0;
        let quantiles = [forecast.quantiles.p10, forecast.quantiles.p50, forecast.quantiles.p90].map(days);
        if quantiles[2] <= case.outcome.data_end.0 {
            let due = case.outcome.due.map_or(f64::INFINITY, |due| due.0);
            counts[quantiles.iter().filter(|quantile| due > **quantile).count()] += 1;
        }
    }
    let judged: u32 = counts.iter().sum();
    let heading = format!(
        "WHERE IT CAME, of {} whose p90 lies within the data",
        words::count(judged as usize, "case", "cases")
    );
    let mut out = format!("\n{}\n", board.style.heading(&heading));
    let row = |((part, right), count): ((&str, &str), u32)| {
        let share = if judged == 0 { 0.0 } else { f64::from(count) / f64::from(judged) };
        (part.to_owned(), share, format!("{count}, {share:.2} for {right}"))
    };
    out.push_str(&plot::bars(&PARTS.into_iter().zip(counts).map(row).collect::<Vec<_>>(), 2, board.width));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{out::Style, testkit, times::Teller};

    fn report(
        machine: &str,
        day: i64,
        amount: &str,
        state: pb::ReportState,
        unit: pb::Unit,
    ) -> pb::KeptReport {
        let at = |hour: i64| {
            Some(prost_types::Timestamp { seconds: 1_785_000_000 + day * 86_400 + hour * 3_600, nanos: 0 })
        };
        let said =
            pb::IntervalStatement { start: at(0), end: at(8), amount: amount.into(), unit: unit.into() };
        pb::KeptReport {
            sent: Some(pb::ShiftReport { statement: Some(Statement::Interval(said)), ..Default::default() }),
            state: state.into(),
            machine: machine.into(),
            meter: "operating".into(),
            ..Default::default()
        }
    }

    fn kept(days: i64) -> Kept {
        let mut kept = Kept::default();
        let counted = pb::ReportState::Counted;
        for day in 0..days {
            // A regular machine, and one that runs on one day in three, longer and longer.
            kept.take(&report("L-03", day, "7.5", counted, pb::Unit::Hours));
            if day % 3 == 0 {
                kept.take(&report("L-04", day, &format!("{}", 2 + day / 30), counted, pb::Unit::Unspecified));
            }
            kept.take(&report("L-05", day, "8", pb::ReportState::Held, pb::Unit::Hours));
            kept.take(&report("L-06", day, "800", counted, pb::Unit::Cycles));
        }
        kept
    }

    fn board(width: usize) -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width, style: Style::PLAIN }
    }

    #[test]
    fn a_site_s_own_history_is_judged() {
        let own = judge(kept(150));
        let told = text(&own, board(80));
        assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
        insta::assert_snapshot!(told);
        // Four cuts of two meters; at the two latest of them twelve weeks are not over.
        let table = own.rows();
        assert_eq!((table.rows.len(), own.is_empty()), (20, false));
        let parsed: serde_json::Value = serde_json::from_str(&json(&own)).unwrap();
        assert_eq!(parsed.as_array().unwrap().len(), 20);
        assert_eq!(csv(&own).lines().count(), 21);
    }

    #[test]
    fn too_little_history_is_said() {
        for (days, what) in [(40, "40 days"), (0, "none")] {
            let own = judge(kept(days));
            assert!(own.is_empty(), "{what}");
            assert_eq!((json(&own).as_str(), csv(&own).lines().count()), ("[]\n", 1));
            let told = text(&own, board(60));
            assert!(told.contains("Too little to judge by"), "{told}");
            assert_eq!(told.contains("No report of hours counts yet."), days == 0);
        }
    }

    #[test]
    fn readings_of_a_counter_are_what_it_rose() {
        let reading = |day: &str, value: &str| pb::KeptReport {
            sent: Some(pb::ShiftReport {
                statement: Some(Statement::Reading(pb::ReadingStatement {
                    at: testkit::at(&format!("2026-11-{day}T06:00:00Z")),
                    value: value.into(),
                    ..Default::default()
                })),
                ..Default::default()
            }),
            state: pb::ReportState::Counted.into(),
            machine: "C-01".into(),
            meter: "powered".into(),
            ..Default::default()
        };
        let mut kept = Kept::default();
        for (day, value) in [("05", "130"), ("01", "100"), ("09", "4"), ("11", "20.5")] {
            kept.take(&reading(day, value));
        }
        let runs = kept.stretches().remove("C-01 powered").unwrap();
        let amounts: Vec<i64> = runs.iter().map(|run| run.amount.0).collect();
        assert_eq!(amounts, [30 * 3_600_000, 16_500 * 3_600], "replaced between the 5th and the 9th");
    }
}
