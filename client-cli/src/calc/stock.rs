//! Calculators of stock: levels, netting and shelf life.

use super::found::{Column, Found};
use super::given::{Given, Input, Problem};
use super::ordering::PACK;
use super::{Calculator, WASTE};
use fettler_domain::consumables::netting::{Lots, Period, net};
use fettler_domain::consumables::policy::{PeriodCosts, PeriodDemand, once_per_period, power_approximation};
use fettler_domain::consumables::shelf_life::{Lot, LotUse, order_max, use_up};
use fettler_domain::consumables::stock::{Cost, Quantity, UsePerDay};
use fettler_domain::physics::measure::{Bounds, Days, Impossible};

const SCATTERED: Bounds = Bounds::above(0.0, 1e12, "units");
const PERIODS: Bounds = Bounds::closed(0.0, 1_000.0, "periods");
/// The most lots that a shelf is taken to hold.
const LOTS_MAX: usize = 1_000;

/// Order up to S once the stock is at s.
pub(super) static LOW_HIGH: Calculator = Calculator {
    name: "sS_newsvendor",
    about: "order up to S once the stock is at s; and what to have where an order costs nothing",
    formula: "Q = 1.30 m^0.494 (K/h)^0.506 (1 + sd^2/m^2)^0.116; z = sqrt(Q h / (sd p))\n\
              s = 0.973 m + sd (0.183/z + 1.063 - 2.192 z); S = s + Q\n\
              newsvendor: critical ratio p / (p + h), level m + z sd, cost (h + p) sd phi(z)",
    inputs: &[
        Input::number("holding", Cost::BOUNDS, "h, cost of a unit left over in a period"),
        Input::number("stockout", Cost::BOUNDS, "p, cost of a unit missing in a period"),
        Input::number("fixed", Cost::BOUNDS, "K, cost of an order"),
        Input::number("mean", SCATTERED, "m, mean use in a period with its lead time"),
        Input::number("sd", SCATTERED, "its standard deviation"),
    ],
    results: &[
        Column::new("s_small", "units", "s, order at this stock"),
        Column::new("S_big", "units", "S, up to this level"),
        Column::new("newsvendor_S", "units", "level for one period, or where an order costs nothing"),
        Column::new("newsvendor_cost", "money", "its mean cost in a period"),
        Column::new("critical_ratio", "", "the chance of having enough that costs least"),
    ],
    range: "normal use; s and S are an approximation, fitted where Q is some periods' use",
    source: "Ehrhardt and Mosier 1984; Snyder and Shen, examples 4.3 and 4.7",
    cautions: &[],
    compute: |given| {
        let cost = |name| given.measure(name, Cost::money);
        let costs = PeriodCosts { holding: cost("holding")?, missing: cost("stockout")? };
        let units = |name| given.measure(name, Quantity::units);
        let demand = PeriodDemand { mean: units("mean")?, deviation: units("sd")? };
        let levels = power_approximation(cost("fixed")?, costs, demand);
        let levels = levels.map_err(|error| given.problem("sd", error))?;
        let once = once_per_period(costs, demand);
        Ok(Found::new([
            levels.low.into(),
            levels.high.into(),
            once.level.into(),
            once.cost.into(),
            costs.critical_ratio().into(),
        ]))
    },
};

/// Needs against stock.
pub(super) static NETTING: Calculator = Calculator {
    name: "netting",
    about: "what to order in which period: known needs against stock and scheduled receipts",
    formula: "stock = stock before + scheduled - gross; below the safety stock receive\n\
              q = ceil(max(safety stock - stock, least order) / pack) x pack, ordered lead periods earlier",
    inputs: &[
        Input::number("on_hand", Quantity::BOUNDS, "what is on the shelf before the first period"),
        Input::numbers("scheduled", Quantity::BOUNDS, "receipts that are confirmed, period by period")
            .may_be_missing("nothing is on its way"),
        Input::numbers("gross", Quantity::BOUNDS, "needs, period by period"),
        Input::number("safety_stock", Quantity::BOUNDS, "what is never used up").default("0"),
        Input::whole("lead", PERIODS, "from order to receipt").default("0"),
        Input::number("pack", PACK, "what a pack holds").default("1"),
        Input::number("moq", Quantity::BOUNDS, "least order").default("0"),
    ],
    results: &[
        Column::new("planned_receipts", "units", "to be received, period by period"),
        Column::new("planned_releases", "units", "to be ordered, period by period"),
        Column::new("late_release", "units", "should have been ordered already: hurry it"),
        Column::new("projected_on_hand", "units", "on the shelf at the end of each period"),
    ],
    range: "known needs; what has no confirmed day is no scheduled receipt",
    source: "netting as in Orlicky; item C of Krajewski and Ritzman",
    cautions: &[],
    compute: netting,
};

