//! What the machines of a fleet have in common, learnt from their own past: how much one runs, how much weekly sums
//! scatter, how alike machines are, and how far rates drift from what was expected of them.
//!
//! These figures are taken once a day. They do not depend on the order in which machines are given.

use super::units::{Days, Hours, HoursPerDay};
use super::usage::{Statistics, Usage, count};
use super::windows::{Past, Windows};
use crate::time::Ts;
use serde::{Deserialize, Serialize};

/// What is assumed of a fleet of which nothing is known, with its weight: 2 hours a day, as seven days of one machine.
const RATE_PRIOR: HoursPerDay = HoursPerDay(2.0);
const RATE_PRIOR_WEIGHT_DAYS: f64 = 7.0;
/// A spread of 4 hours, as 25 hours of weekly sums.
const SPREAD_PRIOR: Hours = Hours(4.0);
const SPREAD_PRIOR_WEIGHT_HOURS: f64 = 25.0;
/// Reports of 4 hours, as 4 of them.
const REPORT_PRIOR: Hours = Hours(4.0);
const REPORT_PRIOR_WEIGHT: f64 = 4.0;
/// Weekly sums scatter less than longer ones, since good and bad weeks come in runs.
const SPREAD_OF_RUNS: f64 = 1.2;
/// As much longer than weekly sums tell do spells of use go on.
const SPELLS_BEYOND_WEEKS: f64 = 1.5;
/// How many days of its own weigh as much as the fleet's rate, until a fleet's past tells.
pub(super) const OWN_WEIGHT: Days = Days(6.0);
/// The drift assumed, until a fleet's past tells.
pub(super) const DRIFT_PRIOR: f64 = 0.03;
/// In how many days the drift's variance doubles, and after how many it grows no further.
const DRIFT_DOUBLES_DAYS: f64 = 200.0;
const DRIFT_GROWS_DAYS: f64 = 1_000.0;

/// What an unusually long silence of a machine means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Silence {
    /// It runs slower: the plain form.
    Slows,
    /// It will be silent for a while longer, and then run as before: the full form.
    GoesOn,
}

/// The figures of a fleet on a day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FleetFigures {
    /// What a machine runs.
    pub rate: HoursPerDay,
    /// The variance of a sum over its mean, in hours.
    pub spread: Hours,
    /// So long before its first report a machine's clock is taken to have started: where use comes in spells, a first
    /// report mostly begins one, and what follows at once is more than usual.
    pub lead: Days,
    /// How many days of its own weigh as much as the fleet's rate, for a machine as steady as the fleet: few where
    /// machines differ, many where they are alike.
    pub own_weight: Days,
    /// The part of the weekly scatter that is left over a month, at most 1: weeks that make up for one another.
    pub lasting_scatter: f64,
    /// The relative variance by which a rate drifts, at its start.
    pub drift: f64,
    /// What a silence means.
    pub silence: Silence,
}

impl FleetFigures {
    /// Those assumed where nothing is known.
    pub const ASSUMED: FleetFigures = FleetFigures {
        rate: RATE_PRIOR,
        spread: SPREAD_PRIOR,
        lead: Days(0.0),
        own_weight: OWN_WEIGHT,
        lasting_scatter: 1.0,
        drift: DRIFT_PRIOR,
        silence: Silence::GoesOn,
    };

    /// The figures of these machines at an instant, from what was known by then.
    pub fn of(machines: &[&Usage], now: Ts) -> FleetFigures {
        FleetFigures::of_pasts(&pasts(machines, now).iter().collect::<Vec<_>>())
    }

    /// The figures of machines whose pasts were taken at the same instant.
    pub fn of_pasts(pasts: &[&Past]) -> FleetFigures {
        let windows = Windows::of(pasts);
        let level = FleetFigures::level(&known_now(pasts));
        let level = FleetFigures { own_weight: windows.own_weight(&level), ..level };
        let surprises = windows
            .surprises(|own| FleetFigures { own_weight: level.own_weight, ..FleetFigures::level(own) });
        FleetFigures { drift: surprises.drift(), lasting_scatter: surprises.lasting_scatter(), ..level }
    }

    /// Rate, spread and drift alone, as learnt, and the other figures as assumed, with a silence that slows: the plain
    /// form of the method, against which the full one is judged.
    pub fn plain(machines: &[&Usage], now: Ts) -> FleetFigures {
        let plain = |level| FleetFigures { lead: Days(0.0), silence: Silence::Slows, ..level };
        let pasts = pasts(machines, now);
        let pasts: Vec<&Past> = pasts.iter().collect();
        let surprises = Windows::of(&pasts).surprises(|own| plain(FleetFigures::level(own)));
        FleetFigures { drift: surprises.drift(), ..plain(FleetFigures::level(&known_now(&pasts))) }
    }

