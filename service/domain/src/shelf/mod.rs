//! The shelf: items that a shop uses up, what there is of them, what the work ahead needs, and what to buy.
//!
//! [`book`] is an item's stock and what changes it, [`said`] what people and the ERP say of it; [`need`] is what is needed
//! when, and how sure that is; [`buy`] the line of the buy list that follows. The formulas stand in
//! [`crate::consumables`].

pub mod book;
pub mod buy;
pub mod need;
pub mod said;

use crate::consumables::stock::Quantity;
use crate::quantity::{Amount, Unit};
use crate::shop::KitItem;
use crate::text::Name;
use serde::{Deserialize, Serialize};

/// The unit of what is counted where none is said.
pub const PIECES: &str = "pcs";
/// From order to receipt where it is not said, in days (common practice, no source).
pub const LEAD_DAYS_DEFAULT: u32 = 7;
/// The longest lead time and its greatest spread, in days: as far as the buy list looks.
pub const LEAD_DAYS_MAX: u32 = 366;
/// The longest shelf life, in days: a hundred years.
pub const SHELF_LIFE_DAYS_MAX: u32 = 36_500;
/// The chance that the shelf does not run out before an order arrives where none is said, in percent (common practice, no
/// source).
pub const SERVICE_PERCENT_DEFAULT: u32 = 95;
/// The lowest service level: below an even chance a safety stock would be less than none.
pub const SERVICE_PERCENT_MIN: u32 = 50;
/// The highest service level; nothing on a shelf is certain.
pub const SERVICE_PERCENT_MAX: u32 = 99;

/// An item as it is declared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemCard {
    /// What it is called on the shelf, as kits name it.
    pub name: Name,
    /// Its code in the ERP.
    pub code: Option<Name>,
    /// In what it is counted; never empty.
    pub unit: String,
    /// What a pack holds.
    pub pack: Amount,
    /// The least that is ordered at once.
    pub least: Amount,
    /// From order to receipt, in days.
    pub lead_days: u32,
    /// The standard deviation of that, in days.
    pub lead_spread_days: u32,
    /// For how long it may be kept, in days.
    pub shelf_life_days: Option<u32>,
    /// How much of that is gone when it is received, in days.
    pub lost_days: u32,
    /// Whether it can hurt someone.
    pub hazardous: bool,
    /// Where its safety data sheet is kept.
    pub data_sheet: String,
    /// The chance that the shelf does not run out before an order arrives, in percent.
    pub service_percent: u32,
    /// What an order costs, in thousandths of the shop's money.
    pub order_cost: Option<Amount>,
    /// What it costs to hold a unit for a year, in thousandths of the shop's money.
    pub holding_cost: Option<Amount>,
    /// Whether it is no longer bought.
    pub retire: bool,
    /// What a unit of it costs, in thousandths of the shop's money.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_cost: Option<Amount>,
}

impl ItemCard {
    /// An item of which nothing but the name is said.
    pub fn plain(name: Name) -> ItemCard {
        ItemCard {
            name,
            code: None,
            unit: PIECES.to_owned(),
            pack: Amount(Unit::Cycles.per_unit()),
            least: Amount::ZERO,
            lead_days: LEAD_DAYS_DEFAULT,
            lead_spread_days: 0,
            shelf_life_days: None,
            lost_days: 0,
            hazardous: false,
            data_sheet: String::new(),
            service_percent: SERVICE_PERCENT_DEFAULT,
            order_cost: None,
            holding_cost: None,
            retire: false,
            unit_cost: None,
        }
    }

    /// Whether it is hazardous and its safety data sheet is missing.
    pub fn lacks_data_sheet(&self) -> bool {
        self.hazardous && self.data_sheet.is_empty()
    }

    /// Whether a kit or a closing means this item.
    pub fn is_named(&self, name: &str) -> bool {
        self.name.as_str() == name || self.code.as_ref().is_some_and(|code| code.as_str() == name)
    }

    /// How much of this item a kit or a closing means; none where it is said in another unit.
    pub fn amount_of(&self, said: &KitItem) -> Option<Amount> {
        // Without a unit the item's own is meant: who takes 2 of an oil that is counted in litres takes two litres.
        let is_its = said.unit.is_empty() || said.unit == self.unit;
        is_its.then(|| said.checked_quantity().ok()).flatten()
    }

    /// An amount with the unit: "2.5 L".
    pub fn says(&self, amount: Amount) -> String {
        format!("{} {}", amount_text(amount), self.unit)
    }
}

/// An amount of an item as decimal text.
pub fn amount_text(amount: Amount) -> String {
    amount.to_text(Unit::Cycles, 3)
}

/// An amount as the formulas take it; what is below nothing is nothing.
#[expect(clippy::cast_precision_loss, reason = "amounts are below 2^53")]
pub(crate) fn units(amount: Amount) -> f64 {
    amount.0.max(0) as f64 / Unit::Cycles.per_unit() as f64
}

/// An amount as a quantity of the formulas.
pub(crate) fn quantity(amount: Amount) -> Quantity {
    Quantity(units(amount))
}
