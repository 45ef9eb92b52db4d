//! Settling held reports.

use super::tx::Tx;
use crate::contract::{Result, Settled, StoreError};
use fettler_domain::ids::SiteId;
use fettler_domain::ledger::row::Settlement;
use fettler_domain::text::{ForeignName, Name};

/// A settlement that is asked for.
pub(super) struct Ask {
    /// Whose report.
    pub(super) source: ForeignName,
    /// Which report.
    pub(super) report: ForeignName,
    /// Which revision.
    pub(super) revision: u32,
    /// Which content; none when only one is known.
    pub(super) digest: Option<[u8; 32]>,
    /// What is decided.
    pub(super) settlement: Settlement,
    /// By whom.
    pub(super) by: Name,
    /// Why.
    pub(super) note: String,
}

/// Settles a held report.
pub(super) async fn settle(_tx: &mut Tx, _site: SiteId, _ask: Ask) -> Result<Settled> {
    Err(StoreError::Unavailable("settling is not built".into()))
}
