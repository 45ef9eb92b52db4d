//! The tables of what other systems book, as they are moved from place to place.

use crate::copy::Kind::{N, T};
use crate::copy::Table;

/// What was told.
pub(crate) const OUTBOUND: Table = Table {
    name: "outbound",
    key: 2,
    columns: &[
        ("site", N),
        ("number", N),
        ("lineage", N),
        ("closing", N),
        ("item", N),
        ("told_at", N),
        ("told", T),
    ],
};

/// Up to where it was told.
pub(crate) const OUTBOUND_HEAD: Table = Table {
    name: "outbound_head",
    key: 1,
    columns: &[("site", N), ("next", N), ("entry", N), ("compared_at", N)],
};

/// Up to where each reader has booked.
pub(crate) const OUTBOUND_READER: Table = Table {
    name: "outbound_reader",
    key: 2,
    columns: &[("site", N), ("name", T), ("through", N), ("moved_at", N)],
};
