//! Items on the shelf and what is said of their stock. What to buy stands in [`super::buy`].

use super::fields::{Fields, LINE_MAX, SHORT_MAX, Said};
use super::time::stamp_of;
use super::units::decimal;
use fettler_domain::error::Error;
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Counted, LOTS_MAX, Ordering, Receipt, Shelf};
use fettler_domain::shelf::said::StockSaid;
use fettler_domain::shop::limits::{TEXT_MAX, UNIT_MAX};
use fettler_domain::text::{ForeignName, Name};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::{KeptItem, StockDone, StockTold, Withdrawal};

/// How far ahead open orders set something aside where it is not said, in shop days.
const WITHIN_DAYS_DEFAULT: u32 = 30;
/// How far at most.
const WITHIN_DAYS_MAX: u32 = 366;

/// Reads an item's card.
pub fn item_card(fields: &mut Fields, said: &v1::ItemCard) -> Option<ItemCard> {
    let name = fields.name("name", &said.name)?;
    let plain = ItemCard::plain(name);
    let code = fields.optional_name("code", &said.code);
    let unit = fields.line("unit", &said.unit, UNIT_MAX);
    let pack = optional_positive(fields, "pack", &said.pack);
    let least = if said.least.is_empty() {
        Some(Amount::ZERO)
    } else {
        not_less_than_zero(fields, "least", &said.least)
    };
    let lead_days = said.lead_days.map_or(Some(plain.lead_days), |days| whole(fields, "lead_days", days));
    let lead_spread_days = whole(fields, "lead_spread_days", said.lead_spread_days);
    let shelf_life_days = whole(fields, "shelf_life_days", said.shelf_life_days);
    let lost_days = whole(fields, "lost_days", said.lost_days);
    let data_sheet = fields.line("data_sheet", &said.data_sheet, TEXT_MAX);
    let service = match said.service_percent {
        0 => Some(plain.service_percent),
        percent => whole(fields, "service_percent", percent),
    };
    let order_cost = optional_positive(fields, "order_cost", &said.order_cost);
    let holding_cost = optional_positive(fields, "holding_cost", &said.holding_cost);
    let unit_cost = optional_positive(fields, "unit_cost", &said.unit_cost);
    Some(ItemCard {
        code: code?,
        unit: unit.map(|unit| if unit.is_empty() { plain.unit.clone() } else { unit })?,
        pack: pack?.unwrap_or(plain.pack),
        least: least?,
        lead_days: lead_days?,
        lead_spread_days: lead_spread_days?,
        shelf_life_days: shelf_life_days.map(|days| (days > 0).then_some(days))?,
        lost_days: lost_days?,
        hazardous: said.hazardous,
        data_sheet: data_sheet?.trim().to_owned(),
        service_percent: service?,
        order_cost: order_cost?,
        holding_cost: holding_cost?,
        unit_cost: unit_cost?,
        retire: said.retire,
        ..plain
    })
}

/// A whole number of at least 0; how large it may be is the declaration's to say.
fn whole(fields: &mut Fields, field: &str, value: i32) -> Option<u32> {
    fields.number(field, value, 0, i32::MAX.unsigned_abs())
}

pub(super) fn optional_positive(fields: &mut Fields, field: &str, value: &str) -> Said<Option<Amount>> {
    if value.is_empty() { Some(None) } else { positive(fields, field, value).map(Some) }
}

/// A required amount of more than 0, in thousandths.
fn positive(fields: &mut Fields, field: &str, value: &str) -> Option<Amount> {
    let amount = fields.amount(field, value, Unit::Cycles)?;
    if amount <= Amount::ZERO {
        fields.wrong(field, format!("`{value}` is not more than 0; give a larger number"));
        return None;
    }
    Some(amount)
}

fn not_less_than_zero(fields: &mut Fields, field: &str, value: &str) -> Option<Amount> {
    let amount = fields.amount(field, value, Unit::Cycles)?;
    if amount < Amount::ZERO {
        fields.wrong(field, format!("`{value}` is less than 0; give 0 or more"));
        return None;
    }
    Some(amount)
}

