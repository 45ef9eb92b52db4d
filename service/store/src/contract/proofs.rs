//! What makes the journal provable: the installation's signing key, signed checkpoints, and the hashes of proofs.

use super::{Caller, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::Hash;
use fettler_domain::journal::proof::{Head, Span};
use fettler_domain::time::Ts;

/// The public half of the key that signs the installation's journals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JournalKey {
    /// The installation's name in checkpoints; the same for all its keys.
    pub installation: String,
    /// The public key of RFC 8032.
    pub public: [u8; 32],
}

/// A signed checkpoint as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptCheckpoint {
    /// The lineage of the journal.
    pub lineage: u32,
    /// Its size and root.
    pub head: Head,
    /// When it was made.
    pub made_at: Ts,
    /// The signed note.
    pub note: String,
}

/// An entry as it is stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptLeaf {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The hash that stands beside them; bytes that were altered since do not give it.
    pub hash: Hash,
}

/// The key of a page of checkpoints: a lineage and a size.
pub type CheckpointCursor = (u32, i64);

/// The calls about proofs.
#[async_trait]
pub trait Proofs: Send + Sync {
    /// The key that signs, when one was made.
    async fn journal_key(&self) -> Result<Option<JournalKey>>;
    /// Lets a key sign from now on, and writes that into the installation's journal. Refused when another than `instead_of`
    /// signs meanwhile.
    async fn set_journal_key(
        &self,
        caller: &Caller,
        key: &JournalKey,
        instead_of: Option<&JournalKey>,
    ) -> Result<()>;
    /// Keeps a checkpoint; one of that size which is kept already stays.
    async fn keep_checkpoint(&self, site: SiteId, kept: &KeptCheckpoint) -> Result<()>;
    /// Checkpoints of a site's journal, newest first: those of the latest lineage, then those before it.
    async fn checkpoints(
        &self,
        site: SiteId,
        page: PageAsk<CheckpointCursor>,
    ) -> Result<Page<KeptCheckpoint, CheckpointCursor>>;
    /// The roots of subtrees of a site's journal, in the order asked for; all lie within the journal.
    async fn subtrees(&self, site: SiteId, spans: &[Span]) -> Result<Vec<Hash>>;
    /// The entries from a number on, as they are stored.
    async fn leaves(&self, site: SiteId, from: i64, limit: u32) -> Result<Vec<KeptLeaf>>;
    /// The entry that records the closing of an order.
    async fn closing_entry(&self, site: SiteId, order: OrderNumber) -> Result<i64>;
}
