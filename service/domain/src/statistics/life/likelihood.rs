//! How likely lives are for a shape and a scale, with its first and second derivatives.
//!
//! Ages are divided by the greatest of them, so that lives of microseconds and of centuries are the same work. For a fixed
//! shape the likelihood is a function of the rate, scale^-shape, with one highest point.

use super::solve::root;
use super::{Life, Seen};
use crate::statistics::number;

/// The greatest exponent that is raised; beyond it the exponential goes on as a line, so that more stays more.
const EXPONENT_MAX: f64 = 600.0;

/// A life in logarithms of its ages; minus infinity for 0.
struct Term {
    seen: Logged,
    ln_entered: f64,
}

enum Logged {
    Failed(f64),
    Good(f64),
    Between(f64, f64),
}

/// The likelihood of some lives.
pub(super) struct Likelihood {
    terms: Vec<Term>,
    /// The logarithm of the greatest age.
    pub(super) ln_unit: f64,
    exact: f64,
    intervals: bool,
}

/// The likelihood at one shape.
pub(super) struct AtShape {
    exact: f64,
    /// What no rate changes.
    fixed: f64,
    /// The sum of the powers of all ages that were lasted.
    lasted: f64,
    /// The logarithms of the widths of intervals, in powers.
    between: Vec<f64>,
}

impl AtShape {
    /// The logarithm of the likelihood for the logarithm of a rate.
    pub(super) fn value(&self, ln_rate: f64) -> f64 {
        let between: f64 = self.between.iter().map(|width| ln_failed(ln_rate + width)).sum();
        let lasted = if self.lasted > 0.0 { raise(ln_rate + self.lasted.ln()) } else { 0.0 };
        self.fixed + self.exact * ln_rate + between - lasted
    }
}

/// Value, slope and curvature in the logarithms of shape and scale.
pub(super) struct Around {
    pub(super) slope: [f64; 2],
    /// uu, uv, vv.
    pub(super) curve: [f64; 3],
}

/// What an exponent and its derivatives are.
struct Power {
    z: f64,
    slope: [f64; 2],
    curve: [f64; 3],
}

fn raise(exponent: f64) -> f64 {
    if exponent <= EXPONENT_MAX {
        exponent.exp()
    } else {
        EXPONENT_MAX.exp() * (1.0 + exponent - EXPONENT_MAX)
    }
}

impl Likelihood {
    pub(super) fn of(lives: &[Life]) -> Likelihood {
        let ln_unit = lives.iter().map(|life| life.age()).fold(0.0, f64::max).ln();
        let ln = |age: f64| age.ln() - ln_unit;
        let term = |life: &Life| Term {
            seen: match life.seen {
                Seen::Failed(age) => Logged::Failed(ln(age)),
                Seen::Good(age) => Logged::Good(ln(age)),
                Seen::Between(good, age) => Logged::Between(ln(good), ln(age)),
            },
            ln_entered: ln(life.entered),
        };
        let terms: Vec<Term> = lives.iter().map(term).collect();
        let count = |of: fn(&Term) -> bool| terms.iter().filter(|term| of(term)).count();
        let exact = number(count(|term| matches!(term.seen, Logged::Failed(_))));
        let intervals = count(|term| matches!(term.seen, Logged::Between(..))) > 0;
        Likelihood { terms, ln_unit, exact, intervals }
    }

    /// The logarithm of the likelihood in the unit of the ages, for a shape and the logarithm of the rate (in greatest ages).
    pub(super) fn value(&self, shape: f64, ln_rate: f64) -> f64 {
        let z = |ln_age: f64| raise(ln_rate + shape * ln_age);
        let of = |term: &Term| {
            let seen = match term.seen {
                Logged::Failed(age) => shape.ln() + ln_rate + (shape - 1.0) * age - z(age),
                Logged::Good(age) => -z(age),
                Logged::Between(good, age) => ln_failed_between(shape, ln_rate, good, age) - z(good),
            };
            seen + z(term.ln_entered)
        };
        self.terms.iter().map(of).sum::<f64>() - self.exact * self.ln_unit
    }

