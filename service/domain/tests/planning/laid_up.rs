//! What is expected of a machine that was laid up. No outside source: the time of a rest is taken out, so that the machine is
//! forecast as one that never stood.

use super::{METER, Story, day, hours, run, task, utc};
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{Counted, Expectation, MeterInput, PlanRow, Rest, TaskInput};
use fettler_domain::quantity::Unit;
use fettler_domain::time::{MICROS_PER_DAY, Ts};

/// 8 h on each of 120 days, then a pause of so many days, then 8 h on each of 10 days, until this instant.
fn paused(days: i64) -> (TaskInput, Rest) {
    let until = utc("2026-08-01T00:00");
    let shift = |back: i64| {
        let start = until.plus_micros(6 * 3_600_000_000 - back * MICROS_PER_DAY);
        Segment { start, end: start.plus_micros(8 * 3_600_000_000), amount: hours("8") }
    };
    let (before, since) = (11 + days..131 + days, 1..=10);
    let history = History::from_segments(before.chain(since).map(shift));
    let mut input = task(&[run("500")]).closed(&["2026-08-01T00:00"]);
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    let back = |days: i64| until.plus_micros(-days * MICROS_PER_DAY);
    (input, Rest { from: back(10 + days), until: Some(back(10)) })
}

fn rests_on(row: &PlanRow) -> Expectation {
    let Counted::Meter { expectation: Some(expectation), .. } = row.clauses[0].counted else {
        panic!("no date is expected: {row:?}")
    };
    expectation
}

fn days_to(at: Option<Ts>) -> i64 {
    at.expect("a date").micros_since(utc("2026-08-01T00:00")) / MICROS_PER_DAY
}

#[test]
fn a_rest_is_no_idle_time() {
    let (never, _) = paused(0);
    let never = never.row("2026-08-01");
    for days in [5, 14, 61, 182] {
        let (idle, rest) = paused(days);
        let laid_up = TaskInput { rests: vec![rest], ..idle.clone() };
        let (idle, laid_up) = (idle.row("2026-08-01"), laid_up.row("2026-08-01"));
        let (of_rest, of_never) = (rests_on(&laid_up).per_day, rests_on(&never).per_day);
        assert!(
            (of_rest.0 - of_never.0).abs() * 50 < of_never.0,
            "{of_rest:?} after {days} days, {of_never:?} without"
        );
        assert!((days_to(laid_up.due) - days_to(never.due)).abs() <= 2, "{days} days: {:?}", laid_up.due);
        assert!(idle.due > laid_up.due, "{days} days that it stood without being laid up slow it");
        assert!(!rests_on(&laid_up).silent);
    }
}

#[test]
fn rests_may_overlap_and_last() {
    let (input, rest) = paused(40);
    let early = Rest { until: rest.until.map(|until| until.plus_micros(-20 * MICROS_PER_DAY)), ..rest };
    let late = Rest { from: early.from.plus_micros(10 * MICROS_PER_DAY), ..rest };
    let rows = [vec![rest], vec![late, early], vec![early, rest, late]]
        .map(|rests| TaskInput { rests, ..input.clone() }.row("2026-08-01"));
    assert_eq!((rows[0].due, rows[0].p90), (rows[1].due, rows[1].p90));
    assert_eq!((rows[0].due, rows[0].p90), (rows[2].due, rows[2].p90));
    // On the day on which a rest ends the machine is forecast as on the day before it began.
    let laid_up = Rest { from: utc("2026-08-01T00:00"), until: Some(utc("2026-11-01T00:00")) };
    let before = rests_on(&input.row("2026-08-01"));
    let after = rests_on(&TaskInput { rests: vec![laid_up], ..input }.row(&day("2026-11-01").to_string()));
    assert!((before.per_day.0 - after.per_day.0).abs() * 50 < before.per_day.0, "{before:?}, {after:?}");
    assert!(!after.silent);
}
