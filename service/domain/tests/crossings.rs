//! Crossings against a plain scan: H is summed anew at every microsecond of a few hundred around the turn of a month.

use fettler_domain::ledger::history::{History, MissingMonth, Month, Segment};
use fettler_domain::quantity::Amount;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use proptest::prelude::*;
use std::collections::BTreeSet;

/// The first microsecond of February 1970 (31 days after the start of 1970).
const TURN: i64 = 31 * MICROS_PER_DAY;
/// How far to each side of the turn the scan goes, in microseconds.
const REACH: i64 = 200;

/// H by its definition in docs/formulas.md, in plain integers.
fn h(segments: &[Segment], at: i64) -> i64 {
    let counted = |s: &Segment| match (s.start.0, s.end.0) {
        (_, end) if end <= at => s.amount.0,
        (start, end) if start < at => s.amount.0 * (at - start) / (end - start),
        _ => 0,
    };
    segments.iter().map(counted).sum()
}

fn scan(segments: &[Segment], threshold: i64, since: i64) -> Option<i64> {
    (since..=TURN + 2 * REACH).find(|at| h(segments, *at) >= threshold)
}

/// Stretches of run, steps of either sign, and one long stretch that both months share.
fn segments() -> impl Strategy<Value = Vec<Segment>> {
    let near = || (-REACH..=REACH).prop_map(|offset| TURN + offset);
    let run = (near(), 1..=REACH, 0..500_i64).prop_map(|(start, length, amount)| Segment {
        start: Ts(start),
        end: Ts(start + length),
        amount: Amount(amount),
    });
    let at = prop_oneof![near(), Just(TURN), Just(TURN - 1)];
    let step = (at, -400..400_i64).prop_map(|(at, amount)| Segment {
        start: Ts(at),
        end: Ts(at),
        amount: Amount(amount),
    });
    let long = (0..1_000_i64).prop_map(|amount| Segment {
        start: Ts(TURN - MICROS_PER_DAY),
        end: Ts(TURN + REACH),
        amount: Amount(amount),
    });
    let runs = proptest::collection::vec(run, 0..5);
    (runs, proptest::collection::vec(step, 0..4), proptest::option::of(long))
        .prop_map(|(runs, steps, long)| runs.into_iter().chain(steps).chain(long).collect())
}

/// The history with nothing loaded, as a store gives it.
fn bare(history: &History) -> History {
    History::from_totals(history.months().clone(), history.adjusted().clone(), history.known_to())
}

/// The crossing with months loaded as they are asked for, and how many were.
fn crossing_by_months(
    segments: &[Segment],
    threshold: Amount,
    since: Option<Ts>,
) -> (Option<Ts>, BTreeSet<Month>) {
    let mut history = bare(&History::from_segments(segments.iter().copied()));
    let mut loaded = BTreeSet::new();
    loop {
        match history.crossing(threshold, since) {
            Ok(at) => return (at, loaded),
            Err(MissingMonth(month)) => {
                assert!(loaded.insert(month), "{month:?} was loaded already");
                history.load(month, segments.iter().copied());
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn a_crossing_is_the_first_microsecond_of_a_plain_scan(
        segments in segments(),
        threshold in 1..900_i64,
        offset in -2 * REACH..2 * REACH,
    ) {
        let since = TURN + offset;
        let history = History::from_segments(segments.iter().copied());
        prop_assert_eq!(history.at(Ts(since)), Ok(Amount(h(&segments, since))));
        let found = history.crossing(Amount(threshold), Some(Ts(since))).expect("loaded");
        prop_assert_eq!(found.map(|at| at.0), scan(&segments, threshold, since));
        let (by_months, loaded) = crossing_by_months(&segments, Amount(threshold), Some(Ts(since)));
        prop_assert_eq!(by_months, found);
        let most = if history.adjusted().is_empty() { 1 } else { 2 };
        prop_assert!(loaded.len() <= most, "{loaded:?}");
        // Without a beginning it is looked for in all that was counted.
        if h(&segments, TURN - 2 * REACH) < threshold {
            let of_all = history.crossing(Amount(threshold), None).expect("loaded");
            prop_assert_eq!(of_all.map(|at| at.0), scan(&segments, threshold, TURN - 2 * REACH));
        }
    }
}

/// Values worked by hand: ten months of 100 each, a step of -30 in the fourth; 395 is reached in the fourth month only
/// before the step, and in the fifth again.
#[test]
fn only_a_month_that_may_hold_the_crossing_is_loaded() {
    let month = |number: i32| Month(1970 * 12 + number);
    let mut segments: Vec<Segment> = (0..10)
        .map(|number| Segment {
            start: month(number).start(),
            end: month(number).start().plus_micros(1_000),
            amount: Amount(100),
        })
        .collect();
    let ask = |segments: &[Segment], threshold: i64, since: Option<Ts>| {
        let (at, loaded) = crossing_by_months(segments, Amount(threshold), since);
        (at.map(|at| at.0), loaded.into_iter().map(|month| month.0 - 1970 * 12).collect::<Vec<_>>())
    };
    let in_month = |number: i32, micros: i64| Some(month(number).start().0 + micros);
    assert_eq!(ask(&segments, 750, None), (in_month(7, 500), vec![7]));
    assert_eq!(ask(&segments, 1_001, None), (None, vec![]));
    let step = month(3).start().plus_micros(2_000);
    segments.push(Segment { start: step, end: step, amount: Amount(-30) });
    assert_eq!(ask(&segments, 395, None), (in_month(3, 950), vec![3]));
    assert_eq!(ask(&segments, 395, Some(step)), (in_month(4, 250), vec![3, 4]));
    assert_eq!(ask(&segments, 720, None), (in_month(7, 500), vec![3, 7]));
}
