//! The likeliest Weibull life of some lives, whatever was found of them, and how sure it is.

use super::likelihood::Likelihood;
use super::solve::highest;
use super::weibull::Weibull;
use super::{Life, NotTold, checked};
use crate::statistics::number;
use statrs::function::erf::erfc;
use statrs::function::gamma::ln_gamma;

/// Shapes outside these are no wear of anything.
const SHAPE_MIN: f64 = 0.05;
const SHAPE_MAX: f64 = 50.0;
/// Shapes that are tried before the search closes in.
const POINTS: u32 = 140;
/// Newton's steps after the search; each doubles the digits.
const STEPS_MAX: u32 = 60;
/// A shape whose logarithm is less sure than this is not told by the data.
const LN_SHAPE_ERROR_MAX: f64 = 1.5;

/// A Weibull life fitted to lives by greatest likelihood.
pub struct Fit {
    /// The likeliest life.
    pub life: Weibull,
    /// How many lives failed.
    pub failures: usize,
    /// The logarithm of the likelihood.
    pub log_likelihood: f64,
    /// The standard error of the logarithm of the shape.
    pub ln_shape_error: f64,
    /// The standard error of the logarithm of the scale.
    pub ln_scale_error: f64,
    /// The correlation of the two.
    pub correlation: f64,
    pub(super) likelihood: Likelihood,
}

/// Whether lives wear out at all: Weibull against failing by chance (shape 1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WearOut {
    /// Twice the difference of the logarithms of the likelihoods.
    pub statistic: f64,
    /// How likely such a difference is without any wear.
    pub p: f64,
}

/// Fits lives that failed at known ages, lasted beyond ages, or failed between two looks, from new or from an age on.
///
/// The shape is searched over all that is plausible, so that a second, lower top does not hide the first; then Newton's
/// method ends it. What has no top inside (no failure, one failure that is the oldest, all failures in one interval) is
/// `NotTold`.
pub fn fit(lives: &[Life]) -> Result<Fit, NotTold> {
    let failures = checked(lives, 1)?;
    let likelihood = Likelihood::of(lives);
    let best = |ln_shape: f64| likelihood.best_value(ln_shape.exp());
    let (ln_shape, value, end) = highest(best, SHAPE_MIN.ln(), SHAPE_MAX.ln(), POINTS);
    if end || !value.is_finite() {
        return Err(NotTold::NoMaximum);
    }
    let ln_rate = likelihood.best_ln_rate(ln_shape.exp()).ok_or(NotTold::NoMaximum)?;
    let (u, v) = polish(&likelihood, ln_shape, -ln_rate / ln_shape.exp());
    let [uu, uv, vv] = likelihood.around(u.exp(), v).curve.map(|curve| -curve);
    let determinant = uu * vv - uv * uv;
    let (shape_error, scale_error) = ((vv / determinant).sqrt(), (uu / determinant).sqrt());
    if !(uu > 0.0 && determinant > 0.0 && shape_error <= LN_SHAPE_ERROR_MAX) {
        return Err(NotTold::NoMaximum);
    }
    Ok(Fit {
        life: Weibull::new(u.exp(), (v + likelihood.ln_unit).exp()).map_err(|_| NotTold::NoMaximum)?,
        failures,
        log_likelihood: likelihood.value(u.exp(), -u.exp() * v),
        ln_shape_error: shape_error,
        ln_scale_error: scale_error,
        correlation: -uv / (uu * vv).sqrt(),
        likelihood,
    })
}

/// Newton's method from a point that is nearly the top; a step that leads off is not taken.
fn polish(likelihood: &Likelihood, ln_shape: f64, ln_scale: f64) -> (f64, f64) {
    let (mut u, mut v) = (ln_shape, ln_scale);
    let steep = |slope: [f64; 2]| slope[0].abs() + slope[1].abs();
    let mut around = likelihood.around(u.exp(), v);
    for _ in 0..STEPS_MAX {
        let [uu, uv, vv] = around.curve;
        let determinant = uu * vv - uv * uv;
        let du = (vv * around.slope[0] - uv * around.slope[1]) / determinant;
        let dv = (uu * around.slope[1] - uv * around.slope[0]) / determinant;
        let next = likelihood.around((u - du).exp(), v - dv);
        if determinant <= 0.0
            || steep(next.slope).partial_cmp(&steep(around.slope)) != Some(std::cmp::Ordering::Less)
        {
            break;
        }
        (u, v, around) = (u - du, v - dv, next);
        if du.abs() + dv.abs() < 1e-13 {
            break;
        }
    }
    (u, v)
}

