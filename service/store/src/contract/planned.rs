//! What is planned of meters.

use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::planned::{Intent, Period, PlannedStretch};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shop::MeterRecord;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// What is stated of a meter's use ahead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanSaid {
    /// The machine, by its tag or a name that other systems give it.
    pub machine: String,
    /// The meter's key; none means the machine's only meter.
    pub meter: Option<Key>,
    /// The period: what was planned in it goes.
    pub period: Period,
    /// What comes in its place.
    pub intent: Intent,
    /// Who says it, where a person does.
    pub by: Option<Name>,
}

/// What a statement of planned use brought about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanTaken {
    /// The meter.
    pub meter: MeterRecord,
    /// How many planned shifts went.
    pub replaced: u64,
    /// How many came.
    pub planned: u64,
    /// What they come to.
    pub amount: Amount,
}

/// Which planned shifts to list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedFilter {
    /// Of this machine.
    pub machine: Option<MachineId>,
    /// Those that end after this instant.
    pub from: Ts,
    /// Those that start before this one.
    pub until: Option<Ts>,
}

/// Where a page of planned shifts begins: start, meter, end.
pub type PlannedCursor = (i64, i64, i64);

/// A planned shift as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedShift {
    /// The meter.
    pub meter: MeterId,
    /// The tag of its machine.
    pub machine: Key,
    /// The key of the meter.
    pub key: Key,
    /// The unit of the amount.
    pub unit: Unit,
    /// When, and how much.
    pub stretch: PlannedStretch,
    /// The journal entry that states it.
    pub entry: i64,
}

/// A period of which a meter's use is planned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedPeriod {
    /// The meter's key.
    pub meter: Key,
    /// From when until when.
    pub period: Period,
}
