//! The Weibull distribution of lives, and what follows from it without any data.

use super::NotTold;
use statrs::function::gamma::{gamma_lr, ln_gamma};

/// Above this exponent a part has surely failed; it keeps powers finite.
const SURE: f64 = 700.0;
/// Terms of the series of mean life up to an age; it falls faster than 1/k!.
const TERMS: u32 = 60;

/// Lives whose chance to last beyond age t is exp(-(t/scale)^shape).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weibull {
    shape: f64,
    scale: f64,
}

impl Weibull {
    /// From its shape and its scale, the age by which 63.2 % have failed; both above 0.
    pub fn new(shape: f64, scale: f64) -> Result<Weibull, NotTold> {
        let sound = |value: f64| value > 0.0 && value.is_finite();
        if sound(shape) && sound(scale) {
            Ok(Weibull { shape, scale })
        } else {
            Err(NotTold::Unfit("shape and scale lie above 0"))
        }
    }

    /// The shape: below 1 they fail early, at 1 by chance, above 1 they wear out.
    pub fn shape(self) -> f64 {
        self.shape
    }

    /// The scale.
    pub fn scale(self) -> f64 {
        self.scale
    }

    /// The exponent of the chance to last beyond an age.
    fn exponent(self, age: f64) -> f64 {
        (age / self.scale).powf(self.shape)
    }

    /// The chance to last beyond an age.
    pub fn lasts(self, age: f64) -> f64 {
        (-self.exponent(age)).exp()
    }

    /// The chance to have failed by an age.
    pub fn fails(self, age: f64) -> f64 {
        -(-self.exponent(age)).exp_m1()
    }

    /// How many of those that reached an age fail in a unit of it.
    pub fn hazard(self, age: f64) -> f64 {
        self.shape / self.scale * (age / self.scale).powf(self.shape - 1.0)
    }

    /// The age by which a share has failed; the share lies between 0 and 1.
    pub fn by_which_fail(self, share: f64) -> f64 {
        self.scale * (-(-share).ln_1p()).powf(1.0 / self.shape)
    }

    /// The mean life; infinite where it leaves the range of numbers.
    pub fn mean(self) -> f64 {
        self.scale * ln_gamma(1.0 + 1.0 / self.shape).exp()
    }

    /// The mean life of those that are taken out at an age at the latest: the integral of the chance to last, from 0.
    pub fn mean_up_to(self, age: f64) -> f64 {
        let exponent = self.exponent(age);
        if exponent < 1.0 {
            return age * series(exponent, self.shape);
        }
        if exponent > SURE {
            return self.mean();
        }
        self.mean() * gamma_lr(1.0 / self.shape, exponent)
    }

    /// The longest interval between looks at which what fails unseen, and is as new after each look, is good for a share of
    /// the time on average; the share lies between 0 and 1.
    pub fn longest_between_looks(self, share: f64) -> Result<f64, NotTold> {
        if !(share > 0.0 && share < 1.0) {
            return Err(NotTold::Unfit("a share of the time lies between 0 and 1"));
        }
        let short = |ln_age: f64| self.mean_up_to(ln_age.exp()) / ln_age.exp() - share;
        let start = self.scale.ln();
        let (mut low, mut high) = (start, start);
        while short(low) < 0.0 && start - low < SURE {
            low -= 1.0 / self.shape.min(1.0);
        }
        while short(high) > 0.0 && high - start < SURE {
            high += 1.0;
        }
        Ok(super::solve::root(short, low, high).exp())
    }
}

/// The sum of (-z)^k / (k! (k b + 1)): the share of an age that is lived on average, for z below 1.
fn series(exponent: f64, shape: f64) -> f64 {
    let mut power = 1.0;
    let mut sum = 1.0;
    for k in 1..TERMS {
        power *= -exponent / f64::from(k);
        sum += power / (f64::from(k) * shape + 1.0);
    }
    sum
}

/// The interval between looks for what fails at a constant rate, by the usual rule: 2 (1 - share) x mean life (common
/// practice, no source).
pub fn rule_of_thumb_between_looks(share: f64, mean: f64) -> f64 {
    2.0 * (1.0 - share) * mean
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(value: f64, expect: f64) {
        assert!((value - expect).abs() <= 1e-12 * expect.abs(), "{value} {expect}");
    }

    /// At shape 1 all has a closed form; at shape 2 the mean is scale x sqrt(pi)/2.
    #[test]
    fn closed_forms() {
        for scale in [1e-9, 1.0, 500.0, 1e12] {
            let chance = Weibull::new(1.0, scale).expect("a life");
            near(chance.mean(), scale);
            near(chance.hazard(3.0 * scale), 1.0 / scale);
            for age in [1e-6, 0.5, 0.999, 1.001, 3.0, 40.0] {
                near(chance.mean_up_to(age * scale), -scale * (-age).exp_m1());
                near(chance.fails(age * scale), -(-age).exp_m1());
            }
            let wear = Weibull::new(2.0, scale).expect("a life");
            near(wear.mean(), scale * std::f64::consts::PI.sqrt() / 2.0);
            near(wear.mean_up_to(1e3 * scale), wear.mean());
            near(wear.fails(wear.by_which_fail(0.1)), 0.1);
        }
        assert!(Weibull::new(0.0, 1.0).is_err() && Weibull::new(1.0, f64::INFINITY).is_err());
    }

    /// The two ways to the mean life up to an age meet where one takes over from the other.
    #[test]
    fn the_series_meets_the_function() {
        for shape in [0.3, 0.9, 1.7, 5.0, 20.0] {
            let life = Weibull::new(shape, 100.0).expect("a life");
            let (below, above) =
                (life.mean_up_to(100.0 * (1.0 - 1e-12)), life.mean_up_to(100.0 * (1.0 + 1e-12)));
            assert!((below - above).abs() < 1e-9 * above, "{shape}: {below} {above}");
        }
    }

    #[test]
    fn a_share_of_the_time_is_kept_exactly() {
        for (shape, share) in [(0.4, 0.9), (1.0, 0.99), (3.0, 0.5), (8.0, 0.999)] {
            let life = Weibull::new(shape, 1000.0).expect("a life");
            let age = life.longest_between_looks(share).expect("an interval");
            near(life.mean_up_to(age) / age, share);
        }
        let life = Weibull::new(1.0, 1000.0).expect("a life");
        assert!(life.longest_between_looks(1.0).is_err());
        near(rule_of_thumb_between_looks(0.98, 1000.0), 40.000_000_000_000_036);
    }
}