    /// The likelihood at one shape, so that many rates of it cost little.
    pub(super) fn at(&self, shape: f64) -> AtShape {
        let power = |ln_age: f64| (shape * ln_age).exp();
        let mut at = AtShape {
            exact: self.exact,
            fixed: -self.exact * self.ln_unit,
            lasted: 0.0,
            between: Vec::new(),
        };
        for term in &self.terms {
            at.lasted -= power(term.ln_entered);
            match term.seen {
                Logged::Failed(age) => {
                    at.fixed += shape.ln() + (shape - 1.0) * age;
                    at.lasted += power(age);
                }
                Logged::Good(age) => at.lasted += power(age),
                Logged::Between(good, age) => {
                    at.lasted += power(good);
                    at.between.push(ln_width(shape, good, age));
                }
            }
        }
        at
    }

    /// The logarithm of the likeliest rate for a shape; none where nothing was seen to last.
    pub(super) fn best_ln_rate(&self, shape: f64) -> Option<f64> {
        let power = |ln_age: f64| (shape * ln_age).exp();
        let (mut lasted, mut between) = (0.0, Vec::new());
        for term in &self.terms {
            lasted -= power(term.ln_entered);
            match term.seen {
                Logged::Failed(age) | Logged::Good(age) => lasted += power(age),
                Logged::Between(good, age) => {
                    lasted += power(good);
                    between.push(-power(age) * (shape * (good - age)).exp_m1());
                }
            }
        }
        if lasted.partial_cmp(&0.0) != Some(std::cmp::Ordering::Greater) {
            return None;
        }
        if !self.intervals {
            return Some((self.exact / lasted).ln());
        }
        let failures = self.exact + number(between.len());
        let off = |ln_rate: f64| {
            let rate = ln_rate.exp();
            let spread: f64 = between.iter().map(|width| within(rate * width)).sum();
            self.exact - rate * lasted + spread
        };
        // x/(e^x - 1) lies between 1 - x/2 and 1.
        let low = (failures / (lasted + between.iter().sum::<f64>() / 2.0)).ln() - 1e-9;
        let high = (failures / lasted).ln() + 1e-9;
        Some(root(off, low, high))
    }

    /// The highest likelihood of a shape.
    pub(super) fn best_value(&self, shape: f64) -> f64 {
        self.best_ln_rate(shape).map_or(f64::NEG_INFINITY, |ln_rate| self.value(shape, ln_rate))
    }

    /// Slope and curvature at a shape and a scale (its logarithm, in greatest ages).
    pub(super) fn around(&self, shape: f64, ln_scale: f64) -> Around {
        let mut all = Around { slope: [0.0; 2], curve: [0.0; 3] };
        for term in &self.terms {
            match term.seen {
                Logged::Failed(age) => {
                    let y = shape * (age - ln_scale);
                    all.add([1.0 + y, -shape], [y, -shape, 0.0], 1.0);
                    all.take(&power(shape, ln_scale, age), -1.0);
                }
                Logged::Good(age) => all.take(&power(shape, ln_scale, age), -1.0),
                Logged::Between(good, age) => {
                    let (from, to) = (power(shape, ln_scale, good), power(shape, ln_scale, age));
                    all.take(&from, -1.0);
                    all.take_between(&from, &to);
                }
            }
            all.take(&power(shape, ln_scale, term.ln_entered), 1.0);
        }
        all
    }
}

impl Around {
    fn add(&mut self, slope: [f64; 2], curve: [f64; 3], times: f64) {
        for (all, one) in self.slope.iter_mut().zip(slope) {
            *all += times * one;
        }
        for (all, one) in self.curve.iter_mut().zip(curve) {
            *all += times * one;
        }
    }

    fn take(&mut self, power: &Power, times: f64) {
        self.add(power.slope, power.curve, times);
    }

    /// Adds ln(1 - exp(-D)), D the difference of two exponents.
    fn take_between(&mut self, from: &Power, to: &Power) {
        let width = to.z - from.z;
        if width <= 0.0 {
            return;
        }
        let first = 1.0 / width.exp_m1();
        let second = -first * (1.0 + first);
        let slope = [to.slope[0] - from.slope[0], to.slope[1] - from.slope[1]];
        let squares = [slope[0] * slope[0], slope[0] * slope[1], slope[1] * slope[1]];
        self.add([0.0; 2], squares, second);
        let [uu, uv, vv] = [0, 1, 2].map(|index| to.curve[index] - from.curve[index]);
        self.add(slope, [uu, uv, vv], first);
    }
}

