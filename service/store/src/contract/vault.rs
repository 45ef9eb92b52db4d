//! Whether a store is whole, and what a restore from a backup does to it.

use super::{Caller, JournalHead, Result};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::lineage::{Opening, Stand};
use fettler_domain::journal::note::Verify;
use fettler_domain::time::Ts;
use std::collections::BTreeMap;

/// How many faults of a part are told; more are counted.
pub const FAULTS_MAX: usize = 20;

/// Something that is not as it must be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// What.
    pub what: String,
    /// What to do about it.
    pub remedy: &'static str,
}

/// A part of a store that was checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// Which: `database`, `journal`, `ledger` or `plan`.
    pub name: &'static str,
    /// Whose; none for all of it, and the installation's is 0.
    pub site: Option<SiteId>,
    /// What was looked at, with counts.
    pub seen: String,
    /// What was found, [`FAULTS_MAX`] at most.
    pub faults: Vec<Fault>,
    /// How many more were found.
    pub more: u64,
}

impl Part {
    /// One in which nothing was looked at yet.
    pub fn new(name: &'static str, site: Option<SiteId>) -> Part {
        Part { name, site, seen: String::new(), faults: Vec::new(), more: 0 }
    }

    /// Takes a fault.
    pub fn fault(&mut self, what: impl Into<String>, remedy: &'static str) {
        if self.faults.len() < FAULTS_MAX {
            self.faults.push(Fault { what: what.into(), remedy });
        } else {
            self.more += 1;
        }
    }
}

/// A checkpoint that is kept outside the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptNote {
    /// Where.
    pub place: String,
    /// The signed note.
    pub note: String,
}

/// What a restore says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Restore {
    /// The lineage that it opens in every journal.
    pub lineage: u32,
    /// When the backup was made.
    pub made_at: Ts,
    /// The newest checkpoint of each journal that is known.
    pub cites: BTreeMap<SiteId, Stand>,
}

/// The calls about a store as a whole.
#[async_trait]
pub trait Vault: Send + Sync {
    /// The heads of all journals: the installation's, and each site's.
    async fn journal_heads(&self) -> Result<Vec<(SiteId, JournalHead)>>;
    /// Checks all that can be checked, and changes nothing: the engine's own check; every entry, stored hash, root and
    /// checkpoint of every journal, those in `notes` as well; every report against its entry and every meter's totals against
    /// its reports; every row of the plan against a fresh one. A store that others write to meanwhile is checked part by part,
    /// each as it stands then.
    async fn check(&self, notes: &[KeptNote], verify: Verify) -> Result<Vec<Part>>;
    /// Opens a lineage in each journal, in one transaction; gives the entries that open it.
    async fn open_lineages(&self, caller: &Caller, restore: &Restore) -> Result<Vec<(SiteId, Opening)>>;
}
