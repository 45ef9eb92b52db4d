//! The summary by day against the reports themselves.

use crate::{NOW, day, fleet, quantiles};
use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::forecast::{DAYS_KEPT, Hours, Outlook, Reported, Usage, UsageSummary};
use fettler_domain::ledger::history::{History, Month, Segment};
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};

const HOUR: MaxPerHour = MaxPerHour::ONE_HOUR_AN_HOUR;

fn calendar() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

/// Two shifts on five days of each week, of changing length, from so many days before now on.
fn shifts(days: i64) -> Vec<Segment> {
    let shift = |n: i64| {
        let start =
            Ts(day(NOW).0 - days * 24 * MICROS_PER_HOUR + (n / 2 * 24 + n % 2 * 8 + 6) * MICROS_PER_HOUR);
        let end = Ts(start.0 + 8 * MICROS_PER_HOUR);
        Segment { start, end, amount: Amount(3_600_000 * (3 + n % 5)) }
    };
    (0..2 * days).filter(|n| n / 2 % 7 < 5).map(shift).collect()
}

fn reports(shifts: &[Segment]) -> Usage {
    let reported = |s: &Segment| Reported { end: s.end, hours: Hours::of(s.amount, HOUR) };
    Usage::of(shifts.iter().map(reported))
}

fn summary(shifts: &[Segment]) -> UsageSummary {
    let mut summary = UsageSummary::default();
    for shift in shifts {
        summary.count(&calendar(), shift.end, shift.amount);
    }
    summary
}

#[track_caller]
fn alike(usage: &Usage, exact: &Usage, part: f64) {
    let dues = [usage, exact].map(|usage| {
        let outlook = Outlook::of(usage, &fleet(0.01), day(NOW));
        [25.0, 250.0].map(|hours| quantiles(&outlook, hours))
    });
    for (got, expected) in dues[0].as_flattened().iter().zip(dues[1].as_flattened()) {
        assert!((got - expected).abs() <= part * expected, "{got}, by the reports {expected}");
    }
}

#[test]
fn days_forecast_as_reports_do() {
    let shifts = shifts(300);
    let known_to = shifts.last().map(|s| s.end);
    alike(&summary(&shifts).usage(HOUR, &calendar(), known_to), &reports(&shifts), 0.01);
}

#[test]
fn the_order_of_counting_and_taking_back_does_not_matter() {
    let shifts = shifts(60);
    let mut other = summary(&shifts.iter().rev().copied().collect::<Vec<_>>());
    let late = Segment { start: day(50.0), end: day(50.5), amount: Amount(7_200_000) };
    other.count(&calendar(), late.end, late.amount);
    assert_ne!(other, summary(&shifts));
    other.take_back(&calendar(), late.end, late.amount);
    assert_eq!(other, summary(&shifts));
    assert_eq!(UsageSummary::of_days(other.days()), other);
    for shift in &shifts {
        other.take_back(&calendar(), shift.end, shift.amount);
    }
    assert_eq!(other, UsageSummary::default());
}

#[test]
fn what_ends_as_the_day_starts_was_run_the_day_before() {
    let night = Segment { start: day(98.0), end: day(99.0), amount: Amount(3_600_000) };
    let days: Vec<ShopDay> = summary(&[night]).days().map(|(day, _)| day).collect();
    assert_eq!(days, [calendar().shop_day_of(day(98.5))]);
}

#[test]
fn old_days_are_folded_without_loss() {
    let shifts = shifts(900);
    let known_to = shifts.last().map(|s| s.end);
    let (whole, mut folded) = (summary(&shifts), summary(&shifts));
    folded.fold(calendar().shop_day_of(day(NOW)));
    let sum = |summary: &UsageSummary| {
        summary.days().fold((Amount::ZERO, 0), |(amount, reports), (_, of_day)| {
            (amount + of_day.amount, reports + of_day.reports)
        })
    };
    assert_eq!(sum(&whole), sum(&folded));
    let kept = usize::try_from(DAYS_KEPT).unwrap() * 5 / 7;
    assert!(folded.days().count() < kept + 20, "{} days", folded.days().count());
    assert_eq!(folded.days().next(), whole.days().next(), "the first day starts the clock");
    let usage = |summary: &UsageSummary| summary.usage(HOUR, &calendar(), known_to);
    alike(&usage(&folded), &usage(&whole), 0.005);
    let again = {
        let mut again = folded.clone();
        again.fold(calendar().shop_day_of(day(NOW)));
        again
    };
    assert_eq!(again, folded);
}

#[test]
fn a_history_gives_its_summary_from_totals_and_the_months_that_are_loaded() {
    let shifts = shifts(400);
    let all = History::from_segments(shifts.iter().copied());
    let since = Month::of(Ts(day(NOW).0 - 91 * 24 * MICROS_PER_HOUR));
    let mut some = History::from_totals(all.months().clone(), [].into(), all.known_to());
    assert!(
        UsageSummary::of_history(&some, since, &calendar()).is_err(),
        "the months are to be loaded first"
    );
    for &month in all.months().keys().filter(|month| **month >= since) {
        some.load(month, shifts.iter().copied());
    }
    let from_some = UsageSummary::of_history(&some, since, &calendar()).unwrap();
    let whole = UsageSummary::of_history(&all, Month(0), &calendar()).unwrap();
    assert_eq!(whole, summary(&shifts));
    let usage = |summary: &UsageSummary| summary.usage(HOUR, &calendar(), all.known_to());
    alike(&usage(&from_some), &usage(&whole), 0.01);
    // Nothing is counted twice where a shift runs from one month into the next.
    let total = |summary: &UsageSummary| summary.days().map(|(_, of_day)| of_day.amount).sum::<Amount>();
    assert_eq!(total(&from_some), total(&whole));
    assert_eq!(total(&whole), all.total());
}
