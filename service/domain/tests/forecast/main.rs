//! The forecast against worked values and real data, and what must hold of every forecast.

mod edges;
mod likeness;
mod properties;
mod real;
mod summary;
mod workdays;
mod worked;

use fettler_domain::forecast::{
    Days, Due, FleetFigures, Hours, HoursPerDay, Outlook, Quantiles, Reported, Silence,
};
use fettler_domain::time::{MICROS_PER_DAY, Ts};

/// Day 0 of the tests; any would do.
const DAY_0: i64 = 10_000;
/// The day on which most of them ask.
const NOW: f64 = 100.0;

fn day(day: f64) -> Ts {
    #[expect(clippy::cast_possible_truncation, reason = "days of the tests are few")]
    Ts(DAY_0 * MICROS_PER_DAY + (day * 86_400e6).round() as i64)
}

fn reported(at_day: f64, hours: f64) -> Reported {
    Reported { end: day(at_day), hours: Hours(hours) }
}

/// A fleet of which only level and drift are known, in the plain form.
fn fleet(drift: f64) -> FleetFigures {
    FleetFigures {
        rate: HoursPerDay(2.0),
        spread: Hours(4.0),
        drift,
        silence: Silence::Slows,
        ..FleetFigures::ASSUMED
    }
}

/// One shift of 8 hours on five days of each week, for 100 days.
fn five_days_a_week() -> Vec<Reported> {
    (0..100).filter(|d| d % 7 < 5).map(|d| reported(f64::from(d) + 0.75, 8.0)).collect()
}

/// p10, p50 and p90 in days; beyond the horizon is infinite, reached is 0.
fn quantiles(outlook: &Outlook, hours: f64) -> [f64; 3] {
    match outlook.due(Hours(hours)) {
        Due::Reached => [0.0; 3],
        Due::Ahead(Quantiles { p10, p50, p90 }) => [p10, p50, p90].map(in_days),
    }
}

fn in_days(quantile: Option<Days>) -> f64 {
    quantile.map_or(f64::INFINITY, |days| days.0)
}
