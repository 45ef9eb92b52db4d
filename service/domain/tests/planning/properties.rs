//! What holds for every plan, whatever happened. No outside source: each property follows from a sentence of
//! docs/formulas.md or of the planner's own promise to be a function of its arguments. Cases that once failed stand in
//! `tests/proptest-regressions` and are tried first.

use super::{
    METER, Story, day, fixed, floating, order_of, recurring, rule_of, run, run_fixed, utc, weekday_calendar,
};
use fettler_domain::calendar::{Calendar, Weekdays};
use fettler_domain::ids::MeterId;
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{
    Closing, Counted, DueKind, MeterInput, PlanRow, Rest, RuleVersion, Satisfied, Skip, TaskInput, Timing,
    plan_task, satisfied,
};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::rule::{Clause, Combine, Recurrence, Window};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};
use proptest::prelude::*;

/// A second meter, so that a rule can count two.
const OTHER: MeterId = MeterId(2);

/// An instant so many hours into 2026.
fn at(hour: i64) -> Ts {
    utc("2026-01-01T00:00").plus_micros(hour * MICROS_PER_HOUR)
}

/// A clause of [`METER`] that counts [`OTHER`] instead.
fn of_other(clause: Clause) -> Clause {
    match clause {
        Clause::Meter { every, counts_from, .. } => Clause::Meter { meter: OTHER, every, counts_from },
        other @ (Clause::Calendar { .. }
        | Clause::Recurrence(_)
        | Clause::Reading { .. }
        | Clause::Model { .. }) => other,
    }
}

fn from_last() -> impl Strategy<Value = Vec<Clause>> {
    let calendar = (1..60_u32).prop_map(|n| floating(&format!("{n} day")));
    let meter = (1..400_u32).prop_map(|n| run(&n.to_string()));
    prop_oneof![
        calendar.clone().prop_map(|clause| vec![clause]),
        meter.clone().prop_map(|clause| vec![clause]),
        (calendar, meter.clone()).prop_map(|(days, hours)| vec![days, hours]),
        (meter.clone(), meter).prop_map(|(one, other)| vec![one, of_other(other)]),
    ]
}

/// A recurrence rule of any frequency, with an end or without, that starts around the start of 2026.
fn recurrences() -> impl Strategy<Value = Clause> {
    let parts = prop_oneof![
        Just("FREQ=DAILY"),
        Just("FREQ=WEEKLY;BYDAY=MO,SA"),
        Just("FREQ=WEEKLY;BYDAY=SU"),
        Just("FREQ=MONTHLY"),
        Just("FREQ=MONTHLY;BYDAY=1MO,-1FR"),
        Just("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1"),
        Just("FREQ=YEARLY;BYYEARDAY=1,40,41,42,100"),
    ];
    (parts, 1..4_u32, proptest::option::of(1..6_u32), 0..60_i64).prop_map(
        |(parts, interval, count, start)| {
            let count = count.map(|count| format!(";COUNT={count}")).unwrap_or_default();
            let from = day("2025-12-01").plus_days(start);
            recurring(&format!("{parts};INTERVAL={interval}{count}"), &from.to_string())
        },
    )
}

fn on_grids() -> impl Strategy<Value = Vec<Clause>> {
    let grid = (1..6_u32, 10..300_u32).prop_map(|(months, hours)| {
        vec![fixed(&format!("{months} month"), "2025-12-31"), run_fixed(&hours.to_string(), "0")]
    });
    let days = (1..40_u32).prop_map(|n| vec![fixed(&format!("{n} day"), "2025-12-20")]);
    let mixed =
        (recurrences(), 10..300_u32).prop_map(|(rule, hours)| vec![rule, run_fixed(&hours.to_string(), "0")]);
    prop_oneof![grid, days, recurrences().prop_map(|rule| vec![rule]), mixed]
}

fn any_clauses() -> impl Strategy<Value = Vec<Clause>> {
    let mixed = (recurrences(), 10..300_u32).prop_map(|(rule, hours)| vec![rule, run(&hours.to_string())]);
    prop_oneof![from_last(), on_grids(), mixed]
}

fn windows() -> impl Strategy<Value = Window> {
    prop_oneof![
        (0..=50_u8).prop_map(Window::Percent),
        Just(Window::Exact { days: Some(0), amount: None }),
        Just(Window::Exact { days: None, amount: Some(Amount(1_800_000)) }),
    ]
}

