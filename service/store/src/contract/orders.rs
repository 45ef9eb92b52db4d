//! Work orders and their closings.

use super::DueEntry;
use fettler_domain::ids::{OrderNumber, PersonId};
use fettler_domain::order::{ClosingRecord, OrderState};
use fettler_domain::plan::PlanRow;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// An order as the store keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct OrderRecord {
    /// Its number.
    pub number: OrderNumber,
    /// Where it stands.
    pub state: OrderState,
    /// The machine's tag.
    pub machine: Key,
    /// The task's key; none for a raised order.
    pub task: Option<Key>,
    /// What is, or was, to be done.
    pub title: Name,
    /// When it was opened.
    pub opened_at: Ts,
    /// Who raised it.
    pub raised_by: Option<PersonId>,
    /// The test point whose reading raised it.
    pub raised_by_point: Option<Key>,
    /// The check whose finding raised it.
    pub raised_by_check: Option<Key>,
    /// What was said when it was raised.
    pub note: String,
    /// Its row on the due list; none once it has ended.
    pub plan: Option<PlanRow>,
    /// When it ended.
    pub ended_at: Option<Ts>,
    /// Why it was skipped or is void.
    pub reason: String,
    /// Who skipped it.
    pub skipped_by: Option<PersonId>,
    /// The closing that ended it.
    pub closing: Option<ClosingView>,
    /// Closings that were undone.
    pub undone: Vec<ClosingView>,
}

/// A closing with what is derived when it is read.
#[derive(Clone, Debug, PartialEq)]
pub struct ClosingView {
    /// The record.
    pub record: ClosingRecord,
    /// The note; empty after it was erased.
    pub note: String,
    /// What it satisfied, as known now; none for a raised order.
    pub satisfied: Option<fettler_domain::plan::Satisfied>,
    /// The journal entry that records it.
    pub entry: i64,
}

/// Which orders to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OrderFilter {
    /// In this state.
    pub state: Option<OrderState>,
    /// On this machine.
    pub machine: Option<Key>,
    /// Of this task.
    pub task: Option<Key>,
}

/// What a closing, a skip or an undo brought about.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ended {
    /// The order as it stands now (for an undo: none).
    pub order: Option<OrderRecord>,
    /// The next order of its task (for an undo: the orders that are open again).
    pub next: Vec<DueEntry>,
    /// Orders closed with it.
    pub covered: Vec<OrderRecord>,
    /// Covered orders that stay open.
    pub left_open: Vec<OrderNumber>,
    /// Orders that became void.
    pub void: Vec<OrderNumber>,
    /// What the technician should know.
    pub remarks: Vec<String>,
}
