//! What is expected of counters that are read once a month or once a quarter. No outside source: 8 h on every day are 500 h
//! after 62 days and a half.

use super::{METER, Story, date, day, hours, run, task, utc};
use fettler_domain::ledger::history::{History, Opening, Segment};
use fettler_domain::plan::{Counted, Expectation, MeterInput, PlanRow, TaskInput};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::time::MICROS_PER_DAY;

/// A counter that ran 8 h a day and was read at the start of each of these days.
fn read_on(days: &[&str]) -> MeterInput {
    let at = |text: &str| utc(&format!("{text}T00:00"));
    let stretch = |pair: &[&str]| {
        let (start, end) = (at(pair[0]), at(pair[1]));
        let whole_days = end.micros_since(start) / MICROS_PER_DAY;
        Segment { start, end, amount: Amount(whole_days * hours("8").0) }
    };
    let history = History::from_segments(days.windows(2).map(stretch));
    let opening = Opening { at: at(days[0]), value: Amount::ZERO };
    MeterInput { unit: Unit::Hours, history: history.with_opening(Some(opening)), forecast: None }
}

fn every_500_hours(days: &[&str]) -> TaskInput {
    let mut input = task(&[run("500")]).closed(&["2026-01-01T00:00"]);
    input.meters.insert(METER, read_on(days));
    input
}

const MONTHLY: [&str; 13] = [
    "2025-01-01",
    "2025-02-01",
    "2025-03-01",
    "2025-04-01",
    "2025-05-01",
    "2025-06-01",
    "2025-07-01",
    "2025-08-01",
    "2025-09-01",
    "2025-10-01",
    "2025-11-01",
    "2025-12-01",
    "2026-01-01",
];

fn rests_on(row: &PlanRow) -> Expectation {
    let Counted::Meter { expectation: Some(expectation), .. } = row.clauses[0].counted else {
        panic!("no date is expected: {row:?}")
    };
    expectation
}

#[test]
fn days_that_no_reading_tells_of_yet_are_not_idle() {
    let input = every_500_hours(&MONTHLY);
    let first = input.row("2026-01-01");
    for as_of in ["2026-01-01", "2026-01-10", "2026-01-20", "2026-01-31"] {
        let row = input.row(as_of);
        let quantiles = |row: &PlanRow| [row.p10, row.due, row.p90].map(|at| at.expect("a spread"));
        for (found, then) in quantiles(&row).into_iter().zip(quantiles(&first)) {
            assert!(found.micros_since(then).abs() < 3_600_000_000, "{then}, as of {as_of} {found}");
        }
        let off = day(&date(row.due)).days_since(day("2026-03-04"));
        assert!(off.abs() <= 2, "{off} days off as of {as_of}");
        assert!(row.p10 < Some(utc("2026-03-04T12:00")) && row.p90 > Some(utc("2026-03-04T12:00")));
        assert!(!rests_on(&row).silent);
    }
    // Once the next reading is overdue its days are idle, one by one.
    let overdue = input.row("2026-02-20");
    assert!(
        overdue.due > first.due && overdue.due < first.due.map(|due| due.plus_micros(45 * MICROS_PER_DAY))
    );
    assert!(rests_on(&input.row("2026-05-01")).silent);
}

#[test]
fn what_is_expected_is_never_before_today() {
    let row = every_500_hours(&["2025-01-01", "2025-07-01", "2026-01-01"]).row("2026-03-10");
    let today = utc("2026-03-10T00:00");
    assert_eq!((row.p10, row.due), (Some(today), Some(today)));
    assert!(row.p90 > row.due, "{:?}", row.p90);
    assert!(row.chance_today > Some(500), "{:?}", row.chance_today);
}

#[test]
fn two_readings_tell_how_fast_a_machine_runs() {
    let row = every_500_hours(&["2025-12-01", "2026-01-01"]).row("2026-01-01");
    let rests_on = rests_on(&row);
    assert_eq!((rests_on.basis, rests_on.reports), (fettler_domain::forecast::Basis::Reports, 2));
    assert!(rests_on.per_day > hours("6.5") && rests_on.per_day <= hours("8"), "{:?}", rests_on.per_day);
    assert!(row.due < Some(utc("2026-04-01T00:00")), "{:?}", row.due);
}

#[test]
fn four_weeks_hold_what_was_run_in_them() {
    for days in [&MONTHLY[..], &["2025-04-01", "2025-07-01", "2025-10-01", "2026-01-01"]] {
        let rests_on = rests_on(&every_500_hours(days).row("2026-01-01"));
        assert_eq!(rests_on.last_28_days, hours("224"), "{days:?}");
        assert!(rests_on.per_day <= hours("8.05"), "{:?}", rests_on.per_day);
    }
}
