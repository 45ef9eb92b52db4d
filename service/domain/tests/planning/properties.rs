//! What holds for every plan, whatever happened. No outside source: each property follows from a sentence of
//! docs/formulas.md or of the planner's own promise to be a function of its arguments.

use super::{METER, Story, fixed, floating, order_of, rule_of, run, run_fixed, utc, weekday_calendar};
use fettler_domain::calendar::Weekdays;
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{Closing, DueKind, MeterInput, PlanRow, Skip, TaskInput, plan_task};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::rule::{Clause, Combine, Window};
use fettler_domain::time::{MICROS_PER_HOUR, Ts};
use proptest::prelude::*;

/// An instant so many hours into 2026.
fn at(hour: i64) -> Ts {
    utc("2026-01-01T00:00").plus_micros(hour * MICROS_PER_HOUR)
}

fn from_last() -> impl Strategy<Value = Vec<Clause>> {
    let calendar = (1..60_u32).prop_map(|n| floating(&format!("{n} day")));
    let meter = (1..400_u32).prop_map(|n| run(&n.to_string()));
    prop_oneof![
        calendar.clone().prop_map(|clause| vec![clause]),
        meter.clone().prop_map(|clause| vec![clause]),
        (calendar, meter).prop_map(|(days, hours)| vec![days, hours]),
    ]
}

fn any_clauses() -> impl Strategy<Value = Vec<Clause>> {
    let grid = (1..6_u32, 10..300_u32).prop_map(|(months, hours)| {
        vec![fixed(&format!("{months} month"), "2025-12-31"), run_fixed(&hours.to_string(), "0")]
    });
    prop_oneof![from_last(), grid]
}

/// Shifts of eight hours: on which of the days, and how many minutes ran.
fn shifts() -> impl Strategy<Value = Vec<Segment>> {
    proptest::collection::btree_map(0..120_i64, 0..480_i64, 1..60).prop_map(|days| {
        let shift = |(day, minutes): (i64, i64)| Segment {
            start: at(day * 24 + 6),
            end: at(day * 24 + 14),
            amount: Amount(minutes * 60_000),
        };
        days.into_iter().map(shift).collect()
    })
}

fn instants(most: usize) -> impl Strategy<Value = Vec<Ts>> {
    proptest::collection::vec((0..2_800_i64).prop_map(at), 0..most)
}

fn order(clauses: &[Clause], shifts: Vec<Segment>, closings: &[Ts]) -> TaskInput {
    let mut input = order_of(rule_of(clauses, Combine::Earliest, Window::default()));
    let history = History::from_segments(shifts);
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    input.closings = closings.iter().map(|at| Closing { done_at: *at }).collect();
    input
}

fn row(input: &TaskInput) -> PlanRow {
    let calendar = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &["2026-02-09/2026-02-20"]);
    input.row_under(&calendar, "2026-04-30")
}

proptest! {
    #[test]
    fn planning_twice_and_in_any_order_of_the_facts_gives_the_same_row(
        clauses in any_clauses(),
        shifts in shifts(),
        closings in instants(5),
        skips in instants(3),
    ) {
        let mut input = order(&clauses, shifts.clone(), &closings);
        input.skips = skips.iter().map(|at| Skip { at: *at }).collect();
        let once = row(&input);
        prop_assert_eq!(&row(&input), &once);
        let reversed: Vec<Ts> = closings.iter().rev().copied().collect();
        let mut other = order(&clauses, shifts.into_iter().rev().collect(), &reversed);
        other.skips = skips.iter().rev().map(|at| Skip { at: *at }).collect();
        prop_assert_eq!(&row(&other), &once);
    }

    #[test]
    fn a_closing_never_yields_a_due_point_before_itself(
        clauses in from_last(),
        shifts in shifts(),
        done in 0..2_800_i64,
    ) {
        let found = row(&order(&clauses, shifts, &[at(done)]));
        for due in found.clauses.iter().filter_map(|clause| clause.due).chain(found.due) {
            prop_assert!(due > at(done), "due {due}, done {}", at(done));
        }
    }

    #[test]
    fn more_hours_never_move_a_crossing_later(
        every in 1..200_u32,
        shifts in shifts(),
        extra_day in 0..120_i64,
        minutes in 1..480_i64,
    ) {
        // The base is the start of all, so that hours added later do not raise it.
        let clause = [run(&every.to_string())];
        let before = row(&order(&clause, shifts.clone(), &[at(0)]));
        let start = at(extra_day * 24 + 14);
        let extra = Segment { start, end: at(extra_day * 24 + 22), amount: Amount(minutes * 60_000) };
        let after = row(&order(&clause, shifts.into_iter().chain([extra]).collect(), &[at(0)]));
        if before.kind == DueKind::Exact {
            prop_assert_eq!(after.kind, DueKind::Exact);
            prop_assert!(after.due <= before.due);
        }
    }

    #[test]
    fn the_row_is_a_function_of_the_shop_day_and_a_crossing_does_not_depend_on_it(
        shifts in shifts(),
        every in 1..200_u32,
    ) {
        let input = order(&[run(&every.to_string())], shifts, &[at(0)]);
        let calendar = super::plain();
        let on = |text: &str| plan_task(&input, &calendar, super::day(text)).expect("loaded");
        let (april, june) = (on("2026-05-01"), on("2026-06-01"));
        prop_assert_eq!(april.kind == DueKind::Exact, june.kind == DueKind::Exact);
        if april.kind == DueKind::Exact {
            prop_assert_eq!((april.due, april.late), (june.due, june.late));
        }
    }
}
