//! Readings, as they are taken and listed.

use fettler_domain::error::Violation;
use fettler_domain::ids::OrderNumber;
use fettler_domain::reading::ask::Odd;
use fettler_domain::reading::{ReadingRecord, ReadingTold};
use fettler_domain::shop::PointCard;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// A reading as it is kept, with what a list shows beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptReading {
    /// Its number: the journal entry that records it.
    pub entry: i64,
    /// The machine's tag.
    pub machine: Key,
    /// The record.
    pub record: ReadingRecord,
    /// The note; none when there is none, or it was erased.
    pub note: Option<String>,
}

/// A reading as it is told, or every field of it that could not be read.
pub type Telling = std::result::Result<ReadingTold, Vec<Violation>>;

/// What became of a reading.
#[derive(Clone, Debug, PartialEq)]
pub enum TakenReading {
    /// It was taken; with what whoever read it should know.
    Taken(Box<KeptReading>, Vec<String>),
    /// The same value was told for the same point and instant before.
    Duplicate(Box<KeptReading>),
    /// It looks like a slip.
    AskedBack(Vec<Odd>),
    /// It cannot be read as a reading.
    Refused(Vec<Violation>),
}

/// Which readings to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReadingFilter {
    /// Of this machine, by its tag or another of its names.
    pub machine: Option<String>,
    /// Of this test point of the machine.
    pub point: Option<Key>,
    /// Only those that stand and are out of limits.
    pub out_of_limits: bool,
}

/// A closing of a task that reads a point or waits for its readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointService {
    /// When it was done.
    pub at: Ts,
    /// The order that it ended.
    pub order: OrderNumber,
    /// The task's title.
    pub title: Name,
    /// Whether a reading out of limits makes that task due, so that its closing starts the readings anew.
    pub starts_anew: bool,
}

/// A test point with its past.
#[derive(Clone, Debug, PartialEq)]
pub struct PointHistory {
    /// The point as declared.
    pub card: PointCard,
    /// Its newest readings that stand, the oldest first.
    pub readings: Vec<KeptReading>,
    /// Closings of its tasks in the time of those readings, the oldest first.
    pub services: Vec<PointService>,
}

/// The most readings of a point that its history holds: some years of weekly ones, and what a screen can show.
pub const HISTORY_MAX: u32 = 200;
