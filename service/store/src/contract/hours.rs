//! What becomes of reports, and how they are listed.

use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::report::ReportKey;
use fettler_domain::ledger::row::Row;
use fettler_domain::quantity::Amount;
use fettler_domain::shop::ShopChange;
use fettler_domain::text::{ForeignName, Key};

/// What a load did, or would do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoadReport {
    /// The changes, in the order of the declaration.
    pub changes: Vec<ShopChange>,
    /// How many orders were opened.
    pub orders_opened: u32,
    /// How many held reports wait to be judged again.
    pub reports_waiting: u64,
}

/// What became of one pushed report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acknowledged {
    /// The report.
    pub key: ReportKey,
    /// What became of it.
    pub outcome: Outcome,
    /// What left the count because of it, with the unit's meter kind; none when nothing did.
    pub left: Option<(Amount, fettler_domain::quantity::Unit)>,
    /// Reports that counted before and do not now.
    pub displaced: Vec<ReportKey>,
    /// Reports that were held before and count now.
    pub let_in: Vec<ReportKey>,
    /// What whoever sends it should know besides.
    pub remarks: Vec<String>,
}

/// A report as the ledger keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptReport {
    /// The row.
    pub row: Row,
    /// The tag of its machine, when it was found.
    pub machine: Option<Key>,
    /// The key of its meter, when it was found.
    pub meter: Option<Key>,
    /// The journal entry of its arrival.
    pub entry: i64,
}

/// Where a page of reports begins: an opaque key made by the store.
pub type ReportCursor = (i64, i64);

/// Which reports to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReportFilter {
    /// Of this machine.
    pub machine: Option<Key>,
    /// Of this source.
    pub source: Option<ForeignName>,
    /// Held ones only; with a reason's word (the serde name), only those.
    pub held: Option<Option<&'static str>>,
}

/// How many reports are held, and how many of them wait to be judged again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HeldCounts {
    /// Held in all.
    pub held: u64,
    /// Waiting to be judged again.
    pub waiting: u64,
}

/// A settlement and what it changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Settled {
    /// The report as it stands now.
    pub report: KeptReport,
    /// Reports that counted before and do not now.
    pub displaced: Vec<ReportKey>,
    /// Reports that were held before and count now.
    pub let_in: Vec<ReportKey>,
}