fn netting(given: &Given) -> Result<Found, Problem> {
    let units = |name| given.measure(name, Quantity::units);
    let gross = given.numbers("gross");
    let scheduled = given.numbers("scheduled");
    if !scheduled.is_empty() && scheduled.len() != gross.len() {
        let text = format!("has {} periods, gross has {}; give as many", scheduled.len(), gross.len());
        return Err(given.problem("scheduled", Impossible(text)));
    }
    let quantity = |name, number: f64| Quantity::units(number).map_err(|error| given.problem(name, error));
    let mut periods = Vec::with_capacity(gross.len());
    for (index, needed) in gross.iter().enumerate() {
        let expected = scheduled.get(index).copied().unwrap_or(0.0);
        periods
            .push(Period { gross: quantity("gross", *needed)?, scheduled: quantity("scheduled", expected)? });
    }
    let lots = Lots {
        safety_stock: units("safety_stock")?,
        lead_periods: given.whole("lead") as usize,
        pack: units("pack")?,
        least: units("moq")?,
    };
    let plan = net(units("on_hand")?, lots, &periods).map_err(|error| given.problem("gross", error))?;
    let late = (plan.late > 0.0).then(|| {
        let first = plan.receipts.iter().position(|received| *received > 0.0).map_or(1, |index| index + 1);
        format!("the order for period {first} is late already: hurry it, or the shelf falls below its safety stock")
    });
    let values = [plan.receipts.into(), plan.orders.into(), plan.late.into(), plan.on_hand.into()];
    Ok(Found::new(values).remark(late))
}

/// What expires.
pub(super) static SHELF_LIFE: Calculator = Calculator {
    name: "shelf_life_fefo",
    about: "what of a shelf is used before it expires, first expired first out, and how much may be ordered",
    formula: "used of a lot = min(quantity, d x max(0, expiry - day it is begun)); the rest expires\n\
              most to order = d x (shelf life - days lost before receipt)",
    inputs: &[
        Input::text("lots_qty_at_expiry_day", "46@92;51@126", "lots: quantity, @, days until it expires"),
        Input::number("d_per_day", UsePerDay::BOUNDS, "use in a day"),
        Input::number("shelf_life_days", Days::BOUNDS, "shelf life of a fresh lot"),
        Input::number("lost_days_before_receipt", Days::BOUNDS, "of it lost before it arrives").default("0"),
    ],
    results: &[
        Column::new("used_per_lot", "units", "used in time, lot by lot"),
        Column::new("expired_per_lot", "units", "expires, lot by lot"),
        Column::new("cover_days", "days", "for how long what is used suffices").or("nothing is used"),
        Column::new("max_order", "units", "most to order, if nothing else is on the shelf"),
    ],
    range: "a steady use; a lot is begun when the one before it is used up or expired",
    source: "arithmetic",
    cautions: &["Expired chemicals are waste: hand them to a licensed carrier.", WASTE],
    compute: shelf_life,
};

fn shelf_life(given: &Given) -> Result<Found, Problem> {
    let name = "lots_qty_at_expiry_day";
    let lots = lots(given.text(name)).map_err(|error| given.problem(name, error))?;
    let use_per_day = given.measure("d_per_day", UsePerDay::units)?;
    let found = use_up(&lots, use_per_day);
    let days = |name| given.measure(name, Days::new);
    let most = order_max(use_per_day, days("shelf_life_days")?, days("lost_days_before_receipt")?);
    let each = |of: fn(&LotUse) -> Quantity| -> Vec<f64> {
        found.lots.iter().map(|lot| of(lot).to_units()).collect()
    };
    Ok(Found::new([
        each(|lot| lot.used).into(),
        each(|lot| lot.expired).into(),
        found.covers.map(Days::to_days).into(),
        most.to_units().into(),
    ]))
}

fn lots(text: &str) -> Result<Vec<Lot>, Impossible> {
    let lot = |part: &str| {
        let bad = || Impossible(format!("`{part}` is no lot; write lots like 46@92;51@126"));
        let (quantity, days) = part.split_once('@').ok_or_else(bad)?;
        let number = |text: &str| text.trim().parse::<f64>().map_err(|_| bad());
        Ok(Lot { quantity: Quantity::units(number(quantity)?)?, expires_in: Days::new(number(days)?)? })
    };
    let parts: Vec<&str> = text.split(';').collect();
    if parts.len() > LOTS_MAX {
        return Err(Impossible(format!("{} lots are more than {LOTS_MAX}; sum some of them", parts.len())));
    }
    parts.into_iter().map(lot).collect()
}
