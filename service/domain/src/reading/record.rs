//! A reading as it is told and as it is kept.

use super::ask::OddKind;
use super::limits::{Beyond, Limits};
use super::unit::PointUnit;
use super::value::Value;
use crate::ids::{ClosingId, MachineId, PersonId};
use crate::order::Undone;
use crate::text::{ForeignName, Key, Name};
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use serde_with::skip_serializing_none;

/// The most readings that are told at once: one transaction.
pub const TOLD_MAX: usize = 500;

/// A reading as somebody tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadingTold {
    /// The machine, by its tag or another of its names.
    pub machine: ForeignName,
    /// The test point's key.
    pub point: Key,
    /// The value, a plain decimal text.
    pub value: String,
    /// The unit; empty means the point's own.
    pub unit: String,
    /// When it was read.
    pub at: Ts,
    /// Who read it.
    pub by: Name,
    /// The number of a licensed electrician's record.
    pub electrician_record: Option<String>,
    /// That it is so, however odd it looks.
    pub confirmed: bool,
    /// A note.
    pub note: String,
}

/// A reading as it is kept.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingRecord {
    /// The machine.
    pub machine: MachineId,
    /// The test point's key.
    pub point: Key,
    /// When it was read.
    pub at: Ts,
    /// When it was entered.
    pub entered_at: Ts,
    /// Who read it.
    pub by: PersonId,
    /// The value in `unit`; none where what was said does not turn into it.
    pub value: Option<Value>,
    /// The test point's unit when it was entered, a code.
    pub unit: String,
    /// The value as it was said.
    pub said_value: String,
    /// The unit as it was said; empty when none was.
    pub said_unit: String,
    /// The limits that it was judged against.
    pub limits: Limits,
    /// The limit that it is beyond.
    pub beyond: Option<Beyond>,
    /// What was odd about it and was confirmed.
    pub confirmed: Vec<OddKind>,
    /// The number of a licensed electrician's record.
    pub electrician_record: Option<String>,
    /// The closing in which it was said.
    pub closing: Option<ClosingId>,
    /// When, by whom and why it was withdrawn.
    pub withdrawn: Option<Withdrawn>,
}

/// That a reading was withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Withdrawn {
    /// When.
    pub at: Ts,
    /// By whom.
    pub by: PersonId,
    /// Why.
    pub reason: String,
}

impl From<&Undone> for Withdrawn {
    /// What a closing said is withdrawn when, by whom and why it is undone.
    fn from(Undone { at, by, reason }: &Undone) -> Withdrawn {
        Withdrawn { at: *at, by: *by, reason: reason.clone() }
    }
}

impl ReadingRecord {
    /// The value in the unit that the point has now.
    pub fn value_in(&self, unit: &str) -> Option<Value> {
        let value = self.value?;
        if self.unit == unit {
            return Some(value);
        }
        PointUnit::parse(&self.unit)?.convert(value, PointUnit::parse(unit)?)
    }

    /// The sign of its unit.
    pub fn sign(&self) -> &'static str {
        PointUnit::parse(&self.unit).map_or("", PointUnit::sign)
    }

    /// Whether what it says may be drawn and counted: what was confirmed to be impossible is no measure of anything.
    pub fn tells(&self) -> bool {
        self.withdrawn.is_none() && !self.confirmed.contains(&OddKind::Impossible)
    }
}
