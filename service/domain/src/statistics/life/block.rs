//! Planned service every so often, whatever happened between: mended to as bad as before, or replaced by new.

use super::NotTold;
use super::replacement::Costs;
use super::weibull::Weibull;

/// Steps of the renewal function.
const STEPS: usize = 4_000;
/// How far the first search reaches, in mean lives.
const FIRST_REACH: f64 = 4.0;

/// The best interval of planned service.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Service {
    /// The interval.
    pub interval: f64,
    /// What a unit of use costs then.
    pub cost: f64,
    /// The failures that are expected in an interval.
    pub failures: f64,
}

/// Service of what is mended between to as bad as before (minimal repair, Barlow and Hunter 1960); none where it does not wear.
pub fn minimal_repair(life: Weibull, costs: Costs) -> Option<Service> {
    let wear = life.shape() - 1.0;
    if wear <= 0.0 {
        return None;
    }
    let failures = costs.planned() / (costs.failure() * wear);
    let interval = life.scale() * failures.powf(1.0 / life.shape());
    let cost = life.shape() / wear * costs.planned() / interval;
    (interval.is_finite() && interval > 0.0).then_some(Service { interval, cost, failures })
}

/// Service of what is replaced by new whenever it fails between, too. `fails` is the chance to have failed by an age, `mean` the
/// mean life. None where the cost falls on without a least within four mean lives.
pub fn block(fails: impl Fn(f64) -> f64, mean: f64, costs: Costs) -> Result<Option<Service>, NotTold> {
    if !(mean > 0.0 && mean.is_finite()) {
        return Err(NotTold::Unfit("a mean life lies above 0"));
    }
    let mut found = None;
    let mut reach = FIRST_REACH * mean;
    // The second pass has its steps where the first found the least.
    for _ in 0..2 {
        found = least(&renewals(&fails, reach), reach, costs);
        let Some(service) = found else { return Ok(None) };
        reach = 1.5 * service.interval;
    }
    Ok(found)
}

/// The renewals that are expected up to each of the steps, by the midpoint rule for the Riemann-Stieltjes integral (Xie 1989).
fn renewals(fails: impl Fn(f64) -> f64, reach: f64) -> Vec<f64> {
    let width = reach / crate::statistics::number(STEPS);
    let at = |half_steps: usize| fails(width * crate::statistics::number(half_steps) / 2.0);
    let middles: Vec<f64> = (0..STEPS).map(|step| at(2 * step + 1)).collect();
    let mut expected = vec![0.0];
    let mut risen = Vec::with_capacity(STEPS);
    for step in 1..=STEPS {
        // The rise of step j is weighed by the chance at the middle between it and here.
        let sum: f64 =
            risen.iter().zip(middles[1..step].iter().rev()).map(|(rise, fails)| rise * fails).sum();
        let before = expected[step - 1];
        let here = (at(2 * step) + sum - before * middles[0]) / (1.0 - middles[0]);
        expected.push(here);
        risen.push(here - before);
    }
    expected
}

/// The cheapest step, made finer by a parabola through its neighbours; none at the end.
fn least(expected: &[f64], reach: f64, costs: Costs) -> Option<Service> {
    let width = reach / crate::statistics::number(STEPS);
    let cost = |step: usize| {
        (costs.planned() + costs.failure() * expected[step]) / (width * crate::statistics::number(step))
    };
    let best = (1..=STEPS).min_by(|one, other| cost(*one).total_cmp(&cost(*other)))?;
    if best == STEPS || best == 1 {
        return None;
    }
    let [left, middle, right] = [cost(best - 1), cost(best), cost(best + 1)];
    let bend = left - 2.0 * middle + right;
    let off = if bend > 0.0 { (left - right) / (2.0 * bend) } else { 0.0 };
    let slope = (expected[best + 1] - expected[best - 1]) / 2.0;
    Some(Service {
        interval: width * (crate::statistics::number(best) + off),
        cost: middle - (left - right) * off / 4.0,
        failures: expected[best] + slope * off,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What fails by chance has as many renewals as it had lives: M(t) = t / mean, exactly, and planned service never pays.
    #[test]
    fn chance_failures_renew_in_proportion() {
        let expected = renewals(|age| -(-age / 50.0).exp_m1(), 100.0);
        let last = expected.last().expect("steps");
        assert!((last - 2.0).abs() < 1e-5, "{last}");
        let costs = Costs::new(1.0, 20.0).expect("costs");
        assert_eq!(block(|age| -(-age / 50.0).exp_m1(), 50.0, costs), Ok(None));
    }

    #[test]
    fn what_does_not_wear_is_not_serviced() {
        let life = Weibull::new(1.0, 50.0).expect("a life");
        assert_eq!(minimal_repair(life, Costs::new(1.0, 20.0).expect("costs")), None);
    }
}
