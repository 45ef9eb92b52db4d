//! Worked values. They were computed by another implementation of the same formulas, which shares no code with this
//! one. They hold to 0.1 % and to half of the last digit printed.

use crate::{NOW, day, five_days_a_week, fleet, quantiles, reported};
use fettler_domain::forecast::{Basis, Course, Outlook, Reported, Usage};

/// A row: what a machine reported, what is asked, and what comes of it.
struct Worked {
    reports: Vec<Reported>,
    hours: f64,
    drift: f64,
    /// Weighted hours, weighted days, squares and weight of weekly sums, gap and usual gap.
    statistics: Option<[f64; 6]>,
    /// Mean, spread and doubt.
    rate: Option<[f64; 3]>,
    /// p10, p50 and p90 in average days.
    average_days: [f64; 3],
    /// The same in days of the clock.
    days: [f64; 3],
}

fn stopped() -> Vec<Reported> {
    five_days_a_week().into_iter().filter(|r| r.end < day(70.0)).collect()
}

fn day_and_night() -> Vec<Reported> {
    (0..100).map(|d| reported(f64::from(d) + 1.0, 24.0)).collect()
}

fn worked() -> [Worked; 7] {
    [
        Worked {
            reports: vec![],
            hours: 50.0,
            drift: 0.03,
            statistics: Some([0.0, 0.0, 0.0, 0.0, 0.0, 7.0]),
            rate: Some([2.0, 4.0, 0.333_333]),
            average_days: [12.72, 29.10, 77.72],
            days: [12.72, 29.10, 77.72],
        },
        Worked {
            reports: vec![reported(90.0, 8.0)],
            hours: 50.0,
            drift: 0.03,
            statistics: Some([0.0, 9.6246, 0.0, 0.0, 10.0, 7.0]),
            rate: Some([0.768_02, 4.0, 0.333_333]),
            average_days: [33.08, 76.00, 209.95],
            days: [33.08, 76.00, 209.95],
        },
        Worked {
            reports: five_days_a_week(),
            hours: 250.0,
            drift: 0.03,
            statistics: Some([397.0661, 69.3854, 0.0, 480.0, 0.25, 2.2245]),
            rate: Some([5.692_50, 0.3774, 0.000_948]),
            average_days: [34.94, 44.50, 58.46],
            days: [34.96, 43.79, 57.76],
        },
        Worked {
            reports: five_days_a_week(),
            hours: 250.0,
            drift: 0.002,
            statistics: None,
            rate: None,
            average_days: [40.23, 43.99, 48.14],
            days: [40.74, 43.42, 48.39],
        },
        Worked {
            reports: five_days_a_week(),
            hours: 20.0,
            drift: 0.002,
            statistics: None,
            rate: None,
            average_days: [2.90, 3.54, 4.24],
            days: [2.07, 2.53, 5.03],
        },
        Worked {
            reports: stopped(),
            hours: 250.0,
            drift: 0.03,
            statistics: Some([240.2587, 69.3854, 4273.2308, 317.5385, 32.25, 2.3636]),
            rate: Some([1.623_50, 12.1708, 0.046_056]),
            average_days: [99.67, 161.81, 278.07],
            days: [99.19, 161.58, 278.47],
        },
        Worked {
            reports: day_and_night(),
            hours: 500.0,
            drift: 0.001,
            statistics: Some([1668.8627, 69.2689, 0.0, 2016.0, 0.0, 1.4242]),
            rate: Some([23.934_21, 0.0968, 0.000_058]),
            average_days: [20.83, 20.90, 21.91],
            days: [20.83, 20.90, 21.91],
        },
    ]
}

#[track_caller]
fn near<const N: usize>(what: &str, got: [f64; N], expected: [f64; N], last_digit: f64) {
    for (got, expected) in got.into_iter().zip(expected) {
        let off = (got - expected).abs();
        assert!(off <= 1e-3 * expected.abs() + last_digit / 2.0, "{what}: {got}, expected {expected}");
    }
}

#[test]
fn the_forecast_gives_the_worked_values() {
    for (number, case) in (1..).zip(worked()) {
        let usage = Usage::of(case.reports);
        let own = usage.statistics(day(NOW));
        if let Some(expected) = case.statistics {
            let hours = [own.weighted_hours.0, own.weighted_days.0];
            let weeks = [own.week_squares, own.week_weight.0];
            let got = [hours[0], hours[1], weeks[0], weeks[1], own.gap.0, own.usual_gap.0];
            near(&format!("statistics of row {number}"), got, expected, 1e-4);
        }
        let outlook = Outlook::of(&usage, &fleet(case.drift), day(NOW));
        if let Some(expected) = case.rate {
            let got = [outlook.rate.mean.0, outlook.rate.spread.0, outlook.rate.doubt];
            near(&format!("rate of row {number}"), got, expected, 1e-6);
        }
        let even = Outlook::with_course(&own, &fleet(case.drift), Course::EVEN);
        let what = format!("quantiles of row {number}");
        near(&what, quantiles(&even, case.hours), case.average_days, 0.01);
        near(&what, quantiles(&outlook, case.hours), case.days, 0.01);
    }
}

#[test]
fn the_basis_and_a_silence_are_told() {
    let outlook = |reports: Vec<Reported>| Outlook::of(&Usage::of(reports), &fleet(0.03), day(NOW));
    let check = |reports, basis, silent| {
        let outlook = outlook(reports);
        assert_eq!((outlook.basis, outlook.silent), (basis, silent));
    };
    check(vec![], Basis::Fleet, false);
    check(vec![reported(90.0, 8.0)], Basis::OneReport, false);
    check(five_days_a_week(), Basis::Reports, false);
    // 32 days, where gaps are 2.4 days long on the mean.
    check(stopped(), Basis::Reports, true);
    // 32 days are no silence for a machine that reports once a month.
    check((0..3).map(|n| reported(8.0 + 30.0 * f64::from(n), 8.0)).collect(), Basis::Reports, false);
}
