//! How fast a machine is expected to run, how much its sums scatter, and how well its rate is known.

use super::fleet::{FleetFigures, Silence};
use super::units::{Days, Hours, HoursPerDay};
use super::usage::{HALF_LIFE_DAYS, Statistics};

/// How many hours of weekly sums weigh as much as the fleet's spread.
const SPREAD_PRIOR_HOURS: f64 = 50.0;
/// A steady machine is drawn to its fleet less, a fitful one more, within these bounds.
const DRAWN_LEAST: f64 = 1.0 / 12.0;
const DRAWN_MOST: f64 = 2.0;
/// How many usual gaps a silence may last before it counts as unusual.
const SILENCE_GAPS: f64 = 3.0;
/// The plain form divides the rate by so much more for each further usual gap, up to a most.
const SILENCE_SLOPE: f64 = 0.15;
const SILENCE_MOST: f64 = 2.0;
/// The full form takes such a silence to go on for half of what is unusual in it, up to a most: of machines that have
/// been silent for long, those that come back run as before.
const SILENCE_GOES_ON: f64 = 0.5;
const UNUSUAL_MOST_DAYS: f64 = 60.0;

/// The rate of a machine, as expected and as uncertain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Hours a day of the clock, all days alike.
    pub mean: HoursPerDay,
    /// The variance of a sum over its mean, in hours.
    pub spread: Hours,
    /// The relative variance of `mean` itself.
    pub doubt: f64,
    /// So long an unusual silence is expected to go on first, in average days.
    pub wait: Days,
}

impl Rate {
    /// The rate of a machine with these statistics within its fleet.
    pub fn of(own: &Statistics, fleet: &FleetFigures) -> Rate {
        let spread = (own.week_squares + SPREAD_PRIOR_HOURS * fleet.spread.0)
            / (own.week_weight.0 + SPREAD_PRIOR_HOURS);
        let drawn = (spread / fleet.spread.0).clamp(DRAWN_LEAST, DRAWN_MOST);
        let fleet_days = fleet.own_weight.0 * drawn;
        let hours = own.weighted_hours.0 + fleet_days * fleet.rate.0;
        let mean = hours / (own.weighted_days.0 + lead_days(own, fleet) + fleet_days);
        let silence = silence(own, fleet.silence);
        Rate {
            mean: HoursPerDay(mean / silence.slower_by),
            spread: Hours(spread * fleet.lasting_scatter),
            doubt: spread / hours * fleet.lasting_scatter,
            wait: silence.wait,
        }
    }
}

/// The days before the first report, weighed by their age.
fn lead_days(own: &Statistics, fleet: &FleetFigures) -> f64 {
    if own.reports == 0 {
        return 0.0;
    }
    fleet.lead.0 * (-own.age.0 / HALF_LIFE_DAYS).exp2()
}

/// What an unusually long silence does to a rate.
struct Effect {
    slower_by: f64,
    wait: Days,
}

fn silence(own: &Statistics, silence: Silence) -> Effect {
    let unusual_days = if own.reports == 0 { 0.0 } else { own.gap.0 - SILENCE_GAPS * own.usual_gap.0 };
    let unusual_days = unusual_days.max(0.0);
    match silence {
        Silence::Slows => {
            let slower_by = (1.0 + SILENCE_SLOPE * unusual_days / own.usual_gap.0).min(SILENCE_MOST);
            Effect { slower_by, wait: Days(0.0) }
        }
        Silence::GoesOn => {
            let wait = Days(SILENCE_GOES_ON * unusual_days.min(UNUSUAL_MOST_DAYS));
            Effect { slower_by: 1.0, wait }
        }
    }
}