    /// The figures to three significant digits: what is finer says nothing of the next months, and a late report that
    /// changes no digit leaves every forecast of the site as it is.
    #[must_use]
    pub fn rounded(self) -> FleetFigures {
        FleetFigures {
            rate: HoursPerDay(three_digits(self.rate.0)),
            spread: Hours(three_digits(self.spread.0)),
            lead: Days(three_digits(self.lead.0)),
            own_weight: Days(three_digits(self.own_weight.0)),
            lasting_scatter: three_digits(self.lasting_scatter),
            drift: three_digits(self.drift),
            silence: self.silence,
        }
    }

    /// The figures that need no windows of the past: rate, spread and lead, with the others as assumed.
    pub fn level(machines: &[Statistics]) -> FleetFigures {
        let total = |of: fn(&Statistics) -> f64| sum(machines.iter().map(of).collect());
        let ran = total(|own| own.hours.0);
        let rate =
            (ran + RATE_PRIOR.0 * RATE_PRIOR_WEIGHT_DAYS) / (total(|own| own.age.0) + RATE_PRIOR_WEIGHT_DAYS);
        let squares =
            SPREAD_OF_RUNS * total(|own| own.week_squares) + SPREAD_PRIOR.0 * SPREAD_PRIOR_WEIGHT_HOURS;
        let spread = squares / (total(|own| own.week_weight.0) + SPREAD_PRIOR_WEIGHT_HOURS);
        let reports = total(|own| count(own.reports.saturating_sub(1)));
        let report = (ran + REPORT_PRIOR.0 * REPORT_PRIOR_WEIGHT) / (reports + REPORT_PRIOR_WEIGHT);
        // After a random report a process of spells gives (spread - report) / 2 hours more than its rate does.
        let lead = SPELLS_BEYOND_WEEKS * (spread - report) / 2.0 / rate;
        FleetFigures {
            rate: HoursPerDay(rate),
            spread: Hours(spread),
            lead: Days(lead.max(0.0)),
            ..FleetFigures::ASSUMED
        }
    }
}

/// By how much the relative variance of drift grows over so many days.
pub(super) fn drift_growth(over: Days) -> f64 {
    1.0 + over.0.min(DRIFT_GROWS_DAYS) / DRIFT_DOUBLES_DAYS
}

/// The sum of numbers in their own order, so that it does not depend on the order in which machines are given.
pub(super) fn sum(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_unstable_by(f64::total_cmp);
    numbers.iter().sum()
}

fn pasts(machines: &[&Usage], now: Ts) -> Vec<Past> {
    machines.iter().map(|usage| Past::of(usage, now)).collect()
}

/// The statistics now of the machines that have a past.
fn known_now(pasts: &[&Past]) -> Vec<Statistics> {
    pasts.iter().filter_map(|past| past.now()).collect()
}

/// The nearest number of three significant digits. Such a one is read back from its text exactly.
fn three_digits(number: f64) -> f64 {
    // What Rust writes of a float it also reads.
    format!("{number:.2e}").parse().unwrap_or(number)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::MICROS_PER_DAY;

    #[test]
    fn without_machines_the_assumed_figures_stand() {
        let now = Ts(500 * MICROS_PER_DAY);
        for machines in [&[][..], &[&Usage::of([])]] {
            let (full, plain) = (FleetFigures::of(machines, now), FleetFigures::plain(machines, now));
            assert_eq!(plain, FleetFigures { silence: Silence::Slows, ..full });
            assert!((full.drift - DRIFT_PRIOR).abs() < 1e-12, "{}", full.drift);
            assert_eq!(FleetFigures { drift: DRIFT_PRIOR, ..full }, FleetFigures::ASSUMED);
        }
    }

    #[test]
    fn rounded_figures_keep_three_digits_and_survive_their_text() {
        for (number, expect) in [(0.876_49, 0.876), (20.535, 20.5), (1_234.5, 1_230.0), (0.0, 0.0)] {
            assert!((three_digits(number) - expect).abs() < 1e-12, "{number}");
        }
        let figures =
            FleetFigures { drift: 0.016_149, spread: Hours(4.918_3), ..FleetFigures::ASSUMED }.rounded();
        let text = serde_json::to_string(&figures).unwrap();
        assert_eq!(serde_json::from_str::<FleetFigures>(&text).unwrap(), figures);
        assert_eq!(figures.rounded(), figures);
    }
}