fn combines() -> impl Strategy<Value = Combine> {
    prop_oneof![Just(Combine::Earliest), Just(Combine::Latest)]
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

/// Rests of some days each, one after the other, the last perhaps without an end.
fn rests() -> impl Strategy<Value = Vec<Rest>> {
    (proptest::collection::btree_set(0..110_i64, 0..4), any::<bool>()).prop_map(|(days, ends)| {
        let days: Vec<i64> = days.into_iter().collect();
        let pairs = days.chunks(2);
        let until =
            |pair: &[i64]| pair.get(1).map(|day| at(day * 24 + 9)).filter(|_| ends || pair.len() == 2);
        pairs.map(|pair| Rest { from: at(pair[0] * 24 + 15), until: until(pair) }).collect()
    })
}

fn meter(segments: Vec<Segment>) -> MeterInput {
    MeterInput { unit: Unit::Hours, history: History::from_segments(segments), forecast: None }
}

fn order_under(
    (clauses, combine, window): (&[Clause], Combine, Window),
    shifts: Vec<Segment>,
    closings: &[Ts],
) -> TaskInput {
    let mut input = order_of(rule_of(clauses, combine, window));
    // The other meter runs half of every second shift.
    let half = |shift: &Segment| Segment { amount: Amount(shift.amount.0 / 2), ..*shift };
    input.meters.insert(OTHER, meter(shifts.iter().step_by(2).map(half).collect()));
    input.meters.insert(METER, meter(shifts));
    input.closings = closings.iter().map(|at| Closing { done_at: *at }).collect();
    input
}

fn order(clauses: &[Clause], shifts: Vec<Segment>, closings: &[Ts]) -> TaskInput {
    order_under((clauses, Combine::Earliest, Window::default()), shifts, closings)
}

fn calendar() -> Calendar {
    weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &["2026-02-09/2026-02-20"])
}

fn row(input: &TaskInput) -> PlanRow {
    input.row_under(&calendar(), "2026-04-30")
}

fn judged(input: &TaskInput, done_at: Ts) -> Satisfied {
    satisfied(input, &calendar(), done_at).expect("every month is loaded")
}

/// The row of an order of which no month is loaded until the planner names it.
fn row_by_months(input: &TaskInput, as_of: ShopDay) -> PlanRow {
    let mut bare = input.clone();
    for meter in bare.meters.values_mut() {
        let history = &meter.history;
        let (months, adjusted) = (history.months().clone(), history.adjusted().clone());
        meter.history = History::from_totals(months, adjusted, history.known_to());
    }
    loop {
        match plan_task(&bare, &calendar(), as_of) {
            Ok(row) => return row,
            Err(missing) => {
                for (meter, month) in missing {
                    let all: Vec<Segment> = input.meters[&meter].history.runs().collect();
                    bare.meters.get_mut(&meter).expect("a meter of the order").history.load(month, all);
                }
            }
        }
    }
}

