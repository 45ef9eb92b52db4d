//! The store in memory proves nothing.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::Hash;
use fettler_domain::journal::lineage::Opening;
use fettler_domain::journal::note::Verify;
use fettler_domain::journal::proof::Span;
use fettler_store::contract::{
    Caller, CheckpointCursor, JournalHead, JournalKey, KeptCheckpoint, KeptLeaf, KeptNote, Page, PageAsk,
    Part, Proofs, Restore, Result, Vault,
};

#[async_trait]
impl Proofs for Fake {
    async fn journal_key(&self) -> Result<Option<JournalKey>> {
        away()
    }

    async fn set_journal_key(&self, _: &Caller, _: &JournalKey, _: Option<&JournalKey>) -> Result<()> {
        away()
    }

    async fn keep_checkpoint(&self, _: SiteId, _: &KeptCheckpoint) -> Result<()> {
        away()
    }

    async fn checkpoints(
        &self,
        _: SiteId,
        _: PageAsk<CheckpointCursor>,
    ) -> Result<Page<KeptCheckpoint, CheckpointCursor>> {
        away()
    }

    async fn subtrees(&self, _: SiteId, _: &[Span]) -> Result<Vec<Hash>> {
        away()
    }

    async fn leaves(&self, _: SiteId, _: i64, _: u32) -> Result<Vec<KeptLeaf>> {
        away()
    }

    async fn closing_entry(&self, _: SiteId, _: OrderNumber) -> Result<i64> {
        away()
    }
}

#[async_trait]
impl Vault for Fake {
    async fn journal_heads(&self) -> Result<Vec<(SiteId, JournalHead)>> {
        away()
    }

    async fn check(&self, _: &[KeptNote], _: Verify) -> Result<Vec<Part>> {
        away()
    }

    async fn open_lineages(&self, _: &Caller, _: &Restore) -> Result<Vec<(SiteId, Opening)>> {
        away()
    }
}
