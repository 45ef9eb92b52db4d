//! Closings as a manager checks them.

use super::wrap::{labelled, lines};
use super::{due::Board, order, readings, table::Table, words};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// The command that fetches the proof of a closing.
fn proof(closing: &pb::Closing) -> String {
    format!("fettler journal proof --entry {} --to {}.tlog-proof", closing.entry, closing.entry)
}

/// A reading with its limits and how it stands to them.
fn read(of: &pb::AuditReading) -> String {
    let reading = of.reading.clone().unwrap_or_default();
    let limits = if of.limits.is_empty() { "no limits" } else { &of.limits };
    let value = readings::value(&reading);
    format!("{} {value}, {} ({limits})", reading.point, readings::standing(&reading))
}

/// One closing for people.
pub(crate) fn one(row: &pb::AuditRow, board: Board) -> String {
    let closing = row.closing.clone().unwrap_or_default();
    let mut out = String::new();
    let heading = format!("order {} {} {}", closing.order, row.machine, row.title);
    for line in lines(&heading, board.width) {
        let _ = writeln!(out, "{}", board.style.heading(&line));
    }
    if !row.area.is_empty() {
        out.push_str(&labelled(2, "area", 12, &row.area, board.width));
    }
    if row.closing.is_some() {
        out.push_str(&order::closing_text(&closing, board));
    }
    for of in &row.readings {
        out.push_str(&labelled(2, "limits", 12, &read(of), board.width));
    }
    out.push_str(&labelled(2, "proof", 12, &proof(&closing), board.width));
    out.push('\n');
    out
}

/// The columns of a closing.
const COLUMNS: [&str; 32] = [
    "closing",
    "order",
    "machine",
    "area",
    "task",
    "title",
    "due",
    "done_at",
    "done_by",
    "entered_at",
    "entered_by",
    "entered_known_by",
    "days_from_due",
    "late",
    "lateness",
    "as_known_then",
    "as_found",
    "readings",
    "used",
    "lots",
    "cautions_confirmed",
    "certificate",
    "second_person",
    "minutes",
    "note",
    "findings",
    "covered_by",
    "undone_at",
    "undone_by",
    "undone_reason",
    "entry",
    "proof",
];

/// Closings as rows.
pub(crate) fn rows(rows: &[pb::AuditRow]) -> Table {
    let mut table = Table::new(COLUMNS);
    for row in rows {
        let closing = row.closing.clone().unwrap_or_default();
        let confirmed = match (closing.cautions_shown.is_empty(), closing.cautions_confirmed) {
            (true, _) => "none shown",
            (false, true) => "yes",
            (false, false) => "no",
        };
        let lots = closing.lots.iter().map(|lot| format!("{} {}: {}", lot.item, lot.lot, lot.quantity));
        table.push([
            closing.number.to_string(),
            closing.order.to_string(),
            row.machine.clone(),
            row.area.clone(),
            row.task.clone(),
            row.title.clone(),
            rfc3339(row.due.as_ref()),
            rfc3339(closing.done_at.as_ref()),
            closing.done_by.clone(),
            rfc3339(closing.entered_at.as_ref()),
            closing.entered_by.clone(),
            words::known_by(closing.entered_known_by()).to_owned(),
            row.days_from_due.map(|days| days.to_string()).unwrap_or_default(),
            if row.late { "yes" } else { "no" }.to_owned(),
            order::lateness(&closing).to_owned(),
            closing.lateness_as_known_then.clone(),
            words::as_found(closing.as_found()).to_owned(),
            row.readings.iter().map(read).collect::<Vec<_>>().join("; "),
            words::kit(&closing.used),
            lots.collect::<Vec<_>>().join("; "),
            confirmed.to_owned(),
            closing.certificate.clone(),
            closing.second_person.clone(),
            words::unless_zero(closing.minutes.into()),
            closing.note.clone(),
            closing.findings.join("; "),
            words::unless_zero(closing.covered_by),
            rfc3339(closing.undone_at.as_ref()),
            closing.undone_by.clone(),
            closing.undone_reason.clone(),
            closing.entry.to_string(),
            proof(&closing),
        ]);
    }
    table
}
