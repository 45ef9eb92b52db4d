//! What other systems book: work that was closed, closings that were undone, and lines of the buy list. Each is told once, under a
//! number, and says for ever what it said when it was told.

use crate::ids::{ClosingId, OrderNumber, PersonId};
use crate::order::{AsFound, ClosingRecord};
use crate::quantity::{Amount, Unit};
use crate::shelf::ItemCard;
use crate::shelf::amount_text;
use crate::shelf::buy::Verdict;
use crate::shop::KitItem;
use crate::time::{MICROS_PER_DAY, MICROS_PER_MINUTE, ShopDay, Ts};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// After how long the buy list is compared again, in microseconds: it walks all machines, and what is to be bought changes by days.
pub const BUY_EVERY_MICROS: i64 = 5 * MICROS_PER_MINUTE;
/// How long a line of the buy list is kept after a later one of its item, in microseconds: a quarter of a year, in which every reader
/// has asked.
pub const BUY_KEPT_MICROS: i64 = 92 * MICROS_PER_DAY;
/// Readers of a site whose places are kept; far more than there are systems that book.
pub const READERS_MAX: usize = 100;

/// What is told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Told {
    /// That work was closed, or that its closing was undone.
    Work(Box<WorkTold>),
    /// What is to be bought of an item.
    Buy(Box<BuyTold>),
}

/// Work that was closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkTold {
    /// The work order.
    pub order: OrderNumber,
    /// The closing that ended it.
    pub closing: ClosingId,
    /// The journal entry that records it: the closing, or its undoing.
    pub entry: i64,
    /// The machine's tag.
    pub machine: String,
    /// The task's key; none for a raised order.
    pub task: Option<String>,
    /// What was done.
    pub title: String,
    /// When it was done.
    pub done_at: Ts,
    /// By whom.
    pub done_by: PersonId,
    /// When it was entered.
    pub entered_at: Ts,
    /// By whom.
    pub entered_by: PersonId,
    /// How the part was found.
    pub as_found: AsFound,
    /// Minutes it took; 0 when not stated.
    pub minutes: u32,
    /// The closing of the larger order that covered it.
    pub covered_by: Option<ClosingId>,
    /// What the machine's meters had counted when it was done, as known when it was told.
    pub meters: Vec<MeterTold>,
    /// What was used.
    pub used: Vec<UsedTold>,
    /// That the closing was undone.
    pub undone: Option<UndoneTold>,
}

/// What a meter had counted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterTold {
    /// Its key on the machine.
    pub meter: String,
    /// How much.
    pub counted: Amount,
    /// In what.
    pub unit: Unit,
    /// Until when it is known.
    pub known_to: Option<Ts>,
}

/// What was used of one thing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UsedTold {
    /// What it is called.
    pub item: String,
    /// Its code in the ERP, where it is an item on the shelf that has one.
    pub code: Option<String>,
    /// How much, a plain decimal text.
    pub quantity: String,
    /// In what.
    pub unit: String,
    /// The lots it came from, each with how much, a plain decimal text.
    pub lots: Vec<(String, String)>,
    /// What a unit costs, in thousandths of the shop's money, where that is declared.
    pub unit_cost: Option<Amount>,
    /// What it all costs.
    pub cost: Option<Amount>,
}

/// That a closing was undone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UndoneTold {
    /// When.
    pub at: Ts,
    /// By whom.
    pub by: PersonId,
    /// The number under which the closing was told that is reversed.
    pub reverses: i64,
}

/// What is to be bought of an item.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BuyTold {
    /// The item's number.
    pub item: i64,
    /// Its name.
    pub name: String,
    /// Its code in the ERP.
    pub code: Option<String>,
    /// In what it is counted.
    pub unit: String,
    /// What the line says; none when nothing is to be bought of it any more.
    pub line: Option<BuyLineTold>,
}

/// A line of the buy list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BuyLineTold {
    /// What it says.
    pub verdict: Verdict,
    /// How much to order; nothing where nothing is to be ordered.
    pub amount: Amount,
    /// How many packs that is.
    pub packs: i64,
    /// By when to order.
    pub order_by: ShopDay,
    /// When it is then expected to arrive.
    pub arrives: ShopDay,
    /// When the shelf runs out without it.
    pub runs_out: Option<ShopDay>,
    /// Why, in one line.
    pub why: String,
    /// What whoever buys should know.
    pub remarks: Vec<String>,
    /// What a unit costs, in thousandths of the shop's money, where that is declared.
    pub unit_cost: Option<Amount>,
    /// What the order comes to.
    pub cost: Option<Amount>,
}

