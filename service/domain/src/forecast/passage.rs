//! First passage: when the hours run from now on reach a given number, as a distribution.
//!
//! The hours S(h) of the next h average days follow a gamma distribution with the mean M = rate x h and a relative
//! variance of three parts: the scatter of sums, which shrinks as they grow, the doubt about the rate, and the rate's
//! drift, which grows with h. The passage lies within h days with the chance P(S(h) >= hours).

use super::fleet::drift_growth;
use super::rate::Rate;
use super::units::{Days, Hours};
use statrs::function::gamma::checked_gamma_ur;

/// The furthest that a forecast looks: ten years.
pub const HORIZON: Days = Days(3_650.0);
/// The most that runs in a day.
pub(super) const HOURS_PER_DAY_MOST: f64 = 24.0;
/// A drift d grows for 0.2 / d mean passages, and for 4 at least. Without this end a large drift would make the far tail
/// rise and fall again, and a chance that falls with time is none.
const DRIFT_GROWS_OVER: f64 = 0.2;
const DRIFT_GROWS_PASSAGES: f64 = 4.0;
/// How exactly a quantile is found, as a part of itself.
const EXACTNESS: f64 = 1e-9;
/// The most steps to it. Halving alone, from the widest bounds, comes to that exactness in fewer.
const STEPS_MAX: u32 = 60;
/// The slope of the logit of a normal distribution at its middle, by which the first step is taken.
const LOGIT_SLOPE: f64 = 1.7;

/// The hours ahead of one machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Passage {
    /// Its rate.
    pub(super) rate: Rate,
    /// The relative variance by which rates drift.
    pub(super) drift: f64,
}

impl Passage {
    /// The chance that so many hours are run within so many average days; none sooner than a day's 24 hours allow.
    pub(super) fn chance(&self, hours: Hours, within: Days) -> f64 {
        if hours.0 <= 0.0 {
            return 1.0;
        }
        let running = Days(within.0 - self.rate.wait.0);
        if running.0 < least_days(hours).0 { 0.0 } else { self.gamma(hours, running) }
    }

    /// P(S(h) >= hours), as if more than 24 hours could be run in a day.
    fn gamma(&self, hours: Hours, within: Days) -> f64 {
        let mean = self.rate.mean.0 * within.0;
        let variance = self.relative_variance(hours, within);
        // Both arguments are above 0: a mean rate is, and so is every part of the variance.
        checked_gamma_ur(1.0 / variance, hours.0 / mean / variance).unwrap_or(0.0)
    }

    fn relative_variance(&self, hours: Hours, within: Days) -> f64 {
        let Rate { mean, spread, doubt, .. } = self.rate;
        let passages = (DRIFT_GROWS_OVER / self.drift).max(DRIFT_GROWS_PASSAGES);
        let grows = within.0.min(passages * hours.0 / mean.0);
        spread.0 / (mean.0 * within.0) + doubt + self.drift * drift_growth(Days(grows))
    }

    /// The way to so many hours, above 0, from an average day on.
    pub(super) fn way(&self, hours: Hours, after: Days) -> Way {
        let least = Days((after.0 - self.rate.wait.0).max(least_days(hours).0)).min(HORIZON);
        let middle = Days(hours.0 / self.rate.mean.0).max(least).min(HORIZON);
        Way {
            passage: *self,
            hours,
            least: (least, self.gamma(hours, least)),
            middle: (middle, self.gamma(hours, middle)),
            horizon: self.gamma(hours, HORIZON),
            slope: LOGIT_SLOPE / self.relative_variance(hours, middle).sqrt(),
        }
    }
}

/// The way to a number of hours, with the chances from which every quantile of it is looked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Way {
    passage: Passage,
    hours: Hours,
    /// The least days and the days at the mean rate, once a silence is over, each with its chance.
    least: (Days, f64),
    middle: (Days, f64),
    horizon: f64,
    slope: f64,
}

impl Way {
    /// The average days within which the hours are run with the chance `wanted`; none beyond the horizon.
    pub(super) fn quantile(&self, wanted: f64) -> Option<Days> {
        let (least, chance) = self.least;
        if least_days(self.hours) > HORIZON || (chance < wanted && self.horizon < wanted) {
            return None;
        }
        let running = if chance >= wanted { least } else { self.search(wanted) };
        Some(Days(running.0 + self.passage.rate.wait.0)).filter(|days| *days <= HORIZON)
    }

