//! The summary by day against the reports themselves.

use crate::{NOW, day, quantiles};
use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::forecast::{Fleet, Hours, Outlook, Reported, Usage, UsageSummary};
use fettler_domain::ledger::history::Segment;
use fettler_domain::plan::{Ground, MeterForecast};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay};
use proptest::prelude::*;

const HOUR: MaxPerHour = MaxPerHour::ONE_HOUR_AN_HOUR;

fn calendar() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

fn today() -> ShopDay {
    calendar().shop_day_of(day(NOW))
}

/// So many shifts on five days of each week, of changing length, from so many days before now on.
fn shifts(days: i32, a_day: i32) -> Vec<Segment> {
    let shift = |n: i32| {
        let at = NOW - f64::from(days) + f64::from(n / a_day) + f64::from(n % a_day * 8) / 24.0;
        Segment {
            start: day(at),
            end: day(at + 8.0 / 24.0),
            amount: Amount(3_600_000 * (3 + i64::from(n % 5))),
        }
    };
    (0..a_day * days).filter(|n| n / a_day % 7 < 5).map(shift).collect()
}

fn summary(runs: &[Segment]) -> UsageSummary {
    UsageSummary::of(runs.iter().copied(), &calendar(), today())
}

fn forecast(usage: &UsageSummary) -> MeterForecast {
    let ground = Ground {
        most: HOUR,
        fleet: Fleet::ASSUMED,
        work_days: None,
        planned: &Planned::default(),
        rests: &[],
    };
    MeterForecast::of(usage, None, ground, &calendar())
}

fn dues(outlook: &Outlook) -> [[f64; 3]; 2] {
    [25.0, 250.0].map(|hours| quantiles(outlook, hours))
}

#[track_caller]
fn alike(runs: &[Segment], part: f64) {
    let reported = |run: &Segment| Reported { end: run.end, hours: Hours::of(run.amount, HOUR) };
    let exact = Outlook::of(&Usage::of(runs.iter().map(reported)), &Fleet::ASSUMED.figures, day(NOW));
    let found = dues(&forecast(&summary(runs)).outlook);
    for (got, expected) in found.as_flattened().iter().zip(dues(&exact).as_flattened()) {
        assert!((got - expected).abs() <= part * expected, "{got}, by the reports {expected}");
    }
}

#[test]
fn days_forecast_as_reports_do() {
    alike(&shifts(180, 1), 1e-12);
    alike(&shifts(730, 1), 0.002);
    alike(&shifts(180, 3), 0.01);
    alike(&shifts(730, 3), 0.01);
}

#[test]
fn three_shifts_on_every_day_of_two_years_take_as_much_as_one() {
    let [one, three] = [1, 3].map(|a_day| summary(&shifts(730, a_day)).len());
    assert!(three == one && one <= 260, "{three} entries of three shifts, {one} of one");
}

#[test]
fn the_order_of_counting_and_taking_back_does_not_matter() {
    let shifts = shifts(600, 2);
    let mut other = summary(&shifts.iter().rev().copied().collect::<Vec<_>>());
    assert_eq!(other, summary(&shifts));
    for late in [
        Segment { start: day(50.0), end: day(50.5), amount: Amount(7_200_000) },
        Segment { start: day(-300.0), end: day(60.0), amount: Amount(72_000_001) },
    ] {
        other.count(&calendar(), late);
        assert_ne!(other, summary(&shifts));
        other.take_back(&calendar(), late);
        assert_eq!(other, summary(&shifts));
    }
    for shift in &shifts {
        other.take_back(&calendar(), *shift);
    }
    assert!(other.is_empty());
}

#[test]
fn a_report_of_many_days_stands_where_it_was_run() {
    let long = Segment { start: day(69.5), end: day(99.5), amount: Amount(30 * 8 * 3_600_000) };
    let found = forecast(&summary(&[long]));
    assert_eq!((found.reports, found.last_28_days), (1, Amount((27 * 8 + 4) * 3_600_000)));
    let rate = found.outlook.rate.mean.0;
    assert!((7.0..8.0).contains(&rate), "{rate}");
}

fn runs() -> impl Strategy<Value = Vec<(Segment, bool, i64)>> {
    let run = (-800..100_i64, 0..24_i64, 1..1_200_i64, 0..500_i64, any::<bool>(), 0..40_i64);
    let run = run.prop_map(|(from, hour, length, amount, stays, turn)| {
        let start = day(0.0).plus_micros((from * 24 + hour) * MICROS_PER_HOUR);
        let end = start.plus_micros(length * MICROS_PER_HOUR);
        (Segment { start, end, amount: Amount(amount * 3_600_000) }, stays, turn)
    });
    proptest::collection::vec(run, 0..40)
}

proptest! {
    #[test]
    fn what_was_counted_and_taken_back_as_days_went_by_is_what_is_counted_at_the_end(
        runs in runs(),
        (first, days) in (-30..60_i64, 0..400_i64),
    ) {
        let calendar = calendar();
        let from = calendar.shop_day_of(day(0.0)).plus_days(first);
        let mut kept = UsageSummary::new(from);
        for (run, _, turn) in &runs {
            kept.go_on(from.plus_days(turn * days / 40));
            kept.count(&calendar, *run);
        }
        for (run, ..) in runs.iter().filter(|(_, stays, _)| !stays) {
            kept.take_back(&calendar, *run);
        }
        let last = from.plus_days(days);
        kept.go_on(last);
        let left = runs.iter().filter(|(_, stays, _)| *stays).map(|(run, ..)| *run);
        prop_assert_eq!(kept, UsageSummary::of(left, &calendar, last));
    }
}
