//! The audit: closings with all that belongs to them.

use super::{ClosingView, KeptReading, Page, PageAsk};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// Which closings to audit.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AuditFilter {
    /// On this machine, by its tag or another of its names.
    pub machine: Option<String>,
    /// Of this task.
    pub task: Option<Key>,
    /// In this area.
    pub area: Option<String>,
    /// Done from this instant on.
    pub from: Option<Ts>,
    /// Done before this instant.
    pub until: Option<Ts>,
    /// Only those that were undone.
    pub undone: bool,
}

/// Where a page of the audit ended: when the work was done, and the closing's number.
pub type AuditCursor = (i64, i64);

/// A page of the audit that is asked for.
pub type AuditAsk = PageAsk<AuditCursor>;

/// A page of the audit.
pub type AuditPage = Page<Audited, AuditCursor>;

/// A closing with all that belongs to it.
#[derive(Clone, Debug, PartialEq)]
pub struct Audited {
    /// The closing.
    pub view: ClosingView,
    /// The machine's tag.
    pub machine: Key,
    /// The area in which the machine stands now.
    pub area: String,
    /// The task's key.
    pub task: Option<Key>,
    /// What was to be done.
    pub title: Name,
    /// What was read, withdrawn ones too.
    pub readings: Vec<KeptReading>,
}
