//! The record of fluids, as it is told and shown.

use super::{KeptReading, Page};
use fettler_domain::fluid::FluidRecord;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// An entry as it is kept, with what a list shows beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptFluid {
    /// Its number: the journal entry that records it.
    pub entry: i64,
    /// The machine's tag.
    pub machine: Key,
    /// The record.
    pub record: FluidRecord,
    /// The note; none when there is none, or it was erased.
    pub note: Option<String>,
}

/// What came of an entry or of its withdrawal.
#[derive(Clone, Debug, PartialEq)]
pub struct FluidDone {
    /// The entry as it stands now.
    pub kept: KeptFluid,
    /// What its doer should know.
    pub remarks: Vec<String>,
}

/// Which record is asked for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FluidFilter {
    /// The machine, by its tag or another of its names.
    pub machine: String,
    /// Only this sump or reservoir.
    pub reservoir: Option<Key>,
    /// From this instant on.
    pub from: Option<Ts>,
    /// Before this instant.
    pub until: Option<Ts>,
}

/// Where a page of the record ended: the instant and the journal entry.
pub type FluidCursor = (i64, i64);

/// A line of the record.
#[derive(Clone, Debug, PartialEq)]
pub enum FluidLine {
    /// A reading at a test point of a sump or reservoir, with the limits that tasks state and that it is beyond.
    Reading(Box<KeptReading>, Key, Vec<String>),
    /// An addition, a change or waste.
    Entry(Box<KeptFluid>),
}

impl FluidLine {
    /// Its place in the order of the record.
    pub fn cursor(&self) -> FluidCursor {
        match self {
            FluidLine::Reading(kept, ..) => (kept.record.at.0, kept.entry),
            FluidLine::Entry(kept) => (kept.record.at.0, kept.entry),
        }
    }
}

/// A limit of a test point.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FluidLimit {
    /// The test point.
    pub point: Key,
    /// What is read there.
    pub title: String,
    /// The limit in words.
    pub text: String,
    /// Where it comes from.
    pub source: String,
}

/// A sump or reservoir as declared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FluidReservoir {
    /// Its key.
    pub key: Key,
    /// The fluids that its test points name.
    pub fluid: String,
    /// The limits of its readings.
    pub limits: Vec<FluidLimit>,
}

/// The record of a machine's sumps and reservoirs, or a page of it.
#[derive(Clone, Debug, PartialEq)]
pub struct FluidBook {
    /// The machine's tag.
    pub machine: Key,
    /// Its name.
    pub name: Name,
    /// The sumps and reservoirs.
    pub reservoirs: Vec<FluidReservoir>,
    /// The lines, the oldest first.
    pub lines: Page<FluidLine, FluidCursor>,
}