fn power(shape: f64, ln_scale: f64, ln_age: f64) -> Power {
    if ln_age.is_infinite() {
        return Power { z: 0.0, slope: [0.0; 2], curve: [0.0; 3] };
    }
    let y = shape * (ln_age - ln_scale);
    let z = y.min(EXPONENT_MAX).exp();
    Power {
        z,
        slope: [z * y, -shape * z],
        curve: [z * (y * y + y), -shape * z * (y + 1.0), shape * shape * z],
    }
}

/// x / (e^x - 1), 1 at 0.
fn within(x: f64) -> f64 {
    if x < 1e-300 { 1.0 } else { x / x.exp_m1() }
}

/// The logarithm of the chance to fail up to an age among those that were good at an earlier one.
fn ln_failed_between(shape: f64, ln_rate: f64, good: f64, age: f64) -> f64 {
    ln_failed(ln_rate + ln_width(shape, good, age))
}

/// The logarithm of the width of an interval in powers of ages, as the difference itself may vanish.
fn ln_width(shape: f64, good: f64, age: f64) -> f64 {
    shape * age + (-(shape * (good - age)).exp_m1()).ln()
}

/// ln(1 - exp(-D)) for the logarithm of D.
fn ln_failed(ln_width: f64) -> f64 {
    if ln_width < -30.0 { ln_width } else { (-(-raise(ln_width)).exp_m1()).ln() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The derivatives are those of the value, by differences.
    #[test]
    fn derivatives_agree_with_differences() {
        let lives = [
            Life::new(Seen::Failed(3.0)),
            Life::new(Seen::Good(5.0)),
            Life::new(Seen::Between(0.0, 2.0)),
            Life::new(Seen::Between(2.0, 4.5)),
            Life { seen: Seen::Failed(4.0), entered: 1.0 },
        ];
        let likelihood = Likelihood::of(&lives);
        let value = |u: f64, v: f64| likelihood.value(u.exp(), -u.exp() * v);
        let (u, v, h) = (0.6, -0.2, 1e-5);
        let found = likelihood.around(f64::exp(u), v);
        let slopes = [
            (value(u + h, v) - value(u - h, v)) / (2.0 * h),
            (value(u, v + h) - value(u, v - h)) / (2.0 * h),
        ];
        for (slope, expect) in found.slope.iter().zip(slopes) {
            assert!((slope - expect).abs() < 1e-7, "{slope} {expect}");
        }
        let before = likelihood.around(f64::exp(u - h), v).slope;
        let after = likelihood.around(f64::exp(u + h), v).slope;
        let low = likelihood.around(f64::exp(u), v - h).slope[1];
        let high = likelihood.around(f64::exp(u), v + h).slope[1];
        let curves = [
            (after[0] - before[0]) / (2.0 * h),
            (after[1] - before[1]) / (2.0 * h),
            (high - low) / (2.0 * h),
        ];
        for (curve, expect) in found.curve.iter().zip(curves) {
            assert!((curve - expect).abs() < 1e-6, "{curve} {expect}");
        }
    }

    /// What is summed once for a shape gives the same.
    #[test]
    fn a_column_is_the_value() {
        let lives = [
            Life::new(Seen::Failed(3.0)),
            Life::new(Seen::Between(0.0, 2.0)),
            Life { seen: Seen::Good(4.0), entered: 1.0 },
        ];
        let likelihood = Likelihood::of(&lives);
        for (shape, ln_rate) in [(0.5, 0.3), (2.0, -4.0), (9.0, 2.0)] {
            let (one, other) = (likelihood.at(shape).value(ln_rate), likelihood.value(shape, ln_rate));
            assert!((one - other).abs() < 1e-12 * other.abs(), "{one} {other}");
        }
    }

    /// The best rate has a slope of 0 in the scale.
    #[test]
    fn the_best_rate_is_the_best() {
        let lives = [
            Life::new(Seen::Between(1.0, 2.0)),
            Life::new(Seen::Between(0.0, 3.0)),
            Life::new(Seen::Good(4.0)),
            Life { seen: Seen::Failed(2.5), entered: 1.5 },
        ];
        let likelihood = Likelihood::of(&lives);
        for shape in [0.2, 1.0, 3.0, 20.0] {
            let ln_rate = likelihood.best_ln_rate(shape).expect("a rate");
            let slope = likelihood.around(shape, -ln_rate / shape).slope[1];
            assert!(slope.abs() < 1e-8, "{shape}: {slope}");
        }
        let never_good = Likelihood::of(&[Life::new(Seen::Between(0.0, 3.0))]);
        assert_eq!(never_good.best_ln_rate(1.0), None);
    }
}
