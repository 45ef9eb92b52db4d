//! What to order when, period by period: known needs against the stock and what is on its way.

use super::stock::Quantity;
use crate::physics::measure::{Impossible, ceil};

/// The most periods that are reckoned.
pub const PERIODS_MAX: usize = 1_000;

/// How an item is ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lots {
    /// What is never used up.
    pub safety_stock: Quantity,
    /// From order to receipt, in periods.
    pub lead_periods: usize,
    /// What a pack holds.
    pub pack: Quantity,
    /// The least that is ordered.
    pub least: Quantity,
}

/// What a period needs and receives anyway.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Period {
    /// Needed.
    pub gross: Quantity,
    /// Ordered before, and confirmed for this period.
    pub scheduled: Quantity,
}

/// The plan, a value for each period.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Netted {
    /// To be received, beside what is scheduled.
    pub receipts: Vec<f64>,
    /// To be ordered.
    pub orders: Vec<f64>,
    /// What would have to be ordered before the first period: late already, hurry it.
    pub late: f64,
    /// What is on the shelf at the end of the period.
    pub on_hand: Vec<f64>,
}

/// Where the stock would fall below its safety stock, what is missing, or the least order, is received in whole packs.
pub fn net(on_hand: Quantity, lots: Lots, periods: &[Period]) -> Result<Netted, Impossible> {
    net_within(on_hand, lots, periods, |_, _| None)
}

/// The same where a receipt may be bounded: `most` is asked with the period and the stock that it would end with, and gives
/// the most that is received then, in whole packs.
pub fn net_within(
    on_hand: Quantity,
    lots: Lots,
    periods: &[Period],
    most: impl Fn(usize, f64) -> Option<Quantity>,
) -> Result<Netted, Impossible> {
    let (pack, least) = (lots.pack.to_units(), lots.least.to_units());
    if pack == 0.0 {
        return Err(Impossible("a pack of 0 units never adds up; give what a pack holds".into()));
    }
    if periods.len() > PERIODS_MAX {
        return Err(Impossible(format!("{} periods are more than {PERIODS_MAX}; give fewer", periods.len())));
    }
    let mut plan = Netted { orders: vec![0.0; periods.len()], ..Netted::default() };
    let mut stock = on_hand.to_units();
    for (index, period) in periods.iter().enumerate() {
        stock += period.scheduled.to_units() - period.gross.to_units();
        let missing = lots.safety_stock.to_units() - stock;
        let mut received = if missing > 0.0 { ceil(missing.max(least) / pack) * pack } else { 0.0 };
        if received > 0.0 {
            received = most(index, stock).map_or(received, |most| received.min(most.to_units()));
        }
        stock += received;
        match index.checked_sub(lots.lead_periods) {
            Some(ordered) => plan.orders[ordered] += received,
            None => plan.late += received,
        }
        plan.receipts.push(received);
        plan.on_hand.push(stock);
    }
    Ok(plan)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lots() -> Lots {
        let [safety_stock, pack, least] = [2.0, 0.1, 0.0].map(Quantity);
        Lots { safety_stock, lead_periods: 1, pack, least }
    }

    #[test]
    fn packs_of_a_fraction_are_whole_packs() {
        let period = Period { gross: Quantity(2.4), scheduled: Quantity(0.0) };
        let plan = net(Quantity(2.0), lots(), &[period, period]).expect("a plan");
        assert!((plan.receipts[0] - 2.4).abs() < 1e-9 && (plan.receipts[1] - 2.4).abs() < 1e-9);
        assert!((plan.late - 2.4).abs() < 1e-9 && (plan.orders[0] - 2.4).abs() < 1e-9);
    }

    #[test]
    fn a_receipt_is_bounded_by_the_most_there_may_be() {
        let period = Period { gross: Quantity(2.4), scheduled: Quantity(0.0) };
        let most = |index: usize, stock: f64| {
            assert!((stock - [-0.4, -1.8][index]).abs() < 1e-9, "{index}: {stock}");
            Some(Quantity(1.0))
        };
        let plan = net_within(Quantity(2.0), lots(), &[period, period], most).expect("a plan");
        assert_eq!(plan.receipts, [1.0, 1.0]);
    }

    #[test]
    fn nothing_to_plan_is_an_empty_plan() {
        assert_eq!(net(Quantity(2.0), lots(), &[]).expect("a plan"), Netted::default());
        assert!(net(Quantity(2.0), Lots { pack: Quantity(0.0), ..lots() }, &[]).is_err());
    }
}
