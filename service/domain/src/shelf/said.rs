//! What people and the ERP say of an item's stock, and what each of it changes.

use super::book::{Counted, Ordering, Receipt, Shelf, Taken, findings_of_use};
use super::{ItemCard, amount_text};
use crate::error::{Error, Question, Violation};
use crate::journal::Kind;
use crate::quantity::Amount;
use crate::text::Name;
use crate::time::{ShopDay, Ts};
use serde_json::{Value, json};

/// Something said of an item's stock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StockSaid {
    /// Some was received.
    Received(Receipt),
    /// It was counted.
    Counted(Counted),
    /// Some was taken off the shelf by hand.
    Issued {
        /// How much.
        amount: Amount,
        /// From which lot, where that is said.
        lot: Option<Name>,
        /// Whether it is so although the book holds less.
        confirmed: bool,
    },
    /// Some was ordered, or an open purchase is restated.
    Ordered(Ordering),
    /// What is open of a purchase will not come.
    Cancelled(i64),
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Applied {
    /// The kind of fact.
    pub kind: Kind,
    /// What was said, as the journal keeps it beside the state.
    pub said: Value,
    /// What whoever said it should know.
    pub remarks: Vec<String>,
    /// What was taken by hand.
    pub taken: Option<Taken>,
    /// The number of the purchase that was recorded.
    pub purchase: Option<i64>,
}

impl Applied {
    fn of(kind: Kind, said: Value, remarks: Vec<String>) -> Applied {
        Applied { kind, said, remarks, taken: None, purchase: None }
    }
}

/// Applies what was said. What was done is taken as it was said; an intention may be refused.
pub fn apply(
    card: &ItemCard,
    shelf: &mut Shelf,
    said: &StockSaid,
    today: ShopDay,
    now: Ts,
) -> Result<Applied, Error> {
    match said {
        StockSaid::Received(receipt) => received(card, shelf, receipt, today),
        StockSaid::Counted(counted) => {
            let more = shelf.count(counted, today, now).map_err(one)?;
            let remark = match more.0 {
                0 => "as the book says".to_owned(),
                1.. => format!("{} more than by the book", card.says(more)),
                _ => format!("{} less than by the book", card.says(Amount(-more.0))),
            };
            let value = json!({ "counted": shelf.in_all().0, "more": more.0 });
            Ok(Applied::of(Kind::StockCounted, value, vec![remark]))
        }
        StockSaid::Issued { amount, lot, confirmed } => {
            if let Some(question) = asked_back(card, shelf, *amount, lot.as_ref()).filter(|_| !confirmed) {
                return Err(Error::AskedBack(vec![question]));
            }
            let used = use_up(card, shelf, *amount, lot.as_ref(), today, now);
            let value = json!({ "amount": amount.0, "taken": taken_value(&used.taken) });
            let applied = Applied::of(Kind::StockIssued, value, used.findings);
            Ok(Applied { taken: Some(used.taken), ..applied })
        }
        StockSaid::Ordered(ordering) => ordered(card, shelf, ordering, today),
        StockSaid::Cancelled(number) => {
            let open = shelf.cancel(*number).map_err(one)?;
            let remark = format!("{} will not come", card.says(open));
            let value = json!({ "purchase": number, "amount": open.0 });
            Ok(Applied::of(Kind::PurchaseCancelled, value, vec![remark]))
        }
    }
}

/// A use, by hand or for a work order.
#[derive(Clone, Debug, PartialEq)]
pub struct Used {
    /// What was taken.
    pub taken: Taken,
    /// What was not as it should be about it.
    pub findings: Vec<String>,
}

/// What is by the book of the lot that is named, else of all.
fn by_the_book(shelf: &Shelf, lot: Option<&Name>) -> Amount {
    let there = shelf.lots.iter().filter(|on_shelf| lot.is_none_or(|lot| on_shelf.lot == *lot));
    there.map(|lot| lot.amount).sum()
}

/// A question where more is said to have been taken by hand than there is by the book: it may be a slip, and the book may be
/// wrong, so it is asked once and taken where it is so.
fn asked_back(card: &ItemCard, shelf: &Shelf, amount: Amount, lot: Option<&Name>) -> Option<Question> {
    let was = by_the_book(shelf, lot);
    let of_lot = lot.map(|lot| format!(" of lot {lot}")).unwrap_or_default();
    let text = format!(
        "{} is more than the {}{of_lot} by the book; if it is so, confirm it (`--it-is-so`)",
        card.says(amount),
        card.says(was)
    );
    (amount > was).then(|| Question::new("quantity", text))
}

