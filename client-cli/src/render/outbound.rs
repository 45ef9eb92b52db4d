//! What other systems book: some lines for each entry, and rows for a program, one for each thing that was used.

use super::{due::Board, stock::verdict, table::Table, words, wrap::labelled};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Where the labels under an entry stand, and how wide they are.
const INDENT: usize = 4;
const LABEL_WIDTH: usize = 8;

/// The word for what an entry tells.
fn kind(kind: pb::OutboundKind) -> &'static str {
    match kind {
        pb::OutboundKind::Closed => "closed",
        pb::OutboundKind::Undone => "undone",
        pb::OutboundKind::Buy => "buy",
        pb::OutboundKind::BuyNoMore => "buy no more",
        pb::OutboundKind::Unspecified => "",
    }
}

/// Entries for people.
pub(crate) fn list(entries: &[pb::OutboundEntry], board: Board) -> String {
    entries.iter().map(|entry| one(entry, board)).collect()
}

fn one(entry: &pb::OutboundEntry, board: Board) -> String {
    let mut text = String::new();
    let label = |label: &str, said: &str| labelled(INDENT, label, LABEL_WIDTH, said, board.width);
    if let Some(work) = &entry.work {
        let title = format!("{}, {}", work.title, work.machine);
        let _ = writeln!(text, "{} {}: order {}, {title}", entry.number, kind(entry.kind()), work.order);
        if entry.reverses != 0 {
            let at = board.teller.instant(work.undone_at.as_ref()).unwrap_or_default();
            text.push_str(&label(
                "undoes",
                &format!("entry {}, on {at} by {}", entry.reverses, work.undone_by),
            ));
        }
        let at = board.teller.instant(work.done_at.as_ref()).unwrap_or_default();
        text.push_str(&label("done", &format!("{at} by {}", work.done_by)));
        text.push_str(&label("counted", &meters(work)));
        text.push_str(&label("used", &work.used.iter().map(used).collect::<Vec<_>>().join("; ")));
    }
    if let Some(buy) = &entry.buy {
        let what = if entry.kind() == pb::OutboundKind::BuyNoMore {
            format!("{}: nothing any more", buy.item)
        } else {
            format!("{} {} of {}, {}", buy.quantity, buy.unit, buy.item, verdict(buy.verdict()))
        };
        let _ = writeln!(text, "{} buy: {what}", entry.number);
        if !buy.order_by_day.is_empty() {
            let days = (board.teller.day(&buy.order_by_day), board.teller.day(&buy.arrives_day));
            text.push_str(&label("by", &format!("{}, to arrive {}", days.0, days.1)));
        }
        text.push_str(&label("why", &buy.why));
        text.push_str(&label("costs", &buy.cost));
        text.push_str(&label("heed", &words::sentences(&buy.remarks)));
    }
    text
}

fn meters(work: &pb::OutboundWork) -> String {
    let meter = |meter: &pb::OutboundMeter| {
        format!("{} {} {}", meter.meter, meter.counted, words::unit(meter.unit()))
    };
    work.meters.iter().map(meter).collect::<Vec<_>>().join("; ")
}

fn lots(used: &pb::OutboundUse) -> String {
    used.lots.iter().map(|lot| format!("{}={}", lot.lot, lot.quantity)).collect::<Vec<_>>().join("; ")
}

fn used(used: &pb::OutboundUse) -> String {
    let mut text = format!("{} {} {}", used.item, used.quantity, used.unit).trim_end().to_owned();
    if !used.lots.is_empty() {
        let _ = write!(text, " (lots {})", lots(used));
    }
    if !used.cost.is_empty() {
        let _ = write!(text, ", {}", used.cost);
    }
    text
}

/// What stands over the rows of a program.
const COLUMNS: [&str; 30] = [
    "number",
    "id",
    "kind",
    "told_at",
    "reverses",
    "order",
    "closing",
    "machine",
    "task",
    "title",
    "done_at",
    "done_day",
    "done_by",
    "entered_at",
    "entered_by",
    "as_found",
    "minutes",
    "counted",
    "item",
    "code",
    "quantity",
    "unit",
    "lots",
    "unit_cost",
    "cost",
    "verdict",
    "packs",
    "order_by_day",
    "arrives_day",
    "why",
];

/// Entries as rows: one for each thing that was used, one where nothing was, and one for each thing to buy.
pub(crate) fn rows(entries: &[pb::OutboundEntry]) -> Table {
    let mut table = Table::new(COLUMNS);
    for entry in entries {
        let used = entry.work.as_ref().map_or(&[][..], |work| &work.used);
        if used.is_empty() {
            table.push(row(entry, None));
        }
        for used in used {
            table.push(row(entry, Some(used)));
        }
    }
    table
}

fn row(entry: &pb::OutboundEntry, used: Option<&pb::OutboundUse>) -> [String; COLUMNS.len()] {
    let (work, buy) = (entry.work.clone().unwrap_or_default(), entry.buy.clone().unwrap_or_default());
    let counted = meters(&work);
    let as_found = if entry.work.is_some() { words::as_found(work.as_found()) } else { "" };
    let used = used.cloned().unwrap_or_else(|| pb::OutboundUse {
        item: buy.item.clone(),
        code: buy.code.clone(),
        quantity: buy.quantity.clone(),
        unit: buy.unit.clone(),
        lots: Vec::new(),
        unit_cost: buy.unit_cost.clone(),
        cost: buy.cost.clone(),
    });
    let lots = lots(&used);
    [
        entry.number.to_string(),
        entry.id.clone(),
        kind(entry.kind()).to_owned(),
        rfc3339(entry.told_at.as_ref()),
        words::unless_zero(entry.reverses),
        words::unless_zero(work.order),
        words::unless_zero(work.closing),
        work.machine,
        work.task,
        work.title,
        rfc3339(work.done_at.as_ref()),
        work.done_day,
        work.done_by,
        rfc3339(work.entered_at.as_ref()),
        work.entered_by,
        as_found.to_owned(),
        words::unless_zero(work.minutes.into()),
        counted,
        used.item,
        used.code,
        used.quantity,
        used.unit,
        lots,
        used.unit_cost,
        used.cost,
        verdict(buy.verdict()).to_owned(),
        words::unless_zero(buy.packs),
        buy.order_by_day,
        buy.arrives_day,
        buy.why,
    ]
}

/// That something is booked.
pub(crate) fn done(answer: &pb::AcknowledgeOutboundResponse) -> String {
    format!("{} has booked all up to {}\n", answer.reader, answer.through)
}

/// The same as a row.
pub(crate) fn done_rows(answer: &pb::AcknowledgeOutboundResponse) -> Table {
    let mut table = Table::new(["reader", "through"]);
    table.push([answer.reader.clone(), answer.through.to_string()]);
    table
}
