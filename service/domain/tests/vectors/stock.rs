//! What to order, how much and when.

use crate::rows::{EXACT, Row, of, rows};
use fettler_domain::consumables::netting::{Lots, Period, net};
use fettler_domain::consumables::order_quantity::Costs;
use fettler_domain::consumables::policy::{PeriodCosts, PeriodDemand, once_per_period, power_approximation};
use fettler_domain::consumables::reorder::{Demand, LeadTime, Position, periodic_review, reorder_point};
use fettler_domain::consumables::shelf_life::{Lot, order_max, use_up};
use fettler_domain::consumables::stock::{Cost, CycleService, Quantity, UsePerDay, UsePerYear};
use fettler_domain::physics::measure::Days;

/// Computed with stockpyl; row 1 is example 3.1 of Snyder and Shen, row 2 of Hillier and Lieberman.
#[test]
fn eoq() {
    for row in rows("eoq") {
        let costs = Costs {
            order: of(&row, "order_cost", Cost::money),
            holding_unit_year: of(&row, "holding_per_unit_year", Cost::money),
            used: of(&row, "demand_per_year", UsePerYear::units),
        };
        let found = costs.best(of(&row, "pack", Quantity::units)).expect("a pack");
        row.near("eoq", found.quantity.to_units(), EXACT);
        row.near("cost_year", found.cost_year, EXACT);
        row.near("pack_qty", found.packed.to_units(), EXACT);
        row.near("cost_at_pack_qty", found.packed_cost_year, EXACT);
        row.near("cycle_days", found.cycle.to_days(), EXACT);
    }
}

fn demand(row: &Row) -> Demand {
    Demand { mean: of(row, "d_per_day", UsePerDay::units), deviation: of(row, "sd_day", UsePerDay::units) }
}

/// Computed with scipy; examples of Taylor and Russell, and of Heizer and Render, as the file says.
#[test]
fn reorder_points() {
    for row in rows("reorder_point") {
        let lead = LeadTime {
            mean: of(&row, "lead_days", Days::new),
            deviation: of(&row, "sd_lead_days", Days::new),
        };
        let found = reorder_point(demand(&row), lead, of(&row, "service", CycleService::chance));
        row.near("z", found.z, EXACT);
        row.near("sigma_dlt", found.deviation, EXACT);
        row.near("safety_stock", found.safety_stock, EXACT);
        row.near("rop", found.point, EXACT);
        row.near("rop_ceil", found.whole(), EXACT);
        row.near("esc", found.short_per_cycle, EXACT);
        let order = row.maybe("q").map(|q| Quantity::units(q).expect("a quantity"));
        row.near_or_none("fill_rate", order.and_then(|order| found.fill_rate(order)), EXACT);
    }
}

/// Arithmetic with scipy's quantiles, as the file says.
#[test]
fn periodic_reviews() {
    for row in rows("periodic_review") {
        let days = |column| of(&row, column, Days::new);
        let units = |column| of(&row, column, Quantity::units);
        let position = Position { on_hand: units("on_hand"), on_order: units("on_order") };
        let service = of(&row, "service", CycleService::chance);
        let (lead, review) = (days("lead_days"), days("review_days"));
        let found = periodic_review(demand(&row), lead, review, service, position, units("pack"));
        let found = found.expect("a pack");
        row.near("safety_stock", found.safety_stock, EXACT);
        row.near("order_up_to", found.order_up_to, EXACT);
        row.near("need", found.need.to_units(), EXACT);
        row.near("order_qty", found.order.to_units(), EXACT);
    }
}

/// Computed with stockpyl; row 1 is examples 4.7 and 4.3 of Snyder and Shen.
#[test]
fn power_approximation_and_newsvendor() {
    for row in rows("sS_newsvendor") {
        let cost = |column| of(&row, column, Cost::money);
        let costs = PeriodCosts { holding: cost("holding"), missing: cost("stockout") };
        let units = |column| of(&row, column, Quantity::units);
        let demand = PeriodDemand { mean: units("mean"), deviation: units("sd") };
        let levels = power_approximation(cost("fixed"), costs, demand).expect("a demand");
        row.near("s_small", levels.low, EXACT);
        row.near("S_big", levels.high, EXACT);
        let once = once_per_period(costs, demand);
        row.near("newsvendor_S", once.level, EXACT);
        row.near("newsvendor_cost", once.cost, EXACT);
        row.near("critical_ratio", costs.critical_ratio(), EXACT);
    }
}

/// Two independent codings agree, as the file says; row 1 is item C of Krajewski and Ritzman.
#[test]
fn netting() {
    for row in rows("netting") {
        let units = |column| of(&row, column, Quantity::units);
        let lots = Lots {
            safety_stock: units("safety_stock"),
            lead_periods: row.text("lead").parse().expect("whole periods"),
            pack: units("pack"),
            least: units("moq"),
        };
        let (scheduled, gross) = (row.numbers("scheduled", &[';']), row.numbers("gross", &[';']));
        let quantity = |value: &f64| Quantity::units(*value).expect("a quantity");
        let pairs = scheduled.iter().zip(&gross);
        let periods: Vec<Period> =
            pairs.map(|(s, g)| Period { scheduled: quantity(s), gross: quantity(g) }).collect();
        let found = net(units("on_hand"), lots, &periods).expect("a plan");
        row.near_all("planned_receipts", &found.receipts, &[';'], EXACT);
        row.near_all("planned_releases", &found.orders, &[';'], EXACT);
        row.near("late_release", found.late, EXACT);
        row.near_all("projected_on_hand", &found.on_hand, &[';'], EXACT);
    }
}

/// Arithmetic, as the file says.
#[test]
fn shelf_life() {
    for row in rows("shelf_life_fefo") {
        let use_per_day = of(&row, "d_per_day", UsePerDay::units);
        let lot = |text: &str| {
            let (quantity, day) = text.split_once('@').expect("QUANTITY@DAY");
            let number = |text: &str| text.parse::<f64>().expect("a number");
            Lot {
                quantity: Quantity::units(number(quantity)).expect("a quantity"),
                expires_in: Days::new(number(day)).expect("days"),
            }
        };
        let lots: Vec<Lot> = row.text("lots_qty_at_expiry_day").split(';').map(lot).collect();
        let found = use_up(&lots, use_per_day);
        let used: Vec<f64> = found.lots.iter().map(|lot| lot.used.to_units()).collect();
        let expired: Vec<f64> = found.lots.iter().map(|lot| lot.expired.to_units()).collect();
        row.near_all("used_per_lot", &used, &[';'], EXACT);
        row.near_all("expired_per_lot", &expired, &[';'], EXACT);
        row.near_or_none("cover_days", found.covers.map(Days::to_days), EXACT);
        let days = |column| of(&row, column, Days::new);
        let most = order_max(use_per_day, days("shelf_life_days"), days("lost_days_before_receipt"));
        row.near("max_order", most.to_units(), EXACT);
    }
}
