//! Stock that expires: what can still be used, and how much may be ordered. What expires first is used first.

use super::stock::{Quantity, UsePerDay};
use crate::physics::measure::Days;

/// A lot on the shelf.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lot {
    /// How much.
    pub quantity: Quantity,
    /// Usable for so many days from now.
    pub expires_in: Days,
}

/// What becomes of a lot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LotUse {
    /// What is used in time.
    pub used: Quantity,
    /// What expires.
    pub expired: Quantity,
}

/// What becomes of a shelf.
#[derive(Clone, Debug, PartialEq)]
pub struct ShelfUse {
    /// Of each lot, in the order in which they were given.
    pub lots: Vec<LotUse>,
    /// For how long what is used in time suffices; none where nothing is used.
    pub covers: Option<Days>,
}

/// What becomes of a shelf at a steady use; a lot is begun when the one before it is used up or has expired.
pub fn use_up(lots: &[Lot], used_per_day: UsePerDay) -> ShelfUse {
    let rate = used_per_day.to_units();
    let lots = use_up_along(lots, |days| rate * days.to_days());
    let total: f64 = lots.iter().map(|lot| lot.used.to_units()).sum();
    ShelfUse { lots, covers: (rate > 0.0).then(|| Days(total / rate)) }
}

/// What becomes of each lot where so much is used from now up to a time, which never falls; in the order in which the lots
/// were given.
pub fn use_up_along(lots: &[Lot], used_up_to: impl Fn(Days) -> f64) -> Vec<LotUse> {
    let mut order: Vec<usize> = (0..lots.len()).collect();
    order.sort_by(|a, b| lots[*a].expires_in.to_days().total_cmp(&lots[*b].expires_in.to_days()));
    let mut lots_used = vec![LotUse { used: Quantity(0.0), expired: Quantity(0.0) }; lots.len()];
    let mut served = 0.0;
    for index in order {
        let quantity = lots[index].quantity.to_units();
        let used = quantity.min((used_up_to(lots[index].expires_in) - served).max(0.0));
        lots_used[index] = LotUse { used: Quantity(used), expired: Quantity(quantity - used) };
        served += used;
    }
    lots_used
}

/// The most that can be used before it expires, if nothing else is on the shelf: use times the days that are left at
/// its receipt.
pub fn order_max(used_per_day: UsePerDay, shelf_life: Days, lost_before_receipt: Days) -> Quantity {
    order_max_along(|days| used_per_day.to_units() * days.to_days(), shelf_life, lost_before_receipt)
}

/// The same where so much is used from its receipt up to a time after it.
pub fn order_max_along(
    used_up_to: impl Fn(Days) -> f64,
    shelf_life: Days,
    lost_before_receipt: Days,
) -> Quantity {
    let left = (shelf_life.to_days() - lost_before_receipt.to_days()).max(0.0);
    Quantity(used_up_to(Days(left)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lot(quantity: f64, days: f64) -> Lot {
        Lot { quantity: Quantity(quantity), expires_in: Days(days) }
    }

    #[test]
    fn the_order_of_the_lots_changes_nothing() {
        let sorted = use_up(&[lot(10.0, 5.0), lot(10.0, 20.0)], UsePerDay(1.0));
        let turned = use_up(&[lot(10.0, 20.0), lot(10.0, 5.0)], UsePerDay(1.0));
        assert_eq!(sorted.covers, turned.covers);
        assert_eq!(sorted.lots, turned.lots.into_iter().rev().collect::<Vec<_>>());
        assert_eq!(sorted.lots[0].expired, Quantity(5.0));
    }

    #[test]
    fn what_nobody_uses_expires() {
        let idle = use_up(&[lot(10.0, 5.0)], UsePerDay(0.0));
        assert_eq!((idle.lots[0].expired, idle.covers), (Quantity(10.0), None));
        assert_eq!(order_max(UsePerDay(2.0), Days(30.0), Days(60.0)), Quantity(0.0));
    }
}
