//! Between which values shape, scale and an age by which a share fails lie, with 95 % confidence.

use super::fit::Fit;
use super::solve::{highest, root};

/// The 95 % point of the chi-square distribution with one degree of freedom.
const CHI_SQUARE: f64 = 3.841_458_820_694_124;
/// The 97.5 % point of the normal distribution.
const NORMAL: f64 = 1.959_963_984_540_054;
/// How far off, in standard errors, a limit is looked for.
const FAR: f64 = 60.0;
/// Shapes that are tried for one point of a profile.
const POINTS: u32 = 90;
/// The shapes over which a profile is highest, in logarithms: e^-9 to e^7.
const LN_SHAPES: (f64, f64) = (-9.0, 7.0);

/// Two limits; one that does not exist is none, and no number may stand for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// The lower one.
    pub low: Option<f64>,
    /// The upper one.
    pub high: Option<f64>,
}

impl Fit {
    /// Limits of the shape from the curvature at the top, symmetric in logarithms; too narrow with few failures.
    pub fn shape_wald(&self) -> Limits {
        around(self.life.shape(), self.ln_shape_error)
    }

    /// The same of the scale.
    pub fn scale_wald(&self) -> Limits {
        around(self.life.scale(), self.ln_scale_error)
    }

    /// The same of the age by which a share fails.
    pub fn age_wald(&self, share: f64) -> Limits {
        around(self.life.by_which_fail(share), self.ln_age_error(share))
    }

    /// Limits of the shape from the likelihood itself: the shapes that are not too unlikely.
    pub fn shape_limits(&self) -> Limits {
        let best = |ln_shape: f64| self.likelihood.best_value(ln_shape.exp());
        self.walk(best, self.life.shape().ln(), self.ln_shape_error, 0.0)
    }

    /// The same of the scale.
    pub fn scale_limits(&self) -> Limits {
        self.age_profile(0.0, self.life.scale(), self.ln_scale_error)
    }

    /// The same of the age by which a share fails; the share lies between 0 and 1.
    pub fn age_limits(&self, share: f64) -> Limits {
        self.age_profile(ln_exponent(share), self.life.by_which_fail(share), self.ln_age_error(share))
    }

    /// The profile of an age at which the exponent of the chance to last has a given logarithm.
    fn age_profile(&self, ln_exponent: f64, age: f64, error: f64) -> Limits {
        let unit = self.likelihood.ln_unit;
        let best = |ln_age: f64| {
            let value = |ln_shape: f64| {
                let shape = ln_shape.exp();
                self.likelihood.value(shape, ln_exponent - shape * ln_age)
            };
            highest(value, LN_SHAPES.0, LN_SHAPES.1, POINTS).1
        };
        self.walk(best, age.ln() - unit, error, unit)
    }

    fn ln_age_error(&self, share: f64) -> f64 {
        let lean = -ln_exponent(share) / self.life.shape();
        let (u, v) = (self.ln_shape_error, self.ln_scale_error);
        (lean * lean * u * u + 2.0 * lean * self.correlation * u * v + v * v).sqrt()
    }

    /// Walks outward from the top, in growing steps, until the likelihood is too low, and closes in on where it becomes so.
    fn walk(&self, profile: impl Fn(f64) -> f64, top: f64, error: f64, unit: f64) -> Limits {
        let over = |place: f64| 2.0 * (self.log_likelihood - profile(place)) - CHI_SQUARE;
        let limit = |outward: f64| {
            let (mut inside, mut step) = (top, error * outward);
            while (inside - top).abs() < FAR * error {
                let next = inside + step;
                if over(next) > 0.0 {
                    return Some((root(over, inside, next) + unit).exp());
                }
                (inside, step) = (next, step * 1.5);
            }
            None
        };
        Limits { low: limit(-1.0), high: limit(1.0) }
    }
}

fn ln_exponent(share: f64) -> f64 {
    (-(-share).ln_1p()).ln()
}

fn around(value: f64, error: f64) -> Limits {
    let factor = (NORMAL * error).exp();
    Limits { low: Some(value / factor), high: Some(value * factor) }
}
