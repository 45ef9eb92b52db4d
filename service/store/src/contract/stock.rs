//! The shelf: items with their stock, what is said of it, and what to buy.

use fettler_domain::ids::PersonId;
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::Shelf;
use fettler_domain::shelf::buy::BuyLine;
use fettler_domain::shelf::said::StockSaid;
use fettler_domain::text::{ForeignName, Name};
use fettler_domain::time::{ShopDay, Ts};

/// An item as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptItem {
    /// Its number.
    pub number: i64,
    /// Its card.
    pub card: ItemCard,
    /// What there is of it.
    pub shelf: Shelf,
    /// What open orders set aside; none where that was not asked for.
    pub set_aside: Option<Amount>,
}

/// Which items to list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StockFilter {
    /// Only this one, by its name or code.
    pub item: Option<ForeignName>,
    /// Only those about which something stands open on this day.
    pub with_findings: Option<ShopDay>,
    /// Open orders that are due before this instant set something aside.
    pub before: Ts,
}

/// Something said of an item's stock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StockTold {
    /// The item, by its name or code.
    pub item: ForeignName,
    /// What is said.
    pub said: StockSaid,
    /// Who says it, where a person does.
    pub by: Option<Name>,
    /// What for.
    pub note: String,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct StockDone {
    /// The item as it stands now.
    pub item: KeptItem,
    /// What whoever said it should know.
    pub remarks: Vec<String>,
    /// The journal entry.
    pub entry: i64,
    /// The number of the purchase that was recorded.
    pub purchase: Option<i64>,
    /// Who said it.
    pub by: Option<PersonId>,
}

/// What to look at for the buy list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BuyFilter {
    /// The last day that is looked at, where items' lead times do not ask for more.
    pub until: ShopDay,
    /// Only this item, by its name or code.
    pub item: Option<ForeignName>,
}

/// What to buy.
#[derive(Clone, Debug, PartialEq)]
pub struct BuyList {
    /// The last day that was looked at.
    pub until: ShopDay,
    /// The lines, by the day by which to order and the item's name.
    pub lines: Vec<(KeptItem, BuyLine)>,
    /// What kits name that is no item, or is counted in another unit; at most [`NOT_COUNTED_MAX`].
    pub not_counted: Vec<String>,
}

/// The most names that a buy list gives of what it cannot count.
pub const NOT_COUNTED_MAX: usize = 100;

/// What is to be taken back of what was recorded: a reading, an entry of the record of fluids, a use by hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Withdrawal {
    /// The entry.
    pub entry: i64,
    /// Who takes it back.
    pub by: Name,
    /// Why.
    pub reason: String,
}
