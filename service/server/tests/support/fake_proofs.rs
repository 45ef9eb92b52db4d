//! The store in memory proves nothing.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::Hash;
use fettler_domain::journal::proof::Span;
use fettler_store::contract::{Caller, JournalKey, KeptCheckpoint, Page, PageAsk, Proofs, Result};

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

    async fn checkpoints(&self, _: SiteId, _: PageAsk<i64>) -> Result<Page<KeptCheckpoint, i64>> {
        away()
    }

    async fn subtrees(&self, _: SiteId, _: &[Span]) -> Result<Vec<Hash>> {
        away()
    }

    async fn leaves(&self, _: SiteId, _: i64, _: u32) -> Result<Vec<Vec<u8>>> {
        away()
    }

    async fn closing_entry(&self, _: SiteId, _: OrderNumber) -> Result<i64> {
        away()
    }
}
