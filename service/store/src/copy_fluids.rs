//! The table of fluids, as it is moved from place to place.

use crate::copy::Kind::{N, T};
use crate::copy::Table;

/// Additions, changes and waste.
pub(crate) const FLUID_ENTRY: Table = Table {
    name: "fluid_entry",
    key: 2,
    columns: &[
        ("site", N),
        ("leaf", N),
        ("machine", N),
        ("reservoir", T),
        ("at", N),
        ("act", T),
        ("amount", N),
        ("closing", N),
        ("withdrawn", N),
        ("record", T),
    ],
};
