//! What other systems book: what is asked, and its entries.

use super::fields::Fields;
use super::order::wire_as_found;
use super::people::Names;
use super::time::{stamp, stamp_of};
use super::units::{decimal, exact, unit};
use super::{buy, page};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::{ClosingId, PersonId};
use fettler_domain::outbound::{BuyLineTold, BuyTold, MeterTold, Told, UsedTold, WorkTold, cost_of};
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::buy::{BuyLine, Verdict};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::{KeptItem, OutboundEntry, PageAsk};
use std::time::Duration;

/// The longest that a caller may wait for an entry: less than a call may take.
const WAIT_MAX_SECONDS: i32 = 50;

/// Where to begin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum From {
    /// After what this reader has booked.
    Reader(Key),
    /// After this number.
    Number(i64),
}

/// What is asked.
pub struct Ask {
    /// Where to begin.
    pub from: From,
    /// How many entries.
    pub limit: u32,
    /// How long to wait for one.
    pub wait: Duration,
}

/// Reads what is asked.
pub fn ask(ask: &v1::GetOutboundRequest) -> Result<Ask, Error> {
    let mut fields = Fields::new();
    let reader = fields.optional_key("reader", &ask.reader);
    if ask.after < 0 {
        fields.wrong("after", format!("{} is below 0; give the number of an entry, or 0", ask.after));
    }
    if !ask.reader.is_empty() && ask.after != 0 {
        fields.wrong("after", "does not go with a reader, whose place is remembered; leave one of them out");
    }
    let limit = page::size(&mut fields, ask.page_size);
    let wait = u64::try_from(ask.wait_seconds).ok().filter(|_| ask.wait_seconds <= WAIT_MAX_SECONDS);
    if wait.is_none() {
        let seconds = ask.wait_seconds;
        fields.wrong("wait_seconds", format!("{seconds} is out of bounds; give 0 to {WAIT_MAX_SECONDS}"));
    }
    let from = reader.map(|reader| reader.map_or(From::Number(ask.after), From::Reader));
    fields.finish(from.zip(wait).map(|(from, wait)| Ask { from, limit, wait: Duration::from_secs(wait) }))
}

/// Reads what is acknowledged.
pub fn acknowledged(ask: &v1::AcknowledgeOutboundRequest) -> Result<(Key, i64), Error> {
    let mut fields = Fields::new();
    let reader = fields.key("reader", &ask.reader);
    if ask.through < 1 {
        fields.wrong("through", format!("{} is no number of an entry; they begin with 1", ask.through));
    }
    fields.finish(reader.map(|reader| (reader, ask.through)))
}

/// That a number after which entries are asked for was not told yet.
pub fn not_told(after: i64) -> Error {
    let text =
        format!("{after} was not told yet; give the number of an entry that was, or 0 for all of them");
    Error::invalid("after", text)
}

/// A page of entries after a number.
pub fn page_after(after: i64, limit: u32) -> PageAsk<i64> {
    PageAsk { after: Some(after), limit }
}

/// A line of the buy list as it is told.
pub fn told((item, line): &(KeptItem, BuyLine), until: ShopDay, today: ShopDay) -> BuyTold {
    let shown = buy::line(&(item.clone(), line.clone()), until, today);
    let card = &item.card;
    let is_bought = line.verdict != Verdict::NoDataSheet;
    let amount = if is_bought { line.amount } else { Amount::ZERO };
    BuyTold {
        item: item.number,
        name: card.name.to_string(),
        code: card.code.as_ref().map(Name::to_string),
        unit: card.unit.clone(),
        line: Some(BuyLineTold {
            verdict: line.verdict,
            amount,
            packs: shown.packs,
            order_by: line.order_by,
            arrives: line.arrives,
            runs_out: line.runs_out,
            why: shown.why,
            remarks: shown.remarks,
            unit_cost: card.unit_cost,
            cost: card.unit_cost.map(|unit_cost| cost_of(amount, unit_cost)),
        }),
    }
}

