//! Other ways to order, for demand of a period: up to a level once the stock is low, once only, and for slow movers.

use super::stock::{Cost, Quantity, UsePerYear};
use crate::physics::measure::{Days, Impossible};
use crate::statistics::normal;

/// Demand of a period, lead time included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeriodDemand {
    /// On average.
    pub mean: Quantity,
    /// Its standard deviation.
    pub deviation: Quantity,
}

/// What a unit costs for a period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeriodCosts {
    /// Left over.
    pub holding: Cost,
    /// Missing.
    pub missing: Cost,
}

impl PeriodCosts {
    /// The chance of having enough that costs least: p / (p + h).
    pub fn critical_ratio(&self) -> f64 {
        let (h, p) = (self.holding.to_money(), self.missing.to_money());
        p / (p + h)
    }
}

/// Order up to `high` once the stock is at `low` or below.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowHigh {
    /// s.
    pub low: f64,
    /// S.
    pub high: f64,
}

/// The power approximation of the best s and S for normal demand (Ehrhardt and Mosier 1984).
pub fn power_approximation(
    order: Cost,
    costs: PeriodCosts,
    demand: PeriodDemand,
) -> Result<LowHigh, Impossible> {
    let (mean, deviation) = scattered(demand)?;
    let (k, h, p) = (order.to_money(), costs.holding.to_money(), costs.missing.to_money());
    let scatter = 1.0 + (deviation / mean).powi(2);
    let lot = 1.30 * mean.powf(0.494) * (k / h).powf(0.506) * scatter.powf(0.116);
    let z = (lot / deviation * h / p).sqrt();
    let low = 0.973 * mean + deviation * (0.183 / z + 1.063 - 2.192 * z);
    Ok(LowHigh { low, high: low + lot })
}

fn scattered(demand: PeriodDemand) -> Result<(f64, f64), Impossible> {
    let (mean, deviation) = (demand.mean.to_units(), demand.deviation.to_units());
    if mean == 0.0 || deviation == 0.0 {
        return Err(Impossible(
            "the approximation needs a demand that is more than 0 and scatters; without scatter, order what is used"
                .into(),
        ));
    }
    Ok((mean, deviation))
}

/// What to have for one period, or to order up to in each where an order costs nothing by itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OncePerPeriod {
    /// How much.
    pub level: f64,
    /// What is left over or missing costs so much on average.
    pub cost: f64,
}

/// The level at the critical ratio of a normal demand (the newsvendor's problem).
pub fn once_per_period(costs: PeriodCosts, demand: PeriodDemand) -> OncePerPeriod {
    let z = normal::quantile(costs.critical_ratio());
    let deviation = demand.deviation.to_units();
    OncePerPeriod {
        level: demand.mean.to_units() + z * deviation,
        cost: (costs.holding.to_money() + costs.missing.to_money()) * deviation * normal::density(z),
    }
}

/// What ordering costs where demand that is not served waits; a year may be any period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct YearCosts {
    /// Of an order, however large.
    pub order: Cost,
    /// Of holding a unit for a year.
    pub holding: Cost,
    /// Of each unit that has to wait.
    pub waiting: Cost,
}

/// Demand of a year that scatters as a normal one, independent from day to day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct YearDemand {
    /// On average.
    pub mean: UsePerYear,
    /// Its standard deviation over a year.
    pub deviation: Quantity,
}

/// Order `quantity` whenever the stock falls to `point`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointQuantity {
    /// r.
    pub point: f64,
    /// Q.
    pub quantity: f64,
}

const DAYS_A_YEAR: f64 = 365.0;
/// Each round brings point and quantity nearer together; far fewer than these are needed.
const ROUNDS_MAX: u32 = 200;

struct OnTheWay {
    mean: f64,
    deviation: f64,
}

fn on_the_way(demand: YearDemand, lead: Days) -> OnTheWay {
    let years = lead.to_days() / DAYS_A_YEAR;
    OnTheWay { mean: demand.mean.to_units() * years, deviation: demand.deviation.to_units() * years.sqrt() }
}

