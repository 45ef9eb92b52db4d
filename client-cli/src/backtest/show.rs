//! Forecasts as rows, and how good they were as a table.

use super::{
    cases::Case,
    forecasts::{Asked, DECILES_BETWEEN, Forecast},
};
use crate::{csvout, exit::Failure, render::table::Table};
use fettler_domain::forecast::{Days, HORIZON, Score, Scores};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The rows of the forecasts, each with its case's name and instants in UTC, rounded up to whole seconds.
pub(crate) fn csv(asked: &Asked<'_>, forecasts: &[Forecast], deciles: bool) -> String {
    let headers = columns(deciles);
    let mut text = csvout::line(headers.iter().map(String::as_str));
    for ((case, _), forecast) in asked.cases.iter().zip(forecasts) {
        let instants = instants(case, forecast);
        text.push_str(&csvout::line(
            [case.id.as_str()].into_iter().chain(instants.iter().map(String::as_str)),
        ));
    }
    text
}

/// The same as a JSON array of objects.
pub(crate) fn json(asked: &Asked<'_>, forecasts: &[Forecast], deciles: bool) -> String {
    let headers = columns(deciles);
    let row = |((case, _), forecast): (&(&Case, _), &Forecast)| {
        let cells = std::iter::once(case.id.clone()).chain(instants(case, forecast));
        let cells = headers.iter().cloned().zip(cells.map(serde_json::Value::String));
        serde_json::Value::Object(cells.collect())
    };
    let rows = serde_json::Value::Array(asked.cases.iter().zip(forecasts).map(row).collect());
    format!("{rows:#}\n")
}

fn columns(deciles: bool) -> Vec<String> {
    let between = if deciles { &DECILES_BETWEEN[..] } else { &[] };
    let all = [10, 50, 90].iter().chain(between).map(|hundredths| format!("p{hundredths}"));
    std::iter::once("case_id".to_owned()).chain(all).collect()
}

/// What lies beyond the horizon is told as the horizon: the columns hold instants.
fn instants(case: &Case, forecast: &Forecast) -> Vec<String> {
    let quantiles = [forecast.quantiles.p10, forecast.quantiles.p50, forecast.quantiles.p90];
    let all = quantiles.iter().chain(&forecast.between);
    all.map(|days| days.unwrap_or(HORIZON).after(case.cut).to_string()).collect()
}

/// How good the forecasts were: each fleet, and each amount of hours in it.
pub(crate) fn table(
    asked: &Asked<'_>,
    forecasts: &[Forecast],
    draw: impl Fn(&Table) -> String,
) -> Result<String, Failure> {
    let mut fleets: BTreeMap<&str, (Scores, BTreeMap<Amounts, Scores>)> = BTreeMap::new();
    for ((case, fleet), forecast) in asked.cases.iter().zip(forecasts) {
        let outcome = case.outcome.as_ref().ok_or_else(no_outcomes)?;
        let (whole, parts) = fleets.entry(&fleet.file).or_default();
        whole.add(&forecast.quantiles, outcome);
        parts.entry(Amounts::of(case)).or_default().add(&forecast.quantiles, outcome);
    }
    let mut text = String::new();
    for (file, (whole, parts)) in &fleets {
        let mut table = Table::new(HEADERS);
        let rows = parts.iter().map(|(amount, scores)| (format!("{} h", amount.text), scores));
        for (of, scores) in rows.chain([("all".to_owned(), whole)]) {
            if let Some(score) = scores.score() {
                table.push(cells(of, &score));
            }
        }
        let _ = write!(text, "{file}\n{}\n", draw(&table));
    }
    text.push_str(LEGEND);
    Ok(text)
}

const HEADERS: [&str; 9] = ["hours", "cases", "open", "pinball", "off", "width", "within", "before", "after"];
const LEGEND: &str = "\
pinball, off and width are days, on the mean: the loss over p10, p50 and p90, how
far p50 lay off, and p90 less p10, each cut at the end of the data. open: not due
by then. within p10 to p90, before p10 and after p90: shares of what can be
judged; 0.80, 0.10 and 0.10 are right.
";

/// The amount of a case, in the order of numbers.
#[derive(Debug)]
struct Amounts<'a> {
    hours: f64,
    text: &'a str,
}

impl<'a> Amounts<'a> {
    fn of(case: &'a Case) -> Amounts<'a> {
        let (hours, text) = &case.remaining;
        Amounts { hours: hours.0, text }
    }
}

impl PartialEq for Amounts<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for Amounts<'_> {}

impl PartialOrd for Amounts<'_> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Amounts<'_> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.hours.total_cmp(&other.hours)
    }
}

fn cells(of: String, score: &Score) -> [String; 9] {
    let days = |days: Days| format!("{:.3}", days.0);
    let share = |share: Option<f64>| share.map_or_else(|| "-".to_owned(), |share| format!("{share:.3}"));
    [
        of,
        score.cases.to_string(),
        score.open.to_string(),
        days(score.pinball),
        days(score.off),
        days(score.width),
        share(score.within),
        share(score.before_p10),
        share(score.after_p90),
    ]
}

fn no_outcomes() -> Failure {
    Failure::usage("the cases do not say what became of them, so nothing can be judged").with_hint(
        "give them the columns data_end and due, or ask for the forecasts alone with --output csv or json",
    )
}
