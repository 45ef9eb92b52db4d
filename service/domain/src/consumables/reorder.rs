//! When to order: the stock at which an order must go out, and the level up to which to order at fixed times.

use super::stock::{CycleService, Quantity, UsePerDay};
use crate::physics::measure::{Days, Impossible, ceil};
use crate::statistics::normal;

/// What is used in a day, and how that scatters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// On average.
    pub mean: UsePerDay,
    /// Its standard deviation from day to day.
    pub deviation: UsePerDay,
}

/// How long an order takes, and how that scatters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeadTime {
    /// On average.
    pub mean: Days,
    /// Its standard deviation.
    pub deviation: Days,
}

/// When to order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReorderPoint {
    /// The quantile of the standard normal distribution for the chance that was asked for.
    pub z: f64,
    /// The standard deviation of what is used while an order is on its way.
    pub deviation: f64,
    /// What is kept against that; below 0 where less than an even chance was asked for.
    pub safety_stock: f64,
    /// Order when so much is left.
    pub point: f64,
    /// How much is missing on average when an order arrives.
    pub short_per_cycle: f64,
}

impl ReorderPoint {
    /// The point in whole units, raised.
    pub fn whole(&self) -> f64 {
        ceil(self.point)
    }

    /// The share of the demand that is served from the shelf, when so much is ordered at once; none for nothing.
    pub fn fill_rate(&self, order: Quantity) -> Option<f64> {
        (order.to_units() > 0.0).then(|| 1.0 - self.short_per_cycle / order.to_units())
    }
}

/// The reorder point d L + z sqrt(L σd² + d² σL²), for demand and lead time that are normal and independent.
pub fn reorder_point(demand: Demand, lead: LeadTime, service: CycleService) -> ReorderPoint {
    let (d, sd) = (demand.mean.to_units(), demand.deviation.to_units());
    let (l, sl) = (lead.mean.to_days(), lead.deviation.to_days());
    let z = normal::quantile(service.to_chance());
    let deviation = (l * sd * sd + d * d * sl * sl).sqrt();
    let safety_stock = z * deviation;
    ReorderPoint {
        z,
        deviation,
        safety_stock,
        point: d * l + safety_stock,
        short_per_cycle: deviation * normal::loss(z),
    }
}

/// What is there, and what has been ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// On the shelf.
    pub on_hand: Quantity,
    /// Ordered, with a day that the supplier has confirmed.
    pub on_order: Quantity,
}

/// How much to order at a fixed time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Review {
    /// What is kept against scatter.
    pub safety_stock: f64,
    /// The level up to which to order.
    pub order_up_to: f64,
    /// What is missing to it.
    pub need: Quantity,
    /// The same in whole packs, raised.
    pub order: Quantity,
}

/// How much to order at a review, when the next one comes after some days: up to d (L + R) + z σ sqrt(L + R).
pub fn periodic_review(
    demand: Demand,
    lead: Days,
    review: Days,
    service: CycleService,
    position: Position,
    pack: Quantity,
) -> Result<Review, Impossible> {
    if pack.to_units() == 0.0 {
        return Err(Impossible("a pack of 0 units never adds up; give what a pack holds".into()));
    }
    let exposed = lead.to_days() + review.to_days();
    let z = normal::quantile(service.to_chance());
    let safety_stock = z * demand.deviation.to_units() * exposed.sqrt();
    let order_up_to = demand.mean.to_units() * exposed + safety_stock;
    let need = (order_up_to - position.on_hand.to_units() - position.on_order.to_units()).max(0.0);
    let order = ceil(need / pack.to_units()) * pack.to_units();
    Ok(Review { safety_stock, order_up_to, need: Quantity(need), order: Quantity(order) })
}