/// What an amount costs, in thousandths of the shop's money: both are in thousandths, and halves are rounded up.
pub fn cost_of(amount: Amount, unit_cost: Amount) -> Amount {
    let thousandths = (i128::from(amount.0) * i128::from(unit_cost.0) + 500).div_euclid(1_000);
    Amount(i64::try_from(thousandths).unwrap_or(i64::MAX))
}

/// What was used of one thing, told with what is known of the item on the shelf that it is.
pub fn used(said: &KitItem, card: Option<&ItemCard>, record: &ClosingRecord) -> UsedTold {
    let of_item = |name: &str| card.is_some_and(|card| card.is_named(name)) || said.item.as_str() == name;
    let lots = record.lots.iter().filter(|lot| of_item(lot.item.as_str()));
    let unit_cost = card.and_then(|card| card.unit_cost);
    let amount = card.and_then(|card| card.amount_of(said));
    UsedTold {
        item: card.map_or_else(|| said.item.to_string(), |card| card.name.to_string()),
        code: card.and_then(|card| card.code.as_ref()).map(ToString::to_string),
        quantity: said.quantity.clone(),
        unit: match card {
            Some(card) if said.unit.is_empty() => card.unit.clone(),
            _ => said.unit.clone(),
        },
        lots: lots.map(|lot| (lot.lot.to_string(), amount_text(lot.amount))).collect(),
        unit_cost,
        cost: amount.zip(unit_cost).map(|(amount, unit_cost)| cost_of(amount, unit_cost)),
    }
}

/// Whether a line says something else to do than one that was told before: how much, by when, or how urgently. Why and what it
/// rests on change every day while that stands.
fn says_otherwise(before: &BuyTold, now: &BuyTold) -> bool {
    let to_do = |told: &BuyTold| {
        let line = told.line.as_ref().map(|line| (line.verdict, line.amount, line.packs, line.order_by));
        (told.name.clone(), told.code.clone(), told.unit.clone(), line)
    };
    to_do(before) != to_do(now)
}

/// The lines that are to be told: those that are new or say something else than they did, and those that are no more.
pub fn buy_changes(told: Vec<BuyTold>, lines: Vec<BuyTold>) -> Vec<BuyTold> {
    let mut before: BTreeMap<i64, BuyTold> = told.into_iter().map(|told| (told.item, told)).collect();
    let mut changes = Vec::new();
    for line in lines {
        match before.remove(&line.item) {
            Some(told) if !says_otherwise(&told, &line) => {}
            Some(_) | None => changes.push(line),
        }
    }
    let gone = before.into_values().filter(|told| told.line.is_some());
    changes.extend(gone.map(|told| BuyTold { line: None, ..told }));
    changes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn buy(item: i64, amount: i64, day: i32) -> BuyTold {
        let line = BuyLineTold {
            verdict: Verdict::Order,
            amount: Amount(amount),
            packs: 1,
            order_by: ShopDay::from_days(day),
            arrives: ShopDay::from_days(day + 7),
            runs_out: None,
            why: "needed".into(),
            remarks: Vec::new(),
            unit_cost: None,
            cost: None,
        };
        BuyTold { item, name: format!("item {item}"), code: None, unit: "L".into(), line: Some(line) }
    }

    #[test]
    fn a_line_is_told_when_it_says_something_else_to_do() {
        let told = vec![buy(1, 20_000, 10), buy(2, 5_000, 10), buy(3, 5_000, 10)];
        let mut same = buy(1, 20_000, 10);
        if let Some(line) = &mut same.line {
            line.why = "needed still".into();
        }
        let now = vec![same, buy(2, 5_000, 12), buy(4, 1_000, 9)];
        let changes = buy_changes(told, now);
        assert_eq!(changes, [buy(2, 5_000, 12), buy(4, 1_000, 9), BuyTold { line: None, ..buy(3, 0, 0) }]);
        assert_eq!(buy_changes(changes[2..].to_vec(), Vec::new()), [], "what is no more is told once");
        let back = buy_changes(changes[2..].to_vec(), vec![buy(3, 5_000, 10)]);
        assert_eq!(back, [buy(3, 5_000, 10)]);
    }

    #[test]
    fn a_cost_is_the_amount_by_what_a_unit_costs() {
        // 2.5 L at 7.35: 18.375, by arithmetic.
        assert_eq!(cost_of(Amount(2_500), Amount(7_350)), Amount(18_375));
        assert_eq!(cost_of(Amount(1), Amount(500)), Amount(1), "half a thousandth is rounded up");
        assert_eq!(cost_of(Amount(1), Amount(499)), Amount(0));
        assert_eq!(cost_of(Amount(i64::MAX), Amount(i64::MAX)), Amount(i64::MAX));
    }
}
