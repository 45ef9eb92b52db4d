//! What the incremental judging asks of a store, and what it hands back to be written and told.

use super::absolute::Contribution;
use super::history::{Month, Segment};
use super::report::{ReportId, ReportKey};
use super::row::{Reason, Row, State};
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Stored rows that must be seen before a batch can be judged.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Need {
    /// All rows of these reports, every revision and content.
    Reports(Vec<ReportId>),
    /// All rows resolved to the meter whose interval overlaps [from, to), whatever their state:
    /// `start > from - 31 days and start < to and end > from`.
    Overlapping {
        /// The meter.
        meter: MeterId,
        /// First instant.
        from: Ts,
        /// First instant after it.
        to: Ts,
    },
    /// The first `count` readings resolved to the meter with `start >= from`, whatever their state, in the order of
    /// start; besides, every counted reading at the latest start before `from` that has one; and all that is
    /// stored of the contributions of the meter's replacements. A reading is a row with `end = start`.
    Readings {
        /// The meter.
        meter: MeterId,
        /// First instant.
        from: Ts,
        /// How many rows from there on.
        count: usize,
    },
}

/// What a store found for a [`Need`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// The rows.
    pub rows: Vec<Row>,
    /// What the meter's replacements contributed so far; only asked for with readings.
    pub replaced: Vec<Contribution>,
}

/// What became of a report that arrived.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum Outcome {
    /// Taken: it counts, or is a check beside the count, or withdraws a report that was not there yet.
    Accepted,
    /// It was there already; this is what became of it.
    Duplicate {
        /// Its state.
        state: State,
        /// Its reason, when it is held.
        reason: Option<Reason>,
    },
    /// Taken in the place of an older revision.
    Replaces,
    /// A newer revision stands.
    Superseded,
    /// Kept, but not counted. An older revision that it unseats does not count either.
    Held {
        /// Why.
        reason: Reason,
    },
}

/// What is told of one arrival.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// The report.
    pub key: ReportKey,
    /// What became of it.
    pub outcome: Outcome,
    /// What left the count because of it, in kept units: what its report counted and no longer does, and what was
    /// counted of the reports it displaced.
    pub left: Amount,
    /// Other reports that no longer count because of it.
    pub displaced: Vec<ReportKey>,
    /// Other reports that count now because of it.
    pub let_in: Vec<ReportKey>,
}

/// A row that is new or changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The row as it is stored; none when it is new.
    pub before: Option<Row>,
    /// The row as it is to be stored.
    pub after: Row,
}

/// What a replacement of a counter contributes, where that changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReplacedChange {
    /// The meter.
    pub meter: MeterId,
    /// The instant of the replacement.
    pub at: Ts,
    /// As it is stored.
    pub before: Option<Segment>,
    /// As it is to be stored; none when the replacement is gone.
    pub after: Option<Segment>,
}

/// Everything that a batch changes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Changes {
    /// The rows, in the order of their keys.
    pub rows: Vec<Change>,
    /// The contributions of replacements, in the order of meter and time.
    pub replaced: Vec<ReplacedChange>,
    /// One entry for each arrival, in the order of arrival.
    pub told: Vec<Told>,
    /// Settlements of statements that were never received; nothing was done for them.
    pub unknown: Vec<ReportKey>,
}

impl Changes {
    /// What is to be added to the meters' totals by month. Nothing is listed that comes out as zero.
    pub fn month_totals(&self) -> BTreeMap<(MeterId, Month), Amount> {
        let mut totals = Deltas::default();
        for change in &self.rows {
            for (row, sign) in change.before.iter().map(|row| (row, -1)).chain([(&change.after, 1)]) {
                if let (Some(meter), Some(segment)) = (row.meter, row.segment) {
                    totals.add(meter, &segment, sign);
                }
            }
        }
        for change in &self.replaced {
            for (segment, sign) in [(change.before, -1), (change.after, 1)] {
                if let Some(segment) = segment {
                    totals.add(change.meter, &segment, sign);
                }
            }
        }
        totals.0.retain(|_, amount| *amount != Amount::ZERO);
        totals.0
    }
}

#[derive(Default)]
struct Deltas(BTreeMap<(MeterId, Month), Amount>);

impl Deltas {
    fn add(&mut self, meter: MeterId, segment: &Segment, sign: i64) {
        for (month, share) in segment.month_shares() {
            self.0.entry((meter, month)).or_default().0 += sign * share.0;
        }
    }
}