/// The people whom an entry names.
pub fn people_of(entry: &OutboundEntry) -> Vec<PersonId> {
    match &entry.told {
        Told::Buy(_) => Vec::new(),
        Told::Work(work) => {
            let undone = work.undone.map(|undone| undone.by);
            [work.done_by, work.entered_by].into_iter().chain(undone).collect()
        }
    }
}

/// An entry.
pub fn entry(entry: &OutboundEntry, site: &Key, names: &Names, calendar: &Calendar) -> v1::OutboundEntry {
    let bare = v1::OutboundEntry {
        number: entry.number,
        id: format!("{site}/{}/{}", entry.lineage, entry.number),
        told_at: Some(stamp(entry.told_at)),
        ..Default::default()
    };
    match &entry.told {
        Told::Work(work) => v1::OutboundEntry {
            kind: match work.undone {
                None => v1::OutboundKind::Closed,
                Some(_) => v1::OutboundKind::Undone,
            }
            .into(),
            reverses: work.undone.map_or(0, |undone| undone.reverses),
            work: Some(self::work(work, names, calendar)),
            ..bare
        },
        Told::Buy(told) => v1::OutboundEntry {
            kind: match told.line {
                Some(_) => v1::OutboundKind::Buy,
                None => v1::OutboundKind::BuyNoMore,
            }
            .into(),
            buy: Some(bought(told)),
            ..bare
        },
    }
}

fn work(work: &WorkTold, names: &Names, calendar: &Calendar) -> v1::OutboundWork {
    v1::OutboundWork {
        order: work.order.0,
        closing: work.closing.0,
        entry: work.entry,
        machine: work.machine.clone(),
        task: work.task.clone().unwrap_or_default(),
        title: work.title.clone(),
        done_at: Some(stamp(work.done_at)),
        done_day: calendar.shop_day_of(work.done_at).to_string(),
        done_by: names.of(work.done_by),
        entered_at: Some(stamp(work.entered_at)),
        entered_by: names.of(work.entered_by),
        as_found: wire_as_found(work.as_found).into(),
        minutes: i32::try_from(work.minutes).unwrap_or(i32::MAX),
        covered_by: work.covered_by.map_or(0, |ClosingId(closing)| closing),
        meters: work.meters.iter().map(meter).collect(),
        used: work.used.iter().map(used).collect(),
        undone_at: stamp_of(work.undone.map(|undone| undone.at)),
        undone_by: names.of_some(work.undone.map(|undone| undone.by)),
    }
}

fn meter(told: &MeterTold) -> v1::OutboundMeter {
    v1::OutboundMeter {
        meter: told.meter.clone(),
        counted: exact(told.counted, told.unit),
        unit: unit(told.unit).into(),
        known_to: stamp_of(told.known_to),
    }
}

fn optional(amount: Option<Amount>) -> String {
    amount.map(decimal).unwrap_or_default()
}

fn used(told: &UsedTold) -> v1::OutboundUse {
    let lot =
        |(lot, quantity): &(String, String)| v1::LotUse { lot: lot.clone(), quantity: quantity.clone() };
    v1::OutboundUse {
        item: told.item.clone(),
        code: told.code.clone().unwrap_or_default(),
        quantity: told.quantity.clone(),
        unit: told.unit.clone(),
        lots: told.lots.iter().map(lot).collect(),
        unit_cost: optional(told.unit_cost),
        cost: optional(told.cost),
    }
}

fn bought(told: &BuyTold) -> v1::OutboundBuy {
    let bare = v1::OutboundBuy {
        item: told.name.clone(),
        code: told.code.clone().unwrap_or_default(),
        unit: told.unit.clone(),
        quantity: decimal(Amount::ZERO),
        ..Default::default()
    };
    let Some(line) = &told.line else { return bare };
    v1::OutboundBuy {
        verdict: buy::verdict(line.verdict).into(),
        quantity: decimal(line.amount),
        packs: line.packs,
        order_by_day: line.order_by.to_string(),
        arrives_day: line.arrives.to_string(),
        runs_out_day: line.runs_out.map(|day| day.to_string()).unwrap_or_default(),
        why: line.why.clone(),
        remarks: line.remarks.clone(),
        unit_cost: optional(line.unit_cost),
        cost: optional(line.cost),
        ..bare
    }
}