/// Takes what was used off the shelf, whatever the book says.
pub fn use_up(
    card: &ItemCard,
    shelf: &mut Shelf,
    amount: Amount,
    lot: Option<&Name>,
    on: ShopDay,
    now: Ts,
) -> Used {
    let was = by_the_book(shelf, lot);
    let taken = shelf.take(amount, lot, on, now);
    let findings = findings_of_use(card, lot, &taken, was, on);
    Used { taken, findings }
}

/// What was taken, as the journal keeps it.
pub fn taken_value(taken: &Taken) -> Value {
    let lots: Vec<Value> =
        taken.from.iter().map(|part| json!({ "lot": part.lot.as_str(), "amount": part.amount.0 })).collect();
    json!({ "lots": lots, "beyond": taken.beyond.0 })
}

fn received(card: &ItemCard, shelf: &mut Shelf, receipt: &Receipt, today: ShopDay) -> Result<Applied, Error> {
    let (lot, arrived) = shelf.receive(card, receipt, today).map_err(one)?;
    let mut remarks: Vec<String> = Vec::new();
    for (number, amount) in &arrived {
        let open = shelf.purchases.iter().find(|purchase| purchase.number == *number);
        let rest = open.map_or("all of it is here".to_owned(), |purchase| {
            format!("{} still to come", card.says(purchase.open))
        });
        remarks.push(format!("{} of purchase {number}; {rest}", card.says(*amount)));
    }
    if lot.has_expired(today) {
        let day = lot.expires.map(|day| day.to_string()).unwrap_or_default();
        remarks.push(format!("lot {} had expired on {day} when it came; send it back", lot.lot));
        if !shelf.purchases.is_empty() {
            remarks.push("it fills no purchase: what was ordered is still to come".to_owned());
        }
    }
    if card.lacks_data_sheet() {
        remarks.push(
            "hazardous, and no safety data sheet: ask the supplier for it before it is used".to_owned(),
        );
    }
    let arrived: Vec<Value> =
        arrived.iter().map(|(number, amount)| json!({ "purchase": number, "amount": amount.0 })).collect();
    let value = json!({
        "lot": lot.lot.as_str(),
        "amount": receipt.amount.0,
        "expires": lot.expires.map(|day| day.to_string()),
        "purchases": arrived,
    });
    Ok(Applied::of(Kind::StockReceived, value, remarks))
}

fn ordered(card: &ItemCard, shelf: &mut Shelf, said: &Ordering, today: ShopDay) -> Result<Applied, Error> {
    let refused = |reason, text| Error::WrongState { reason, subject: format!("item {}", card.name), text };
    if card.lacks_data_sheet() {
        let text = format!(
            "{} is hazardous and has no safety data sheet, so it is not bought; get its sheet from the supplier, declare \
             where it is kept as the item's data_sheet, and order it then",
            card.name
        );
        return Err(refused("NO_SAFETY_DATA_SHEET", text));
    }
    if card.retire && said.purchase.is_none() {
        let text = format!("{} is no longer bought; declare it without retire to buy it again", card.name);
        return Err(refused("ITEM_NOT_BOUGHT", text));
    }
    if let Some(day) = said.arrives.filter(|day| *day < today) {
        return Err(Error::invalid(
            "arrives_day",
            format!("{day} is past, today is {today}; give a day to come"),
        ));
    }
    let number = shelf.order(said, today).map_err(one)?;
    let mut remarks = Vec::new();
    if said.arrives.is_none() && shelf.purchases.iter().any(|p| p.number == number && p.arrives.is_none()) {
        let day = today.plus_days(i64::from(card.lead_days));
        remarks.push(format!("not confirmed by its supplier: expected on {day}, after its lead time"));
    }
    if said.amount.0 % card.pack.0 != 0 {
        remarks.push(format!("no whole packs of {} {}", amount_text(card.pack), card.unit));
    }
    let value = json!({
        "purchase": number,
        "amount": said.amount.0,
        "arrives": said.arrives.map(|day| day.to_string()),
        "reference": said.reference,
    });
    Ok(Applied { purchase: Some(number), ..Applied::of(Kind::PurchaseRecorded, value, remarks) })
}

fn one(violation: Violation) -> Error {
    Error::Invalid(vec![violation])
}
