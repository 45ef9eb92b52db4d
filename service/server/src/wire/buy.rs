//! The buy list: what is asked, and its lines with why.

use super::fields::Fields;
use super::units::decimal;
use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::buy::{BuyLine, HORIZON_DAYS_DEFAULT, HORIZON_DAYS_MAX, Verdict, expected_on};
use fettler_domain::text::{ForeignName, Name};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::{BuyFilter, BuyList, KeptItem};

/// Where a page begins: the day by which to order, and the item's name.
pub type BuyCursor = (i32, String);

/// What is asked.
pub struct Ask {
    /// What to look at.
    pub filter: BuyFilter,
    /// Only what is to be ordered by this day.
    pub order_by: Option<ShopDay>,
}

/// Reads what is asked on the shop day `today`.
pub fn ask(ask: &v1::GetBuyListRequest, today: ShopDay) -> Result<Ask, Error> {
    let mut fields = Fields::new();
    let last = today.plus_days(HORIZON_DAYS_MAX);
    let until = fields.optional_day("until_day", &ask.until_day);
    let until = until.map(|day| day.unwrap_or(today.plus_days(HORIZON_DAYS_DEFAULT)));
    if let Some(day) = until.filter(|day| !(today..=last).contains(day)) {
        fields
            .wrong("until_day", format!("{day} is out of bounds; give a day from today, {today}, to {last}"));
    }
    let order_by = fields.optional_day("order_by_day", &ask.order_by_day);
    if let Some(Some(day)) = order_by.filter(|day| day.is_some_and(|day| day < today)) {
        fields.wrong("order_by_day", format!("{day} is past, today is {today}; give today or later"));
    }
    let item: Option<Option<ForeignName>> = fields.optional_foreign("item", &ask.item);
    let read = until.zip(order_by).zip(item);
    fields.finish(read.map(|((until, order_by), item)| Ask { filter: BuyFilter { until, item }, order_by }))
}

/// A page of the list: its lines and where the next one begins.
pub fn page<'l>(
    list: &'l BuyList,
    order_by: Option<ShopDay>,
    after: Option<&BuyCursor>,
    limit: u32,
) -> (Vec<&'l (KeptItem, BuyLine)>, Option<BuyCursor>) {
    let key = |(item, line): &(KeptItem, BuyLine)| (line.order_by.to_days(), item.card.name.to_string());
    let wanted = list.lines.iter().filter(|(_, line)| order_by.is_none_or(|day| line.order_by <= day));
    let mut rows: Vec<_> = wanted.filter(|row| after.is_none_or(|after| key(row) > *after)).collect();
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = rows.len() > limit;
    rows.truncate(limit);
    let next = if more { rows.last().map(|row| key(row)) } else { None };
    (rows, next)
}

/// What a line says.
pub(super) fn verdict(verdict: Verdict) -> v1::BuyVerdict {
    match verdict {
        Verdict::Order => v1::BuyVerdict::Order,
        Verdict::Late => v1::BuyVerdict::Late,
        Verdict::Hurry => v1::BuyVerdict::Hurry,
        Verdict::NoDataSheet => v1::BuyVerdict::NoDataSheet,
    }
}

/// A line.
pub fn line((item, line): &(KeptItem, BuyLine), until: ShopDay, today: ShopDay) -> v1::BuyLine {
    let (card, ground) = (&item.card, &line.ground);
    let is_bought = line.verdict != Verdict::NoDataSheet;
    let optional = |amount: Option<Amount>| amount.map(decimal).unwrap_or_default();
    v1::BuyLine {
        item: card.name.to_string(),
        code: card.code.as_ref().map(Name::to_string).unwrap_or_default(),
        unit: card.unit.clone(),
        verdict: verdict(line.verdict).into(),
        quantity: decimal(if is_bought { line.amount } else { Amount::ZERO }),
        packs: if is_bought { line.packs } else { 0 },
        order_by_day: line.order_by.to_string(),
        arrives_day: line.arrives.to_string(),
        runs_out_day: line.runs_out.map(|day| day.to_string()).unwrap_or_default(),
        waiting_orders: line.waiting.iter().map(|OrderNumber(order)| *order).collect(),
        why: why(item, line, until),
        usable: decimal(ground.usable),
        expiring: decimal(ground.expiring),
        ordered: decimal(ground.to_come),
        needed: decimal(ground.needed[0]),
        needed_p10: decimal(ground.needed[1]),
        needed_p90: decimal(ground.needed[2]),
        safety_stock: decimal(ground.safety_stock),
        reorder_point: decimal(ground.reorder_point),
        service_percent: i32::try_from(card.service_percent).unwrap_or(i32::MAX),
        economic_quantity: optional(ground.economic),
        usable_in_time: optional(ground.usable_in_time),
        remarks: remarks(item, line, today),
    }
}

/// Why something is to be bought, in one line.
fn why(item: &KeptItem, line: &BuyLine, until: ShopDay) -> String {
    let (card, ground) = (&item.card, &line.ground);
    let [needed, low, high] = ground.needed;
    let spread = if low == high {
        String::new()
    } else {
        format!(" (between {} and {})", decimal(low), decimal(high))
    };
    let mut parts = vec![format!("{} needed by {until}{spread}", card.says(needed))];
    parts.push(format!("{} on the shelf", decimal(ground.usable)));
    if ground.expiring > Amount::ZERO {
        parts.push(format!("{} of it expires unused", decimal(ground.expiring)));
    }
    if ground.to_come > Amount::ZERO {
        parts.push(format!("{} on its way", decimal(ground.to_come)));
    }
    parts.push(match line.runs_out {
        Some(day) if line.verdict == Verdict::Late => format!("runs out on {day}, before it can arrive"),
        Some(day) if line.verdict == Verdict::Hurry => format!("runs out on {day}, before that comes"),
        Some(day) => format!("runs out on {day}"),
        None => format!("below its safety stock of {} on {}", decimal(ground.safety_stock), line.low_on),
    });
    if line.packs > 0 && ground.economic == Some(line.amount) {
        parts.push("the quantity is the economic one".to_owned());
    }
    parts.join(", ")
}

/// What whoever buys should know.
fn remarks(item: &KeptItem, line: &BuyLine, today: ShopDay) -> Vec<String> {
    let (card, shelf) = (&item.card, &item.shelf);
    let mut remarks = Vec::new();
    if line.verdict == Verdict::NoDataSheet {
        remarks.push(
            "not to be bought: no safety data sheet; get it from the supplier and declare where it is kept"
                .to_owned(),
        );
    }
    if line.verdict == Verdict::Hurry {
        remarks.push("order nothing more; ask its supplier for an earlier day".to_owned());
    }
    if line.some_will_expire {
        remarks.push("no less can be bought, and some of it will expire unused".to_owned());
    }
    if shelf.asks.is_some() {
        remarks.push("count it first: more was used than there was by the book".to_owned());
    }
    let expired = shelf.in_all() - shelf.usable(today);
    if expired > Amount::ZERO {
        remarks.push(format!("{} on the shelf has expired and does not count", card.says(expired)));
    }
    for purchase in &shelf.purchases {
        let expected = expected_on(card, purchase, today);
        let open = card.says(purchase.open);
        match purchase.arrives {
            Some(day) if day < today => remarks.push(format!(
                "purchase {}, {open}, was due on {day} and is counted for {expected}: ask its supplier",
                purchase.number
            )),
            None => remarks.push(format!(
                "purchase {}, {open}, is not confirmed and is counted for {expected}",
                purchase.number
            )),
            Some(_) => {}
        }
    }
    remarks
}
