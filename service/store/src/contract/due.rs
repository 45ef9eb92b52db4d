//! The due list, and what lies ahead.

use super::{HeldCounts, MachineRecord};
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, TaskId};
use fettler_domain::order::ClosingRecord;
use fettler_domain::plan::{LookAhead, PlanRow, Week};
use fettler_domain::quantity::Unit;
use fettler_domain::shop::{KitItem, TaskCard};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{ShopDay, Ts};
use std::collections::BTreeMap;

/// An open order with all that a list shows of it.
#[derive(Clone, Debug, PartialEq)]
pub struct DueEntry {
    /// Its plan row.
    pub plan: PlanRow,
    /// The machine's tag.
    pub machine: Key,
    /// The machine's name.
    pub machine_name: Name,
    /// The machine's area.
    pub area: String,
    /// The task's key; none for a raised order.
    pub task: Option<Key>,
    /// What is to be done.
    pub title: Name,
    /// Where on the machine.
    pub place: String,
    /// What to bring.
    pub kit: Vec<KitItem>,
    /// Minutes it takes.
    pub minutes: u32,
    /// Whether neglect or the work can hurt someone.
    pub hazard: bool,
    /// What to heed.
    pub cautions: Vec<String>,
    /// Keys of test points to be read.
    pub readings: Vec<Key>,
    /// Keys of the meters that its clauses name.
    pub meter_keys: BTreeMap<i64, Key>,
}

/// Which part of the due list is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueFilter {
    /// Due before this instant (the end of the horizon's last shop day).
    pub before: Ts,
    /// What to list.
    pub part: DuePart,
    /// Only this machine.
    pub machine: Option<MachineId>,
    /// Only this area.
    pub area: Option<String>,
}

/// The parts of a due list, each with its own order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DuePart {
    /// Dated items due before the horizon's end.
    Dated,
    /// Items that nobody has recorded.
    NeverRecorded,
    /// Items not due before the horizon's end whose window is open at `now`, on machines that the other two parts
    /// name.
    WhileStopped {
        /// The moment of the answer.
        now: Ts,
    },
    /// Dated items that may well fall due before the horizon's end: by their early quantile where a forecast has a part in
    /// when they are due, by their due instant where none has.
    Sure,
    /// As [`DuePart::WhileStopped`], beside [`DuePart::Sure`].
    WhileStoppedSure {
        /// The moment of the answer.
        now: Ts,
    },
}

/// Where a page of the due list begins: section, the key time by which the part is ordered, order number.
pub type DueCursor = (i64, i64, i64);

/// Rows that are not of the present day are counted up to so many for a list: all rows of a large site are, right after its shop day
/// has changed, and counting them takes longer than the list.
pub const STALE_COUNTED_MAX: u32 = 10_000;

/// The head of a due list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueHead {
    /// Machines that must not start, longest first.
    pub forbidden: Vec<MachineRecord>,
    /// Held reports.
    pub held: HeldCounts,
    /// Rows computed for an earlier shop day or from other figures, counted up to [`STALE_COUNTED_MAX`], and the earliest day of such
    /// a row.
    pub stale: Option<(u64, ShopDay)>,
    /// Whether the fleet figures of the day are still to be learnt, from what came since: dates that rest on them may move.
    pub figures_pending: bool,
}

/// Which machines to look ahead of, and how far.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AheadFilter {
    /// The last shop day.
    pub until: ShopDay,
    /// Only this machine.
    pub machine: Option<MachineId>,
    /// Only those of this area.
    pub area: Option<String>,
}

/// What is expected of a machine's tasks.
#[derive(Clone, Debug, PartialEq)]
pub struct MachineAhead {
    /// The machine.
    pub number: MachineId,
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its area.
    pub area: String,
    /// What is expected.
    pub ahead: LookAhead,
    /// The cards of its tasks with open orders.
    pub cards: BTreeMap<TaskId, TaskCard>,
}

/// An open order explained: computed afresh.
#[derive(Clone, Debug, PartialEq)]
pub struct Explained {
    /// The order, its plan row computed afresh.
    pub entry: DueEntry,
    /// Whether the stored row equals it.
    pub row_agrees: bool,
    /// The shop day for which it was computed.
    pub shop_day: ShopDay,
    /// The task's window in words is the caller's to write; this is the rule as it applies, as stored JSON.
    pub closings: Vec<ClosingRecord>,
    /// What was stated before records began: the day.
    pub stated: Option<ShopDay>,
    /// Open orders that are done with this one.
    pub covers: Vec<OrderNumber>,
    /// The weeks of each meter that an expected clause counts, in the order of the clauses.
    pub used: Vec<(MeterId, Unit, Vec<Week>)>,
}
