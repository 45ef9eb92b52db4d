//! How much to order at once: the quantity at which ordering and holding cost least together.

use super::stock::{Cost, Quantity, UsePerYear};
use crate::physics::measure::{Days, Impossible, ceil, floor};

/// What ordering and holding cost, and how much is used. The year may be any period, if all three mean the same one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Costs {
    /// Of an order, however large.
    pub order: Cost,
    /// Of holding a unit for a year.
    pub holding_unit_year: Cost,
    /// How much is used.
    pub used: UsePerYear,
}

/// The best quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OrderQuantity {
    /// The quantity.
    pub quantity: Quantity,
    /// What ordering and holding cost in a year.
    pub cost_year: f64,
    /// The whole packs next to it that cost less.
    pub packed: Quantity,
    /// What those cost in a year.
    pub packed_cost_year: f64,
    /// From order to order, at 365 days a year.
    pub cycle: Days,
}

impl Costs {
    /// What ordering and holding cost in a year when so much is ordered at once.
    pub fn cost_year(&self, quantity: Quantity) -> f64 {
        let (k, h, d) = self.parts();
        let q = quantity.to_units();
        k * d / q + h * q / 2.0
    }

    /// The best quantity, and the best one in whole packs (the larger one only where it costs less).
    pub fn best(&self, pack: Quantity) -> Result<OrderQuantity, Impossible> {
        let (k, h, d) = self.parts();
        let pack = pack.to_units();
        if pack == 0.0 {
            return Err(Impossible("a pack of 0 units never adds up; give what a pack holds".into()));
        }
        let best = (2.0 * k * d / h).sqrt();
        let packs = |count: f64| Quantity(count.max(1.0) * pack);
        let (fewer, more) = (packs(floor(best / pack)), packs(ceil(best / pack)));
        let packed = if self.cost_year(more) < self.cost_year(fewer) { more } else { fewer };
        Ok(OrderQuantity {
            quantity: Quantity(best),
            cost_year: (2.0 * k * d * h).sqrt(),
            packed,
            packed_cost_year: self.cost_year(packed),
            cycle: Days(365.0 * best / d),
        })
    }

    /// The best quantity where demand may wait at a cost for each unit and year.
    pub fn best_with_waiting(&self, waiting_unit_year: Cost) -> Quantity {
        let (k, h, d) = self.parts();
        let p = waiting_unit_year.to_money();
        Quantity((2.0 * k * d / h * (h + p) / p).sqrt())
    }

    fn parts(&self) -> (f64, f64, f64) {
        (self.order.to_money(), self.holding_unit_year.to_money(), self.used.to_units())
    }
}

/// A price from some quantity on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PriceBreak {
    /// From this quantity on.
    pub from: Quantity,
    /// A unit costs so much, the whole order through.
    pub price: Cost,
}

/// The best quantity under prices that fall with it, where holding costs a share of the price; with its cost in a
/// year, the goods included. Without any price there is none.
pub fn best_with_prices(
    order: Cost,
    holding_share_year: f64,
    used: UsePerYear,
    prices: &[PriceBreak],
) -> Option<(Quantity, f64)> {
    let candidate = |(index, step): (usize, &PriceBreak)| {
        let holding = Cost(holding_share_year * step.price.to_money());
        let costs = Costs { order, holding_unit_year: holding, used };
        let best = (2.0 * order.to_money() * used.to_units() / holding.to_money()).sqrt();
        let quantity = Quantity(best.max(step.from.to_units()));
        // Past the next break the next price holds, and that step is a candidate of its own.
        let next = prices.get(index + 1).map_or(f64::INFINITY, |next| next.from.to_units());
        let cost = costs.cost_year(quantity) + step.price.to_money() * used.to_units();
        (quantity.to_units() < next).then_some((quantity, cost))
    };
    let candidates = prices.iter().enumerate().filter_map(candidate);
    candidates.min_by(|one, other| one.1.total_cmp(&other.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    const COSTS: Costs = Costs { order: Cost(8.0), holding_unit_year: Cost(0.225), used: UsePerYear(1300.0) };

    #[test]
    fn no_neighbouring_pack_is_cheaper() {
        for pack in [1.0, 7.0, 50.0, 304.0, 1000.0] {
            let best = COSTS.best(Quantity(pack)).expect("a pack");
            for packs in 1..1000 {
                let other = COSTS.cost_year(Quantity(f64::from(packs) * pack));
                assert!(best.packed_cost_year <= other + 1e-9, "{pack}");
            }
        }
        assert!(COSTS.best(Quantity(0.0)).is_err());
    }

    #[test]
    fn without_prices_there_is_no_quantity() {
        assert_eq!(best_with_prices(Cost(8.0), 0.2, UsePerYear(100.0), &[]), None);
    }
}