/// An item's card on the wire.
pub fn wire_card(card: &ItemCard) -> v1::ItemCard {
    let days = |days: u32| i32::try_from(days).unwrap_or(i32::MAX);
    let of = |amount: Option<Amount>| amount.map(decimal).unwrap_or_default();
    v1::ItemCard {
        name: card.name.to_string(),
        code: card.code.as_ref().map(Name::to_string).unwrap_or_default(),
        unit: card.unit.clone(),
        pack: decimal(card.pack),
        least: of((card.least > Amount::ZERO).then_some(card.least)),
        lead_days: Some(days(card.lead_days)),
        lead_spread_days: days(card.lead_spread_days),
        shelf_life_days: days(card.shelf_life_days.unwrap_or(0)),
        lost_days: days(card.lost_days),
        hazardous: card.hazardous,
        data_sheet: card.data_sheet.clone(),
        service_percent: days(card.service_percent),
        order_cost: of(card.order_cost),
        holding_cost: of(card.holding_cost),
        retire: card.retire,
        unit_cost: of(card.unit_cost),
    }
}

/// What is asked of the stock.
pub struct ListAsk {
    /// Only this item.
    pub item: Option<ForeignName>,
    /// How many days ahead orders set something aside.
    pub within_days: u32,
}

/// Reads what is asked.
pub fn list_ask(ask: &v1::ListStockRequest) -> Result<ListAsk, Error> {
    let mut fields = Fields::new();
    let item = fields.optional_foreign("item", &ask.item);
    let within = fields.number("within_days", ask.within_days, 0, WITHIN_DAYS_MAX);
    let within = within.map(|days| if days == 0 { WITHIN_DAYS_DEFAULT } else { days });
    fields.finish(item.zip(within).map(|(item, within_days)| ListAsk { item, within_days }))
}

fn told(
    fields: Fields,
    item: Option<ForeignName>,
    by: Said<Option<Name>>,
    note: Option<String>,
    said: Option<StockSaid>,
) -> Result<StockTold, Error> {
    let read = item.zip(by).zip(note).zip(said);
    fields.finish(read.map(|(((item, by), note), said)| StockTold { item, said, by, note }))
}

/// Reads what was received.
pub fn received(ask: &v1::ReceiveStockRequest) -> Result<StockTold, Error> {
    let mut fields = Fields::new();
    let item = fields.foreign("item", &ask.item);
    let amount = positive(&mut fields, "quantity", &ask.quantity);
    let lot = fields.optional_name("lot", &ask.lot);
    let expires = fields.optional_day("expires_day", &ask.expires_day);
    let purchase = optional_purchase(&mut fields, ask.purchase);
    let by = fields.optional_name("by", &ask.by);
    let said = (|| {
        Some(StockSaid::Received(Receipt {
            amount: amount?,
            lot: lot?,
            expires: expires?,
            purchase: purchase?,
        }))
    })();
    told(fields, item, by, Some(String::new()), said)
}

fn optional_purchase(fields: &mut Fields, number: i64) -> Said<Option<i64>> {
    if number < 0 {
        fields
            .wrong("purchase", format!("{number} is no purchase's number; give 1 or more, or leave it out"));
        return None;
    }
    Some((number > 0).then_some(number))
}

/// Reads what was counted.
pub fn counted(ask: &v1::CountStockRequest) -> Result<StockTold, Error> {
    let mut fields = Fields::new();
    let item = fields.foreign("item", &ask.item);
    let by = fields.name("by", &ask.by).map(Some);
    let lots = fields.each("lots", &ask.lots, LOTS_MAX, |fields, of| {
        let lot = fields.name("lot", &of.lot);
        let amount = not_less_than_zero(fields, "quantity", &of.quantity);
        let expires = fields.optional_day("expires_day", &of.expires_day);
        Some((lot?, amount?, expires?))
    });
    fields.unique("lots", "lot", ask.lots.iter().map(|of| of.lot.as_str()));
    let said = match (ask.quantity.is_empty(), ask.lots.is_empty()) {
        (false, true) => not_less_than_zero(&mut fields, "quantity", &ask.quantity).map(Counted::Total),
        (true, false) => Some(Counted::Lots(lots)),
        (true, true) => {
            fields.wrong("quantity", "is missing; give what there is in all, or the lots");
            None
        }
        (false, false) => {
            fields.wrong("quantity", "stands beside lots; give what there is in all, or the lots");
            None
        }
    };
    told(fields, item, by, Some(String::new()), said.map(StockSaid::Counted))
}

