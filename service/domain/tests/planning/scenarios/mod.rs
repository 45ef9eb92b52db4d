//! Tricky cases of interval rules, each a test by its number in `tests/data/vectors/rule_scenarios.csv` (by hand, our convention;
//! dates asserted there with dateutil and zoneinfo). Where the words of a case differ from docs/formulas.md, those rule,
//! and the test says so.

mod baseline;
mod calendar;
mod cover;
mod due;
mod mode;
mod refused;

use super::{day, every, utc, weekday_calendar};
use crate::vectors::lines;
use fettler_domain::calendar::{Calendar, Weekdays};
use fettler_domain::plan::{Counted, PlanRow, Satisfied, TaskInput, satisfied};
use fettler_domain::quantity::Amount;
use std::collections::BTreeSet;

/// Cases that no test holds, each with its reason.
const LISTED: &[(&str, &str)] = &[
    ("083", "a warm-up is a check of a round, bound to a shift: rounds are no part of this"),
    ("084", "a check of each shift belongs to a round: rounds are no part of this"),
    ("085", "that a check lapses when its shift ends belongs to a round: rounds are no part of this"),
];

/// The files whose tests carry the number of a case.
const TESTS: &[&str] = &[
    include_str!("baseline.rs"),
    include_str!("calendar.rs"),
    include_str!("cover.rs"),
    include_str!("due.rs"),
    include_str!("mode.rs"),
    include_str!("../../ledger_vectors.rs"),
    include_str!("../../../src/shop/rule_from_tests.rs"),
    include_str!("../../../../store/tests/rules.rs"),
];

/// The numbers of the cases that tests are named after.
fn tested() -> BTreeSet<String> {
    let of_line = |line: &str| {
        let name = line.trim().strip_prefix("async ").unwrap_or(line.trim()).strip_prefix("fn ")?.to_owned();
        let number =
            name.strip_prefix("rule_scenarios_").or(name.strip_prefix("scenario_"))?.split('_').next()?;
        Some(number.to_owned()).filter(|number| number.len() == 3)
    };
    // The store's tests are functions of the engine, which would be dead code if no test called them.
    let is_test = |before: &str, line: &str| before.trim() == "#[test]" || line.starts_with("async fn");
    let of_file = |text: &'static str| {
        let lines = text.lines().zip(text.lines().skip(1));
        let tests = lines.filter(|(before, line)| is_test(before, line));
        tests.filter_map(move |(_, line)| of_line(line)).collect::<Vec<_>>()
    };
    TESTS.iter().copied().flat_map(of_file).collect()
}

#[test]
fn rule_scenarios() {
    let tested = tested();
    let listed: BTreeSet<&str> = LISTED.iter().map(|(number, _)| *number).collect();
    let mut named = BTreeSet::new();
    for row in lines("rule_scenarios") {
        let number = row["id"].strip_prefix("rule_scenarios-").expect("the family's own numbers").to_owned();
        let (test, reason) = (tested.contains(&number), listed.contains(number.as_str()));
        assert!(
            test != reason,
            "{number}: test {test}, listed {reason}: {} -> {}",
            row["given"],
            row["expected"]
        );
        named.insert(number);
    }
    let unknown: Vec<&String> = tested.iter().filter(|number| !named.contains(*number)).collect();
    assert!(unknown.is_empty(), "tests of cases that there are not: {unknown:?}");
}

pub(super) fn met(input: &TaskInput, done_at: &str) -> Satisfied {
    satisfied(input, &super::plain(), utc(done_at)).expect("every month is loaded")
}

fn dues(text: &str, base: &str, count: u32) -> Vec<String> {
    (1..=count).map(|times| every(text).after(day(base), times).to_string()).collect()
}

pub(super) fn closed_days() -> Calendar {
    // Public holidays of Baden-Württemberg in 2026 that the cases touch (from memory; Easter by dateutil.easter).
    let closed = ["2026-04-03", "2026-04-06", "2026-05-01", "2026-12-24/2027-01-06"];
    weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &closed)
}

/// The count at which the first clause, which counts a meter, is due.
fn threshold(row: &PlanRow) -> Option<Amount> {
    let Counted::Meter { threshold, .. } = row.clauses[0].counted else { panic!("a meter clause") };
    threshold
}