    /// On a scale of logits over logarithms of time the distribution is nearly a line, so that secants find the quantile in
    /// a few steps; the bounds see to it that they always do.
    fn search(&self, wanted: f64) -> Days {
        let (mut low, mut high) = (self.least.0.0.ln(), HORIZON.0.ln());
        let mut at = self.middle.0.0.ln();
        let mut missed = logit(self.middle.1) - logit(wanted);
        let mut slope = self.slope;
        for _ in 0..STEPS_MAX {
            (low, high) = if missed < 0.0 { (low.max(at), high) } else { (low, high.min(at)) };
            let secant = at - missed / slope;
            let next = if low < secant && secant < high { secant } else { f64::midpoint(low, high) };
            if (next - at).abs() < EXACTNESS {
                return Days(next.exp());
            }
            let missed_next = logit(self.passage.gamma(self.hours, Days(next.exp()))) - logit(wanted);
            slope = (missed_next - missed) / (next - at);
            (at, missed) = (next, missed_next);
        }
        Days(high.exp())
    }
}

/// The days in which so many hours can be run at all.
pub(super) fn least_days(hours: Hours) -> Days {
    Days(hours.0 / HOURS_PER_DAY_MOST)
}

/// The logarithm of the odds, kept finite.
fn logit(chance: f64) -> f64 {
    let chance = chance.clamp(f64::MIN_POSITIVE, 1.0 - f64::EPSILON);
    (chance / (1.0 - chance)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::units::HoursPerDay;

    /// Q(a, x) for a whole `a` is a sum of Poisson chances (NIST DLMF 8.4.10).
    fn poisson_sum(a: u32, x: f64) -> f64 {
        let mut term = (-x).exp();
        let mut sum = 0.0;
        for k in 0..a {
            sum += term;
            term *= x / f64::from(k + 1);
        }
        sum
    }

    #[test]
    fn the_incomplete_gamma_function_is_the_one_of_the_handbook() {
        let check = |a: f64, x: f64, expected: f64| {
            let got = checked_gamma_ur(a, x).unwrap();
            assert!((got - expected).abs() < 1e-8, "Q({a}, {x}) = {got}, expected {expected}");
        };
        for (a, x) in [(1, 2.0), (3, 0.5), (30, 25.0), (100, 120.0), (400, 420.0), (700, 600.0)] {
            check(f64::from(a), x, poisson_sum(a, x));
        }
        // Q(1/2, 1/2) = erfc(sqrt(1/2)), twice the tail of the normal distribution beyond 1; Q(5/2, 1) by the
        // recurrence from Q(1/2, 1) = erfc(1) (NIST DLMF 7.11.2 and 8.8.6).
        check(0.5, 0.5, 0.317_310_507_863);
        let erfc_1 = 0.157_299_207_050;
        let root_pi = std::f64::consts::PI.sqrt();
        check(2.5, 1.0, erfc_1 + (-1.0_f64).exp() / root_pi * (2.0 + 4.0 / 3.0));
    }

    /// Where scatter, doubt and drift are all but nothing, the passage is the quotient, after the wait.
    #[test]
    fn a_sure_rate_has_a_sure_passage() {
        let rate = Rate { mean: HoursPerDay(5.0), spread: Hours(1e-6), doubt: 1e-9, wait: Days(3.0) };
        let passage = Passage { rate, drift: 1e-9 };
        for chance in [0.1, 0.5, 0.9] {
            let days = passage.way(Hours(100.0), Days(0.0)).quantile(chance).unwrap().0;
            assert!((days - 23.0).abs() < 0.02, "{days}");
        }
    }

    /// Steps that end where they stand would give a quantile that is none.
    #[test]
    fn a_quantile_has_its_chance() {
        for drift in [0.001, 0.03, 0.3] {
            for doubt in [0.001, 0.3] {
                let rate = Rate { mean: HoursPerDay(2.0), spread: Hours(4.0), doubt, wait: Days(0.0) };
                let passage = Passage { rate, drift };
                for hours in [1.0, 8.0, 250.0, 2_000.0].map(Hours) {
                    let way = passage.way(hours, Days(0.0));
                    for wanted in [0.01, 0.1, 0.5, 0.9] {
                        let Some(days) = way.quantile(wanted) else { continue };
                        let got = passage.gamma(hours, days);
                        let is_least = days == least_days(hours);
                        assert!(is_least || (got - wanted).abs() < 1e-7, "{got}, wanted {wanted}");
                    }
                }
            }
        }
    }
}