/// Reads what was taken by hand.
pub fn issued(ask: &v1::IssueStockRequest) -> Result<StockTold, Error> {
    let mut fields = Fields::new();
    let item = fields.foreign("item", &ask.item);
    let amount = positive(&mut fields, "quantity", &ask.quantity);
    let lot = fields.optional_name("lot", &ask.lot);
    let by = fields.name("by", &ask.by).map(Some);
    let note = fields.line("note", &ask.note, LINE_MAX);
    let confirmed = ask.confirmed;
    let said = amount.zip(lot).map(|(amount, lot)| StockSaid::Issued { amount, lot, confirmed });
    told(fields, item, by, note, said)
}

/// Reads which use by hand is taken back, by whom and why.
pub fn withdrawal(ask: &v1::WithdrawIssueRequest) -> Result<Withdrawal, Error> {
    let mut fields = Fields::new();
    let withdrawal = fields.withdrawal(ask.entry, &ask.by, &ask.reason);
    fields.finish(withdrawal)
}

/// Reads what was ordered.
pub fn ordered(ask: &v1::RecordPurchaseRequest) -> Result<StockTold, Error> {
    let mut fields = Fields::new();
    let item = fields.foreign("item", &ask.item);
    let amount = positive(&mut fields, "quantity", &ask.quantity);
    let arrives = fields.optional_day("arrives_day", &ask.arrives_day);
    let reference = fields.line("reference", &ask.reference, SHORT_MAX);
    let purchase = optional_purchase(&mut fields, ask.purchase);
    let by = fields.optional_name("by", &ask.by);
    let said = (|| {
        let ordering =
            Ordering { amount: amount?, arrives: arrives?, reference: reference?, purchase: purchase? };
        Some(StockSaid::Ordered(ordering))
    })();
    told(fields, item, by, Some(String::new()), said)
}

/// Reads what will not come.
pub fn cancelled(ask: &v1::CancelPurchaseRequest) -> Result<StockTold, Error> {
    let mut fields = Fields::new();
    let item = fields.foreign("item", &ask.item);
    let by = fields.optional_name("by", &ask.by);
    let said = optional_purchase(&mut fields, ask.purchase);
    if said == Some(None) {
        fields.wrong("purchase", "is missing; give the number that the stock list shows");
    }
    told(fields, item, by, Some(String::new()), said.flatten().map(StockSaid::Cancelled))
}

/// What came of it, in the fields that all such answers have.
pub fn done(done: &StockDone, today: ShopDay) -> (Option<v1::StockItem>, Vec<String>, i64) {
    (Some(item(&done.item, today)), done.remarks.clone(), done.entry)
}

/// An item with its stock.
pub fn item(kept: &KeptItem, today: ShopDay) -> v1::StockItem {
    let Shelf { lots, purchases, asks, counted_at, .. } = &kept.shelf;
    let usable = kept.shelf.usable(today);
    v1::StockItem {
        number: kept.number,
        card: Some(wire_card(&kept.card)),
        usable: decimal(usable),
        expired: decimal(kept.shelf.in_all() - usable),
        set_aside: kept.set_aside.map(decimal).unwrap_or_default(),
        ordered: decimal(kept.shelf.to_come()),
        lots: lots
            .iter()
            .map(|lot| v1::StockLot {
                lot: lot.lot.to_string(),
                quantity: decimal(lot.amount),
                expires_day: lot.expires.map(|day| day.to_string()).unwrap_or_default(),
                received_day: lot.received.to_string(),
                expired: lot.has_expired(today),
            })
            .collect(),
        purchases: purchases
            .iter()
            .map(|purchase| v1::Purchase {
                number: purchase.number,
                ordered: decimal(purchase.ordered),
                open: decimal(purchase.open),
                ordered_day: purchase.ordered_day.to_string(),
                arrives_day: purchase.arrives.map(|day| day.to_string()).unwrap_or_default(),
                reference: purchase.reference.clone(),
            })
            .collect(),
        findings: kept.shelf.findings(&kept.card, today),
        asks_for_count: asks.is_some(),
        counted_at: stamp_of(*counted_at),
    }
}
