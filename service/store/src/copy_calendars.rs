//! The tables of due calendars, as they are moved from place to place.

use crate::copy::Kind::{B, N, T};
use crate::copy::Table;

/// Secret addresses.
pub(crate) const DUE_CALENDAR: Table = Table {
    name: "due_calendar",
    key: 2,
    columns: &[
        ("site", N),
        ("leaf", N),
        ("hash", B),
        ("name", T),
        ("person", N),
        ("areas", T),
        ("made_at", N),
        ("revoked_at", N),
    ],
};

/// What was told last.
pub(crate) const DUE_ENTRY: Table = Table {
    name: "due_entry",
    key: 2,
    columns: &[("site", N), ("number", N), ("cancelled", N), ("told_at", N), ("entry", T)],
};