proptest! {
    #[test]
    fn planning_twice_and_in_any_order_of_the_facts_gives_the_same(
        clauses in any_clauses(),
        (combine, window) in (combines(), windows()),
        shifts in shifts(),
        (closings, skips) in (instants(5), instants(3)),
        rests in rests(),
    ) {
        let rule = (&clauses[..], combine, window);
        let mut input = order_under(rule, shifts.clone(), &closings);
        input.skips = skips.iter().map(|at| Skip { at: *at }).collect();
        input.rests.clone_from(&rests);
        let (once, met) = (row(&input), judged(&input, at(2_000)));
        prop_assert_eq!((&row(&input), &judged(&input, at(2_000))), (&once, &met));
        let reversed: Vec<Ts> = closings.iter().rev().copied().collect();
        let mut other = order_under(rule, shifts.clone(), &reversed);
        let backwards = |every_other: bool| {
            let half: Vec<Segment> = shifts.iter().step_by(1 + usize::from(every_other)).copied().collect();
            half.into_iter().rev()
        };
        other.meters.insert(METER, meter(backwards(false).collect()));
        let half = |shift: Segment| Segment { amount: Amount(shift.amount.0 / 2), ..shift };
        other.meters.insert(OTHER, meter(backwards(true).map(half).collect()));
        other.skips = skips.iter().rev().map(|at| Skip { at: *at }).collect();
        other.rests = rests.into_iter().rev().collect();
        prop_assert_eq!((&row(&other), &judged(&other, at(2_000))), (&once, &met));
    }

    #[test]
    fn a_closing_never_yields_a_due_point_before_itself(
        clauses in any_clauses(),
        (combine, window) in (combines(), windows()),
        shifts in shifts(),
        closings in instants(4),
        done in 0..2_800_i64,
    ) {
        let closings: Vec<Ts> = closings.into_iter().filter(|at| at.0 < self::at(done).0).chain([at(done)]).collect();
        let found = row(&order_under((&clauses, combine, window), shifts, &closings));
        for due in found.clauses.iter().filter_map(|clause| clause.due).chain(found.due) {
            prop_assert!(due > at(done), "due {due}, done {}: {found:?}", at(done));
        }
    }

    #[test]
    fn more_hours_never_move_a_crossing_later(
        (every, other) in (1..200_u32, 1..200_u32),
        on_grid in any::<bool>(),
        window in windows(),
        shifts in shifts(),
        extra_day in 0..120_i64,
        minutes in 1..480_i64,
    ) {
        // The base is the start of all, so that hours added later do not raise it.
        let one = if on_grid { run_fixed(&every.to_string(), "0") } else { run(&every.to_string()) };
        let clauses = [one, of_other(run(&other.to_string()))];
        let window = if let Window::Percent(_) = window { window } else { Window::default() };
        let start = at(extra_day * 24 + 14);
        let extra = Segment { start, end: at(extra_day * 24 + 22), amount: Amount(minutes * 60_000) };
        for combine in [Combine::Earliest, Combine::Latest] {
            let input = order_under((&clauses, combine, window), shifts.clone(), &[at(0)]);
            let before = row(&input);
            let mut more = input.clone();
            more.meters.insert(METER, meter(shifts.iter().copied().chain([extra]).collect()));
            let after = row(&more);
            let both = before.clauses.iter().zip(&after.clauses).filter(|(b, _)| b.kind == DueKind::Exact);
            for (before, after) in both {
                prop_assert_eq!(after.kind, DueKind::Exact);
                prop_assert!(after.due <= before.due && after.opens <= before.opens);
            }
            if before.kind == DueKind::Exact {
                prop_assert!(after.kind == DueKind::Exact && after.due <= before.due);
                let late = |row: &PlanRow| row.late.unwrap_or(Ts::MAX);
                prop_assert!(late(&after) <= late(&before));
            }
        }
    }

    #[test]
    fn the_row_is_a_function_of_the_shop_day_and_a_crossing_does_not_depend_on_it(
        shifts in shifts(),
        every in 1..200_u32,
    ) {
        let input = order(&[run(&every.to_string())], shifts, &[at(0)]);
        let calendar = super::plain();
        let on = |text: &str| plan_task(&input, &calendar, day(text)).expect("loaded");
        let (april, june) = (on("2026-05-01"), on("2026-06-01"));
        prop_assert_eq!(april.kind == DueKind::Exact, june.kind == DueKind::Exact);
        if april.kind == DueKind::Exact {
            prop_assert_eq!((april.due, april.late), (june.due, june.late));
        }
    }

    #[test]
    fn a_row_computed_again_at_its_own_stamp_is_the_row_as_it_was_stored(
        clauses in any_clauses(),
        (combine, window) in (combines(), windows()),
        shifts in shifts(),
        (closings, skips) in (instants(4), instants(3)),
        rests in rests(),
        changed in proptest::option::of((any_clauses(), 0..150_i64)),
        as_of in 0..200_i64,
    ) {
        let mut input = order_under((&clauses, combine, window), shifts, &closings);
        input.skips = skips.iter().map(|at| Skip { at: *at }).collect();
        input.rests = rests;
        if let Some((clauses, days)) = changed {
            let rule = rule_of(&clauses, combine, Window::default());
            input.versions.push(RuleVersion { effective: day("2026-01-01").plus_days(days), rule });
        }
        let as_of = day("2026-01-01").plus_days(as_of);
        let row = plan_task(&input, &calendar(), as_of).expect("loaded");
        let stored = serde_json::to_string(&row).expect("plain data");
        let read: PlanRow = serde_json::from_str(&stored).expect("the same");
        prop_assert_eq!(&plan_task(&input, &calendar(), read.stamp.as_of).expect("loaded"), &read);
        prop_assert_eq!(&row_by_months(&input, read.stamp.as_of), &read);
    }

    #[test]
    fn a_skip_gives_the_same_base_whatever_ends_after_it(
        (clauses, combine) in (from_last(), combines()),
        (shifts, closings) in (shifts(), instants(3)),
        (skip, later) in (0..2_000_i64, 0..60_i64),
    ) {
        let mut input = order_under((&clauses, combine, Window::default()), shifts, &closings);
        input.skips = vec![Skip { at: at(skip) }];
        input.closings.retain(|closing| closing.done_at <= at(skip));
        // Without any, a skip is a base by its moment alone.
        input.closings.push(Closing { done_at: at(0) });
        let mut then = input.clone();
        for meter in then.meters.values_mut() {
            let ended: Vec<Segment> = meter.history.runs().filter(|run| run.end <= at(skip)).collect();
            *meter = self::meter(ended);
        }
        let day = calendar().shop_day_of(at(skip));
        let on_skip = then.row_under(&calendar(), &day.to_string());
        let since = input.row_under(&calendar(), &day.plus_days(later).to_string());
        let audit = judged(&input, at(skip + 24 * later + 1));
        for (then, later) in on_skip.clauses.iter().zip(since.clauses.iter().zip(&audit.clauses)) {
            for later in [later.0, later.1] {
                prop_assert_eq!(then.base, later.base);
                match (&then.counted, &later.counted) {
                    (Counted::Calendar { by_rule: then, .. }, Counted::Calendar { by_rule: later, .. }) => {
                        prop_assert_eq!(then, later);
                    }
                    // What another meter counted by the skip its reports tell; the one that was skipped goes on from there.
                    (Counted::Meter { threshold: then, .. }, Counted::Meter { threshold: later, .. }) => {
                        let is_known = clauses.len() == 1 && then.is_some();
                        prop_assert!(!is_known || then == later, "{then:?} then, {later:?} later");
                    }
                    _ => prop_assert!(false, "the same clause"),
                }
            }
        }
    }

    #[test]
    fn work_on_the_due_day_is_on_time_and_leads_to_a_later_one(
        clauses in prop_oneof![recurrences(), (1..40_u32).prop_map(|n| fixed(&format!("{n} day"), "2025-12-20"))],
        window in windows(),
        closings in instants(3),
    ) {
        let rule = (std::slice::from_ref(&clauses), Combine::Earliest, window);
        let input = order_under(rule, Vec::new(), &closings);
        let last = closings.iter().max().copied().unwrap_or(Ts::MIN);
        let before = row(&input);
        if let Some(due) = before.due {
            let done = due.max(last).plus_micros(MICROS_PER_HOUR);
            let met = judged(&input, done);
            prop_assert!(!met.extra_work && met.missed >= 0, "{met:?}");
            if done.micros_since(due) == MICROS_PER_HOUR {
                prop_assert_eq!((met.due, met.missed, met.timing), (Some(due), 0, Timing::OnTime));
            }
            let next = row(&order_under(rule, Vec::new(), &[&closings[..], &[done]].concat()));
            prop_assert!(next.due.is_none_or(|next| next > done) && next.kind != DueKind::Unknown);
        } else {
            prop_assert_eq!(before.kind, DueKind::Ended);
            prop_assert!(judged(&input, at(2_799)).extra_work);
        }
    }

    #[test]
    fn the_days_of_a_rule_rise_and_none_lies_between_a_day_and_its_neighbours(
        clause in recurrences(),
        days in 0..800_i64,
    ) {
        let Clause::Recurrence(rule) = clause else { panic!("a recurrence rule") };
        let all: Vec<ShopDay> = rule.days().take(300).collect();
        prop_assert!(all.windows(2).all(|pair| pair[0] < pair[1]));
        let asked = day("2025-11-15").plus_days(days);
        let known = |day: Option<ShopDay>| day.is_none_or(|day| rule.next(day) == Some(day));
        let (before, next) = (rule.before(asked), rule.next(asked));
        prop_assert!(known(before) && known(next));
        prop_assert!(before.is_none_or(|before| before < asked) && next.is_none_or(|next| next >= asked));
        let ended = |rule: &Recurrence| rule.days().take(2_000).last();
        let first = before.map_or(rule.from(), |before| before.plus_days(1));
        prop_assert_eq!(rule.next(first), next, "nothing between them");
        prop_assert!(next.is_some() || ended(&rule) == before);
    }
}