/// Point and quantity that cost least together, with the stock taken on average (an approximation: Snyder and Shen,
/// example 5.2).
pub fn point_and_quantity(
    costs: YearCosts,
    demand: YearDemand,
    lead: Days,
) -> Result<PointQuantity, Impossible> {
    let (k, h, p) = (costs.order.to_money(), costs.holding.to_money(), costs.waiting.to_money());
    let used = demand.mean.to_units();
    let lead = on_the_way(demand, lead);
    let mut quantity = (2.0 * k * used / h).sqrt();
    for _ in 0..ROUNDS_MAX {
        let short = quantity * h / (p * used);
        if short >= 1.0 {
            return Err(Impossible(
                "waiting costs so little that holding stock never pays; check its cost".into(),
            ));
        }
        let z = normal::quantile(1.0 - short);
        let better = (2.0 * used * (k + p * lead.deviation * normal::loss(z)) / h).sqrt();
        let settled = (better - quantity).abs() <= 1e-12 * better;
        quantity = better;
        if settled {
            return Ok(PointQuantity { point: lead.mean + z * lead.deviation, quantity });
        }
    }
    Err(Impossible("point and quantity do not settle; check the costs".into()))
}

/// The economic quantity, and the point at the critical ratio of what is used on the way: simpler, and a little dearer.
pub fn point_by_safety_stock(costs: YearCosts, demand: YearDemand, lead: Days) -> PointQuantity {
    let (k, h, p) = (costs.order.to_money(), costs.holding.to_money(), costs.waiting.to_money());
    let lead = on_the_way(demand, lead);
    PointQuantity {
        point: lead.mean + normal::quantile(p / (p + h)) * lead.deviation,
        quantity: (2.0 * k * demand.mean.to_units() / h).sqrt(),
    }
}

/// The most units a period for which a slow mover is reckoned; beyond it demand is as good as normal.
pub const SLOW_MEAN_MAX: f64 = 200.0;

/// The most units that an order of a slow mover is reckoned to hold.
pub const SLOW_LOT_MAX: f64 = 1_000.0;

/// The exact best s and S for Poisson demand of a period: for slow movers, which are not normal (Zheng and Federgruen
/// 1991).
pub fn slow_mover(order: Cost, costs: PeriodCosts, mean: Quantity) -> Result<(i64, i64), Impossible> {
    if mean.to_units() == 0.0 || mean.to_units() > SLOW_MEAN_MAX {
        return Err(Impossible(format!(
            "`{}` units a period are no slow mover; give more than 0, up to {SLOW_MEAN_MAX}",
            mean.to_units()
        )));
    }
    let (k, h, p) = (order.to_money(), costs.holding.to_money(), costs.missing.to_money());
    // The economic quantity where what is missing waits: it bounds how far S and s lie apart, and so all that is tried.
    let lot = (2.0 * k * mean.to_units() * (h + p) / (h * p)).sqrt();
    if lot > SLOW_LOT_MAX {
        return Err(Impossible(format!(
            "orders of some {lot:.0} units are no slow mover's; give a lower cost of an order than {k}, or a higher one of \
             what is missing than {p}"
        )));
    }
    let shop = SlowMover::new(order, costs, mean.to_units());
    let mut best_level = 0;
    while shop.keeping(best_level + 1) < shop.keeping(best_level) {
        best_level += 1;
    }
    let (mut low, mut high) = (best_level - 1, best_level);
    while shop.cost(low, high) > shop.keeping(low) {
        low -= 1;
    }
    let mut best = shop.cost(low, high);
    let mut tried = high + 1;
    while shop.keeping(tried) <= best {
        if shop.cost(low, tried) < best {
            high = tried;
            while shop.cost(low, high) <= shop.keeping(low + 1) {
                low += 1;
            }
            best = shop.cost(low, high);
        }
        tried += 1;
    }
    Ok((low, high))
}

/// Chances of Poisson demand, and what they cost.
struct SlowMover {
    order: f64,
    holding: f64,
    missing: f64,
    mean: f64,
    /// The chance of 0, 1, 2 … units in a period.
    chances: Vec<f64>,
}

