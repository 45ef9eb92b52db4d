//! Failures and standing: time between failures, time to repair, availability.

use super::standing::mean;
use super::uncertain::no_failure_divisor;
use crate::statistics::number;

/// One failure: how long nobody worked on it, and how long somebody did, in hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failure {
    /// Waiting, from the failure until work began and while it rested.
    pub waited: f64,
    /// Hands on.
    pub repaired: f64,
}

/// What a machine did in a period, in hours.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stretch {
    /// The period's length.
    pub hours: f64,
    /// The failures in it.
    pub failures: Vec<Failure>,
    /// For how long it stood for planned work.
    pub planned: f64,
    /// For how long it stood idle, able to run.
    pub idle: f64,
}

/// What follows for a period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Uptime {
    /// Hours of operation: the period less failures, planned work and idle time.
    pub operating: f64,
    /// Hours of operation for each failure; none without one.
    pub between_failures: Option<f64>,
    /// Mean hours of hands-on repair.
    pub repair: Option<f64>,
    /// Mean hours from failure to running again, waiting included.
    pub restoration: Option<f64>,
    /// The share of the period in which it had not failed.
    pub not_failed: f64,
    /// The share in which it had neither failed nor stood for planned work.
    pub operational: f64,
    /// Operation over operation and failures.
    pub intrinsic: f64,
}

/// What a stretch says; none for one without any time.
pub fn uptime(stretch: &Stretch) -> Option<Uptime> {
    let restored: Vec<f64> =
        stretch.failures.iter().map(|failure| failure.waited + failure.repaired).collect();
    let repaired: Vec<f64> = stretch.failures.iter().map(|failure| failure.repaired).collect();
    let failed: f64 = restored.iter().sum();
    let operating = stretch.hours - failed - stretch.planned - stretch.idle;
    (stretch.hours > 0.0 && operating + failed > 0.0).then(|| Uptime {
        operating,
        between_failures: between_failures(operating, restored.len()),
        repair: mean(&repaired),
        restoration: mean(&restored),
        not_failed: (stretch.hours - failed) / stretch.hours,
        operational: (stretch.hours - failed - stretch.planned) / stretch.hours,
        intrinsic: operating / (operating + failed),
    })
}

/// Hours of operation for each failure; none without one, as then only a least is known.
pub fn between_failures(operating: f64, failures: usize) -> Option<f64> {
    (failures > 0).then(|| operating / number(failures))
}

/// The least time between failures, with 95 % confidence, of so many hours without one.
pub fn between_failures_at_least(operating: f64) -> f64 {
    operating / no_failure_divisor()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_failure_gives_a_least_and_no_value() {
        let quiet = uptime(&Stretch { hours: 300.0, ..Stretch::default() }).expect("a stretch");
        assert_eq!((quiet.between_failures, quiet.repair), (None, None));
        // -ln 0.05 = 2.9957.
        assert!((between_failures_at_least(300.0) - 100.142_6).abs() < 1e-3);
        assert_eq!(uptime(&Stretch::default()), None);
    }
}
