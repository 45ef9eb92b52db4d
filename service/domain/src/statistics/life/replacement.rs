//! When to replace what wears: the age at which a planned replacement costs least in the long run.

use super::NotTold;
use super::posterior::Posterior;
use super::solve::{highest, root};
use super::weibull::Weibull;

/// How often the end of a search is doubled before there is no end: all of the range of numbers.
const DOUBLINGS: u32 = 1_000;
/// Ages that are tried for the cheapest one under a posterior, over e^-8 to e^4 of the middle scale.
const POINTS: u32 = 60;

/// What a planned replacement and a failure cost, in the same money, each with all that follows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Costs {
    planned: f64,
    failure: f64,
}

impl Costs {
    /// Both above 0.
    pub fn new(planned: f64, failure: f64) -> Result<Costs, NotTold> {
        let sound = |cost: f64| cost > 0.0 && cost.is_finite();
        if sound(planned) && sound(failure) {
            Ok(Costs { planned, failure })
        } else {
            Err(NotTold::Unfit("costs lie above 0"))
        }
    }

    /// Of a planned replacement.
    pub fn planned(self) -> f64 {
        self.planned
    }

    /// Of a failure.
    pub fn failure(self) -> f64 {
        self.failure
    }
}

/// The best age, or that there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Replacement {
    /// The cheapest age; none where no planned replacement pays.
    pub best: Option<Best>,
    /// What a unit of use costs where nothing is replaced before it fails.
    pub cost_never: f64,
}

/// The cheapest age.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Best {
    /// The age.
    pub age: f64,
    /// What a unit of use costs then.
    pub cost: f64,
    /// The chance to fail before that age.
    pub fails: f64,
}

/// Ages whose cost is near the least.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Near {
    /// The lowest of them.
    pub low: f64,
    /// The highest; none where even never to replace is as cheap.
    pub high: Option<f64>,
}

/// What a unit of use costs if a part is replaced at an age, or when it fails before (Barlow and Hunter 1960).
pub fn cost(life: Weibull, costs: Costs, age: f64) -> f64 {
    (costs.planned * life.lasts(age) + costs.failure * life.fails(age)) / life.mean_up_to(age)
}

/// The age at which a planned replacement costs least (Barlow and Proschan 1965; Jardine and Tsang, chapter 2).
pub fn replacement(life: Weibull, costs: Costs) -> Replacement {
    let cost_never = costs.failure / life.mean();
    let best = best_age(life, costs).map(|age| Best {
        age,
        cost: (costs.failure - costs.planned) * life.hazard(age),
        fails: life.fails(age),
    });
    Replacement { best, cost_never }
}

/// Where hazard x mean life so far - chance to have failed reaches planned / (failure - planned); it rises from 0 for what wears.
fn best_age(life: Weibull, costs: Costs) -> Option<f64> {
    if life.shape() <= 1.0 || costs.failure <= costs.planned {
        return None;
    }
    let one = Weibull::new(life.shape(), 1.0).ok()?;
    let wanted = costs.planned / (costs.failure - costs.planned);
    let missing = |ln_age: f64| {
        let age = ln_age.exp();
        one.hazard(age) * one.mean_up_to(age) - one.fails(age) - wanted
    };
    let mut high = 0.0;
    for _ in 0..DOUBLINGS {
        if missing(high) > 0.0 {
            break;
        }
        high += std::f64::consts::LN_2;
    }
    let mut low = high.min(0.0);
    while missing(low) > 0.0 && low > -690.0 {
        low -= 1.0;
    }
    let age = life.scale() * root(missing, low, high).exp();
    (missing(high) > 0.0 && missing(low) <= 0.0 && age.is_finite()).then_some(age)
}

impl Best {
    /// The ages whose cost is at most a share above the least (0.05 for 5 %). The least is flat, so an age in this range is as good.
    pub fn within(&self, share: f64, life: Weibull, costs: Costs) -> Near {
        let over = |ln_age: f64| cost(life, costs, ln_age.exp()) / (self.cost * (1.0 + share)) - 1.0;
        let top = self.age.ln();
        let (mut low, mut high) = (top - 0.5, top + 0.5);
        while over(low) < 0.0 && top - low < 690.0 {
            low -= 0.5;
        }
        let never = costs.failure / life.mean() / (self.cost * (1.0 + share)) - 1.0;
        while never > 0.0 && over(high) < 0.0 && high - top < 690.0 {
            high += 0.5;
        }
        let found = |end: f64| root(over, top, end).exp();
        Near { low: found(low), high: (never > 0.0 && over(high) >= 0.0).then(|| found(high)) }
    }
}

/// The cheapest age where shape and scale are themselves unsure: the least of what is expected to be paid over the expected life.
/// None where it costs no less than `saving` below never to replace.
pub fn replacement_under(posterior: &Posterior, costs: Costs, saving: f64) -> Option<Best> {
    let rate = |age: f64| {
        let lasts = posterior.lasts(age);
        (costs.planned * lasts + costs.failure * (1.0 - lasts)) / posterior.mean_up_to(age)
    };
    let middle = posterior.scale().p50.ln();
    let (ln_age, value, end) = highest(|ln_age| -rate(ln_age.exp()), middle - 8.0, middle + 4.0, POINTS);
    let never = costs.failure / posterior.mean(Weibull::mean);
    let (age, cost) = (ln_age.exp(), -value);
    (!end && cost < never * (1.0 - saving)).then(|| Best { age, cost, fails: 1.0 - posterior.lasts(age) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn best(shape: f64, scale: f64, planned: f64, failure: f64) -> Option<Best> {
        let life = Weibull::new(shape, scale).expect("a life");
        replacement(life, Costs::new(planned, failure).expect("costs")).best
    }

    #[test]
    fn what_does_not_wear_or_costs_the_same_is_not_replaced() {
        assert_eq!(best(1.0, 500.0, 1.0, 20.0), None);
        assert_eq!(best(0.8, 500.0, 1.0, 20.0), None);
        assert_eq!(best(3.0, 500.0, 5.0, 5.0), None);
        assert!(Costs::new(0.0, 1.0).is_err());
    }

    /// The cost at the found age is the slope's: (failure - planned) x hazard, and no age nearby is cheaper.
    #[test]
    fn the_least_is_the_least() {
        for (shape, planned, failure) in [(1.05, 1.0, 3.0), (2.0, 1.0, 1.1), (2.5, 1.0, 5.0), (6.0, 1.0, 1e6)]
        {
            let life = Weibull::new(shape, 1e-3).expect("a life");
            let costs = Costs::new(planned, failure).expect("costs");
            let found = best(shape, 1e-3, planned, failure).expect("an age");
            let here = cost(life, costs, found.age);
            assert!((here / found.cost - 1.0).abs() < 1e-9, "{shape}: {here} {found:?}");
            for share in [0.9, 1.1] {
                assert!(cost(life, costs, found.age * share) >= here * (1.0 - 1e-12));
            }
        }
    }

    /// Dearer planned work is done later, dearer failures earlier.
    #[test]
    fn the_age_follows_the_costs() {
        let age = |planned, failure| best(2.5, 1000.0, planned, failure).expect("an age").age;
        assert!(age(2.0, 20.0) > age(1.0, 20.0) && age(1.0, 40.0) < age(1.0, 20.0));
    }
}
