//! Calculators of orders: how much at once, and when.

use super::Calculator;
use super::found::{Column, Found};
use super::given::{Given, Input, Problem};
use fettler_domain::consumables::order_quantity::Costs;
use fettler_domain::consumables::reorder::{Demand, LeadTime, Position, periodic_review, reorder_point};
use fettler_domain::consumables::stock::{Cost, CycleService, Quantity, UsePerDay, UsePerYear};
use fettler_domain::physics::measure::{Bounds, Days};

/// What a pack holds; none holds nothing.
pub(super) const PACK: Bounds = Bounds::above(0.0, 1e12, "units");

const D_PER_DAY: Input = Input::number("d_per_day", UsePerDay::BOUNDS, "mean use in a day");
const SD_DAY: Input = Input::number("sd_day", UsePerDay::BOUNDS, "its standard deviation from day to day");
const LEAD_DAYS: Input = Input::number("lead_days", Days::BOUNDS, "mean time from order to receipt");
const SERVICE: Input =
    Input::number("service", CycleService::BOUNDS, "chance that an order arrives before the shelf is empty");

/// How much at once.
pub(super) static EOQ: Calculator = Calculator {
    name: "eoq",
    about: "the quantity at which ordering and holding cost least together",
    formula: "Q = sqrt(2 K D / h); cost = sqrt(2 K D h); at another quantity K D / Q + h Q / 2\n\
              packs: the cheaper of the two whole numbers next to Q; cycle = 365 Q / D days",
    inputs: &[
        Input::number("order_cost", Cost::BOUNDS, "K, cost of an order, however large"),
        Input::number("holding_per_unit_year", Cost::BOUNDS, "h, cost of holding a unit for a year"),
        Input::number("demand_per_year", UsePerYear::BOUNDS, "D, use in a year"),
        Input::number("pack", PACK, "what a pack holds").default("1"),
    ],
    results: &[
        Column::new("eoq", "units", "quantity"),
        Column::new("cost_year", "money/year", "ordering and holding, at that quantity"),
        Column::new("pack_qty", "units", "whole packs next to it that cost less"),
        Column::new("cost_at_pack_qty", "money/year", "ordering and holding, at the packs"),
        Column::new("cycle_days", "days", "from order to order"),
    ],
    range: "a steady use and one price; the minimum is flat. Any period may stand for the year, the cycle then counts \
            365 to it",
    source: "Harris' formula, as in Snyder and Shen, example 3.1, and Hillier and Lieberman",
    cautions: &[],
    compute: |given| {
        let costs = Costs {
            order: given.measure("order_cost", Cost::money)?,
            holding_unit_year: given.measure("holding_per_unit_year", Cost::money)?,
            used: given.measure("demand_per_year", UsePerYear::units)?,
        };
        let found = costs.best(given.measure("pack", Quantity::units)?);
        let found = found.map_err(|error| given.problem("pack", error))?;
        Ok(Found::new([
            found.quantity.to_units().into(),
            found.cost_year.into(),
            found.packed.to_units().into(),
            found.packed_cost_year.into(),
            found.cycle.to_days().into(),
        ]))
    },
};

fn demand(given: &Given) -> Result<Demand, Problem> {
    Ok(Demand {
        mean: given.measure("d_per_day", UsePerDay::units)?,
        deviation: given.measure("sd_day", UsePerDay::units)?,
    })
}

/// When the shelf is low.
pub(super) static REORDER_POINT: Calculator = Calculator {
    name: "reorder_point",
    about: "the stock at which an order must go out",
    formula: "sigma = sqrt(L sd^2 + d^2 sL^2); safety stock = z sigma; point = d L + safety stock\n\
              short in a cycle = sigma (phi(z) - z (1 - Phi(z))); fill rate = 1 - short / Q",
    inputs: &[
        D_PER_DAY,
        SD_DAY,
        LEAD_DAYS,
        Input::number("sd_lead_days", Days::BOUNDS, "its standard deviation").default("0"),
        SERVICE,
        Input::number("q", PACK, "Q, how much is ordered at once").may_be_missing("no fill rate is told"),
    ],
    results: &[
        Column::new("z", "", "quantile of the normal distribution for the chance"),
        Column::new("sigma_dlt", "units", "standard deviation of the use while an order is on its way"),
        Column::new("safety_stock", "units", "kept against it"),
        Column::new("rop", "units", "order when so much is left"),
        Column::new("rop_ceil", "units", "the same in whole units"),
        Column::new("esc", "units", "missing on average when an order arrives"),
        Column::new("fill_rate", "", "share of the use that the shelf serves").or("no quantity was given"),
    ],
    range: "use and lead time normal and independent; below 10 units in a lead time take a slow mover's rule. The chance \
            is that of a cycle without a gap; the fill rate is another number",
    source: "Taylor and Russell; Stevenson; Heizer and Render (books round z, here it is exact)",
    cautions: &[],
    compute: point,
};

fn point(given: &Given) -> Result<Found, Problem> {
    let lead = LeadTime {
        mean: given.measure("lead_days", Days::new)?,
        deviation: given.measure("sd_lead_days", Days::new)?,
    };
    let found = reorder_point(demand(given)?, lead, given.measure("service", CycleService::chance)?);
    let order = given.maybe("q").map(Quantity::units).transpose();
    let order = order.map_err(|error| given.problem("q", error))?;
    Ok(Found::new([
        found.z.into(),
        found.deviation.into(),
        found.safety_stock.into(),
        found.point.into(),
        found.whole().into(),
        found.short_per_cycle.into(),
        order.and_then(|order| found.fill_rate(order)).into(),
    ]))
}

/// At fixed times.
pub(super) static PERIODIC_REVIEW: Calculator = Calculator {
    name: "periodic_review",
    about: "how much to order when the shelf is looked at every so many days",
    formula: "up to S = d (L + R) + z sd sqrt(L + R); order S - on hand - on order, raised to whole packs",
    inputs: &[
        D_PER_DAY,
        SD_DAY,
        LEAD_DAYS,
        Input::number("review_days", Days::BOUNDS, "days from look to look"),
        SERVICE,
        Input::number("on_hand", Quantity::BOUNDS, "what is on the shelf"),
        Input::number("on_order", Quantity::BOUNDS, "what is ordered, with a confirmed day").default("0"),
        Input::number("pack", PACK, "what a pack holds").default("1"),
    ],
    results: &[
        Column::new("safety_stock", "units", "kept against scatter"),
        Column::new("order_up_to", "units", "level up to which to order"),
        Column::new("need", "units", "what is missing to it"),
        Column::new("order_qty", "units", "the same in whole packs"),
    ],
    range: "use normal, lead time certain",
    source: "the order-up-to rule of the textbooks on operations (R, S)",
    cautions: &[],
    compute: |given| {
        let days = |name| given.measure(name, Days::new);
        let units = |name| given.measure(name, Quantity::units);
        let position = Position { on_hand: units("on_hand")?, on_order: units("on_order")? };
        let service = given.measure("service", CycleService::chance)?;
        let (lead, review) = (days("lead_days")?, days("review_days")?);
        let found = periodic_review(demand(given)?, lead, review, service, position, units("pack")?);
        let found = found.map_err(|error| given.problem("pack", error))?;
        Ok(Found::new([
            found.safety_stock.into(),
            found.order_up_to.into(),
            found.need.to_units().into(),
            found.order.to_units().into(),
        ]))
    },
};
