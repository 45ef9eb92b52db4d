//! Journal entries.

use super::{due::Board, table::Table, words};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;

/// Entries as rows, the stored leaf among them.
pub(crate) fn rows(entries: &[pb::Entry]) -> Table {
    let mut table = Table::new([
        "number",
        "recorded_at",
        "kind",
        "subject",
        "by",
        "known_by",
        "text",
        "leaf_hash",
        "leaf",
    ]);
    for entry in entries {
        table.push([
            entry.number.to_string(),
            rfc3339(entry.recorded_at.as_ref()),
            entry.kind.clone(),
            entry.subject.clone(),
            entry.by.clone(),
            words::known_by(entry.known_by()).to_owned(),
            entry.text.clone(),
            entry.leaf_hash.clone(),
            entry.leaf.clone(),
        ]);
    }
    table
}

/// Entries for people.
pub(crate) fn list(entries: &[pb::Entry], board: Board) -> String {
    let mut table = Table::new(["entry", "recorded", "kind", "about", "by", "what"]);
    for entry in entries {
        table.push([
            entry.number.to_string(),
            board.teller.instant(entry.recorded_at.as_ref()).unwrap_or_default(),
            entry.kind.clone(),
            entry.subject.clone(),
            words::known(&entry.by, entry.known_by()),
            entry.text.clone(),
        ]);
    }
    table.text(board.width, board.style)
}
