//! The record of fluids.

use super::wrap::{labelled, lines};
use super::{due::Board, order::dry, readings, table::Table, words};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What was done, in a word.
pub(super) fn act(entry: &pb::FluidEntry) -> &'static str {
    match entry.act() {
        pb::FluidAct::Added => "added",
        pb::FluidAct::Changed => "changed",
        pb::FluidAct::Waste => "waste",
        pb::FluidAct::Unspecified => "not stated",
    }
}

/// What a line says: what was read or done.
pub(super) fn what(line: &pb::FluidLine) -> String {
    match (&line.reading, &line.entry) {
        (Some(reading), _) => format!("{} {}", reading.point, readings::value(reading)),
        (None, Some(entry)) => {
            let of = format!("{} {} L {}", act(entry), entry.litres, entry.fluid);
            if entry.lot.is_empty() { of } else { format!("{of}, lot {}", entry.lot) }
        }
        (None, None) => String::new(),
    }
}

/// How a line stands: marks for what is out of limits or missing, and that it was taken back, and why.
pub(super) fn stands(line: &pb::FluidLine) -> String {
    let mut words = Vec::new();
    if let Some(reading) = &line.reading {
        if reading.withdrawn_at.is_some() {
            return format!("withdrawn: {}", reading.withdrawn_reason);
        }
        if line.beyond.is_empty() {
            words.push(readings::standing(reading));
        }
        words.extend(line.beyond.iter().map(|beyond| format!("OUT OF LIMITS: {beyond}")));
    }
    if let Some(entry) = &line.entry {
        if entry.withdrawn_at.is_some() {
            let how = if entry.order == 0 { "withdrawn" } else { "undone with its closing" };
            return format!("{how}: {}", entry.withdrawn_reason);
        }
        if entry.act() == pb::FluidAct::Waste {
            let or = |text: &str, none: &str| if text.is_empty() { none.to_owned() } else { text.to_owned() };
            words.push(format!("to {}", or(&entry.route, "NOT STATED")));
            words.push(format!("document {}", or(&entry.document, "NOT STATED")));
        } else {
            words.extend(entry.findings.iter().map(|finding| format!("NOT AS IT SHOULD BE: {finding}")));
        }
        if entry.order != 0 {
            words.push(format!("order {}", entry.order));
        }
    }
    words.join("; ")
}

/// The journal entry of a line, its instant, and who did it.
pub(super) fn source(line: &pb::FluidLine) -> (i64, Option<&prost_types::Timestamp>, &str) {
    match (&line.reading, &line.entry) {
        (Some(reading), _) => (reading.entry, reading.at.as_ref(), &reading.by),
        (None, Some(entry)) => (entry.entry, entry.at.as_ref(), &entry.by),
        (None, None) => (0, None, ""),
    }
}

/// The record for people.
pub(crate) fn record(record: &pb::GetFluidRecordResponse, board: Board) -> String {
    let mut out = String::new();
    for line in lines(&format!("FLUIDS of {}, {}", record.machine, record.name), board.width) {
        let _ = writeln!(out, "{}", board.style.heading(&line));
    }
    if record.reservoirs.is_empty() {
        let text = "no sump or reservoir is declared; give its test points a `reservoir` in the shop file";
        out.push_str(&labelled(2, "", 0, text, board.width));
    }
    for place in &record.reservoirs {
        out.push_str(&labelled(0, "", 0, &format!("{}: {}", place.key, place.fluid), board.width));
        for limit in &place.limits {
            let text = format!("{} ({})", limit.text, limit.source);
            out.push_str(&labelled(2, &limit.point, 20, &text, board.width));
        }
    }
    if record.lines.is_empty() {
        out.push_str("nothing is on record\n");
    } else {
        let mut table = Table::new(["entry", "when", "place", "what", "by", "stands"]);
        for line in &record.lines {
            let (entry, at, by) = source(line);
            table.push([
                entry.to_string(),
                board.teller.instant(at).unwrap_or_default(),
                line.reservoir.clone(),
                what(line),
                by.to_owned(),
                stands(line),
            ]);
        }
        out.push_str(&table.text(board.width, board.style));
    }
    for caution in &record.cautions {
        out.push_str(&labelled(0, "heed", 6, caution, board.width));
    }
    out
}

/// What came of an entry.
pub(crate) fn said(
    entry: Option<&pb::FluidEntry>,
    remarks: &[String],
    dry_run: bool,
    board: Board,
) -> String {
    let mut out = dry(dry_run);
    for line in of_entry(entry) {
        let (entry, at, by) = source(&line);
        let of = line.entry.as_ref().map(|entry| entry.machine.as_str()).unwrap_or_default();
        let when = board.teller.instant(at).unwrap_or_default();
        let text = format!("{of} {}  {}, {when}, {by}  (entry {entry})", line.reservoir, what(&line));
        out.push_str(&labelled(2, "", 2, &text, board.width));
        out.push_str(&labelled(6, "stands", 8, &stands(&line), board.width));
    }
    for remark in remarks {
        out.push_str(&labelled(6, "heed", 8, remark, board.width));
    }
    out
}

/// An entry as a line of the record.
pub(crate) fn of_entry(entry: Option<&pb::FluidEntry>) -> Vec<pb::FluidLine> {
    let line = |entry: &pb::FluidEntry| pb::FluidLine {
        reservoir: entry.reservoir.clone(),
        entry: Some(entry.clone()),
        ..Default::default()
    };
    entry.map(line).into_iter().collect()
}

/// The record as rows.
pub(crate) fn rows(lines: &[pb::FluidLine]) -> Table {
    let mut table = Table::new([
        "entry",
        "at",
        "place",
        "what",
        "point",
        "value",
        "unit",
        "limits",
        "out_of_limits",
        "fluid",
        "litres",
        "lot",
        "route",
        "document",
        "by",
        "entered_at",
        "order",
        "withdrawn_at",
        "withdrawn_by",
        "reason",
        "findings",
        "note",
    ]);
    for line in lines {
        let (number, at, by) = source(line);
        let reading = line.reading.clone().unwrap_or_default();
        let entry = line.entry.clone().unwrap_or_default();
        let is_read = line.reading.is_some();
        let either = |read: &str, done: &str| if is_read { read.to_owned() } else { done.to_owned() };
        let withdrawn = if is_read { reading.withdrawn_at } else { entry.withdrawn_at };
        let entered = if is_read { reading.entered_at } else { entry.entered_at };
        table.push([
            number.to_string(),
            rfc3339(at),
            line.reservoir.clone(),
            either("read", act(&entry)),
            reading.point.clone(),
            either(if reading.value.is_empty() { &reading.said_value } else { &reading.value }, ""),
            either(&reading.unit, ""),
            line.limits.clone(),
            line.beyond.join("; "),
            entry.fluid.clone(),
            entry.litres.clone(),
            entry.lot.clone(),
            entry.route.clone(),
            entry.document.clone(),
            by.to_owned(),
            rfc3339(entered.as_ref()),
            words::unless_zero(entry.order),
            rfc3339(withdrawn.as_ref()),
            either(&reading.withdrawn_by, &entry.withdrawn_by),
            either(&reading.withdrawn_reason, &entry.withdrawn_reason),
            entry.findings.join("; "),
            either(&reading.note, &entry.note),
        ]);
    }
    table
}