impl Fit {
    /// Whether the lives wear out, or fail early, beyond what chance gives.
    pub fn wear_out(&self) -> WearOut {
        let statistic = (2.0 * (self.log_likelihood - self.likelihood.best_value(1.0))).max(0.0);
        WearOut { statistic, p: erfc((statistic / 2.0).sqrt()) }
    }

    /// The shape less what few failures raise it: on average likelihood finds it too great (by half at three failures).
    pub fn unbiased_shape(&self) -> Option<f64> {
        (self.failures >= 2).then(|| self.life.shape() * unbiasing(self.failures))
    }
}

/// The factor by which the likeliest shape of so many failures is too great, as published by Abernethy from memory:
/// c4^3.5, c4 the one that makes a standard deviation of so many values unbiased.
fn unbiasing(failures: usize) -> f64 {
    let r = number(failures);
    let c4 = (2.0 / (r - 1.0)).sqrt() * (ln_gamma(r / 2.0) - ln_gamma((r - 1.0) / 2.0)).exp();
    c4.powf(3.5)
}

#[cfg(test)]
mod tests {
    use super::super::Seen;
    use super::*;

    fn failed(ages: &[f64]) -> Vec<Life> {
        ages.iter().map(|age| Life::new(Seen::Failed(*age))).collect()
    }

    fn good(ages: &[f64]) -> Vec<Life> {
        ages.iter().map(|age| Life::new(Seen::Good(*age))).collect()
    }

    #[test]
    fn what_tells_no_shape_says_so() {
        let no_top = |lives: &[Life]| fit(lives).err();
        assert_eq!(no_top(&good(&[3.0, 4.0])), Some(NotTold::TooFewFailures { has: 0, needs: 1 }));
        assert_eq!(no_top(&[]), Some(NotTold::TooFewFailures { has: 0, needs: 1 }));
        // One failure, the oldest; all failures at one age; all in one interval; never seen good.
        let oldest = [failed(&[10.0]), good(&[3.0, 5.0])].concat();
        assert_eq!(no_top(&oldest), Some(NotTold::NoMaximum));
        assert_eq!(no_top(&failed(&[7.0, 7.0, 7.0])), Some(NotTold::NoMaximum));
        let cell = Life::new(Seen::Between(40.0, 80.0));
        assert_eq!(no_top(&[cell, cell, cell]), Some(NotTold::NoMaximum));
        let unseen = Life::new(Seen::Between(0.0, 80.0));
        assert_eq!(no_top(&[unseen, unseen]), Some(NotTold::NoMaximum));
    }

    /// The correction's printed factors (Abernethy, from memory; it makes the median right within 1 % in simulation).
    #[test]
    fn few_failures_raise_the_shape() {
        for (failures, factor) in [(3, 0.655), (5, 0.805), (10, 0.908), (20, 0.955)] {
            assert!((unbiasing(failures) - factor).abs() < 6e-4, "{failures}: {}", unbiasing(failures));
        }
    }

    /// Another unit of age moves the scale with it and nothing else, however small or great the numbers are.
    #[test]
    fn the_unit_of_age_does_not_matter() {
        let ages = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0];
        let with = |unit: f64| {
            let mut lives = failed(&ages.map(|age| age * unit));
            lives.extend(good(&[500.0 * unit; 3]));
            lives.push(Life::new(Seen::Between(100.0 * unit, 300.0 * unit)));
            lives.push(Life { seen: Seen::Failed(320.0 * unit), entered: 200.0 * unit });
            fit(&lives).expect("a fit")
        };
        let one = with(1.0);
        for unit in [1e-12, 1e-3, 3600.0, 1e15] {
            let other = with(unit);
            assert!((other.life.shape() / one.life.shape() - 1.0).abs() < 1e-9, "{unit}");
            assert!((other.life.scale() / unit / one.life.scale() - 1.0).abs() < 1e-9, "{unit}");
            assert!((other.wear_out().statistic - one.wear_out().statistic).abs() < 1e-6, "{unit}");
        }
    }
}
