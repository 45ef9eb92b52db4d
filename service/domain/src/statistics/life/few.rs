//! What few failures, or none, still say where the shape is known from elsewhere (Weibayes).

use super::solve::root;
use super::{Life, NotTold, Seen, checked};
use crate::statistics::number;
use statrs::function::gamma::gamma_lr;

/// The confidence of the lower limits.
const CONFIDENCE: f64 = 0.9;

/// A life with a stated shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated {
    /// How many failed.
    pub failures: usize,
    /// The scale; none without a failure, as then nothing bounds it from above.
    pub scale: Option<f64>,
    /// The scale as if there had been one failure, where there was none.
    pub cautious_scale: f64,
    /// The scale is at least this, with 90 % confidence.
    pub scale_at_least: f64,
    /// One in ten has failed by this age at the earliest, with 90 % confidence.
    pub tenth_at_least: f64,
}

/// The scale of lives whose shape is stated: ages at failure, and ages that lives lasted beyond.
pub fn stated_shape(lives: &[Life], shape: f64) -> Result<Stated, NotTold> {
    let failures = checked(lives, 0)?;
    if !(shape > 0.0 && shape.is_finite()) {
        return Err(NotTold::Unfit("a shape lies above 0"));
    }
    if lives.is_empty() || lives.iter().any(|life| matches!(life.seen, Seen::Between(..))) {
        return Err(NotTold::Unfit("a stated shape needs lives whose ages are known"));
    }
    let unit = lives.iter().map(|life| life.age()).fold(0.0, f64::max);
    let power = |age: f64| (age / unit).powf(shape);
    let sum: f64 = lives.iter().map(|life| power(life.age()) - power(life.entered)).sum();
    let scale = |divided: f64| unit * (sum / divided).powf(1.0 / shape);
    let scale_at_least = scale(chi_square(number(failures) + 1.0) / 2.0);
    Ok(Stated {
        failures,
        scale: (failures > 0).then(|| scale(number(failures))),
        cautious_scale: scale(number(failures.max(1))),
        scale_at_least,
        tenth_at_least: scale_at_least * (-0.9_f64.ln()).powf(1.0 / shape),
    })
}

/// The 90 % point of the chi-square distribution with twice so many degrees of freedom.
fn chi_square(half_degrees: f64) -> f64 {
    2.0 * root(|x| gamma_lr(half_degrees, x) - CONFIDENCE, 0.1, 10.0 + 3.0 * half_degrees)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed in every table of the distribution (from memory): 4.605, 7.779, 15.987, 40.256 at 2, 4, 10, 30 degrees.
    #[test]
    fn known_points_of_chi_square() {
        for (degrees, value) in
            [(2.0, 4.605_170_186), (4.0, 7.779_440_340), (10.0, 15.987_179_17), (30.0, 40.256_023_74)]
        {
            assert!((chi_square(degrees / 2.0) - value).abs() < 1e-7, "{degrees}");
        }
    }

    #[test]
    fn a_shape_needs_known_ages() {
        assert!(stated_shape(&[Life::new(Seen::Between(1.0, 2.0))], 2.0).is_err());
        assert!(stated_shape(&[], 2.0).is_err() && stated_shape(&[Life::new(Seen::Good(1.0))], 0.0).is_err());
    }

    /// Nothing overflows, and the unit of age moves with the result.
    #[test]
    fn the_unit_of_age_does_not_matter() {
        let lives = |unit: f64| [Life::new(Seen::Failed(200.0 * unit)), Life::new(Seen::Good(900.0 * unit))];
        let one = stated_shape(&lives(1.0), 4.0).expect("a scale");
        for unit in [1e-90, 1e90] {
            let other = stated_shape(&lives(unit), 4.0).expect("a scale");
            assert!((other.scale_at_least / unit / one.scale_at_least - 1.0).abs() < 1e-12);
        }
    }
}