impl SlowMover {
    fn new(order: Cost, costs: PeriodCosts, mean: f64) -> SlowMover {
        let mut chances = vec![(-mean).exp()];
        let mut units = 0.0;
        // Beyond ten deviations above the mean no chance is left that a sum would notice.
        while units < mean + 10.0 * mean.sqrt() + 20.0 {
            units += 1.0;
            let last = chances[chances.len() - 1];
            chances.push(last * mean / units);
        }
        let (holding, missing) = (costs.holding.to_money(), costs.missing.to_money());
        SlowMover { order: order.to_money(), holding, missing, mean, chances }
    }

    /// What a period costs on average that starts with this level.
    fn keeping(&self, level: i64) -> f64 {
        let level = as_f64(level);
        let left: f64 = (0_i32..)
            .zip(&self.chances)
            .map(|(units, chance)| (level - f64::from(units)).max(0.0) * chance)
            .sum();
        // What is missing is what is left, less the level, plus the mean.
        self.holding * left + self.missing * (left - level + self.mean)
    }

    /// What a period costs on average under s and S: renewal of the level from S down to s.
    fn cost(&self, low: i64, high: i64) -> f64 {
        let steps = usize::try_from(high - low).unwrap_or(0);
        let mut visits: Vec<f64> = Vec::with_capacity(steps);
        for step in 0..steps {
            let from: f64 = (1..=step).map(|back| self.chance(back) * visits[step - back]).sum();
            let start = if step == 0 { 1.0 } else { 0.0 };
            visits.push((start + from) / (1.0 - self.chances[0]));
        }
        let kept: f64 = (0_i64..).zip(&visits).map(|(step, visit)| visit * self.keeping(high - step)).sum();
        (self.order + kept) / visits.iter().sum::<f64>()
    }

    fn chance(&self, units: usize) -> f64 {
        self.chances.get(units).copied().unwrap_or(0.0)
    }
}

/// Levels are far below 2^52, so nothing is lost.
#[expect(clippy::cast_precision_loss, reason = "levels of a slow mover are a few thousand at most")]
fn as_f64(level: i64) -> f64 {
    level as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const COSTS: PeriodCosts = PeriodCosts { holding: Cost(1.0), missing: Cost(4.0) };

    /// No other pair in a wide field costs less.
    #[test]
    fn the_slow_mover_s_answer_is_the_best_pair() {
        for (mean, order) in [(0.4, 3.0), (2.0, 0.5), (6.0, 5.0), (11.0, 40.0)] {
            let (low, high) = slow_mover(Cost(order), COSTS, Quantity(mean)).expect("a slow mover");
            let shop = SlowMover::new(Cost(order), COSTS, mean);
            let best = shop.cost(low, high);
            for s in -15..30 {
                for big in s + 1..70 {
                    assert!(shop.cost(s, big) >= best - 1e-9, "{mean}: ({low}, {high}) or ({s}, {big})");
                }
            }
        }
        assert!(slow_mover(Cost(1.0), COSTS, Quantity(201.0)).is_err());
    }

    /// An order may be large because it is dear, or because waiting costs next to nothing; either way it is refused
    /// before anything is tried.
    #[test]
    fn an_order_too_large_for_a_slow_mover_is_refused() {
        for (order, missing) in [(1e6, 4.0), (100.0, 1e-6)] {
            let costs = PeriodCosts { holding: Cost(1.0), missing: Cost(missing) };
            let refused = slow_mover(Cost(order), costs, Quantity(1.0)).expect_err("too large");
            assert!(refused.0.contains("no slow mover's; give a lower cost"), "{refused:?}");
        }
    }

    #[test]
    fn a_demand_without_scatter_is_refused() {
        let steady = PeriodDemand { mean: Quantity(5.0), deviation: Quantity(0.0) };
        assert!(power_approximation(Cost(1.0), COSTS, steady).is_err());
        assert!((once_per_period(COSTS, steady).level - 5.0).abs() < 1e-12);
    }
}
