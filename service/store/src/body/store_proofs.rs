//! The contract's calls about proofs, each handed to the module that does it.

use super::proofs;
use super::store::SqlStore;
use crate::contract::{
    Caller, CheckpointCursor, JournalKey, KeptCheckpoint, KeptLeaf, Page, PageAsk, Proofs, Result,
};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::Hash;
use fettler_domain::journal::proof::Span;

#[async_trait]
impl Proofs for SqlStore {
    async fn journal_key(&self) -> Result<Option<JournalKey>> {
        proofs::key(&mut *self.read().await?).await
    }

    async fn set_journal_key(
        &self,
        caller: &Caller,
        key: &JournalKey,
        instead_of: Option<&JournalKey>,
    ) -> Result<()> {
        let (key, instead_of) = (key.clone(), instead_of.cloned());
        self.queue.write(caller, move |tx| Box::pin(proofs::set_key(tx, key, instead_of))).await
    }

    async fn keep_checkpoint(&self, site: SiteId, kept: &KeptCheckpoint) -> Result<()> {
        let kept = kept.clone();
        let caller = Caller {
            token: None,
            method: "KeepCheckpoint",
            request: None,
            now: kept.made_at,
            person: None,
            as_manager: true,
        };
        self.queue.write(&caller, move |tx| Box::pin(proofs::keep(tx, site, kept))).await
    }

    async fn checkpoints(
        &self,
        site: SiteId,
        page: PageAsk<CheckpointCursor>,
    ) -> Result<Page<KeptCheckpoint, CheckpointCursor>> {
        proofs::list(&mut *self.read().await?, site, page).await
    }

    async fn subtrees(&self, site: SiteId, spans: &[Span]) -> Result<Vec<Hash>> {
        proofs::subtrees(&mut *self.read().await?, site, spans).await
    }

    async fn leaves(&self, site: SiteId, from: i64, limit: u32) -> Result<Vec<KeptLeaf>> {
        proofs::leaves(&mut *self.read().await?, site, from, limit).await
    }

    async fn closing_entry(&self, site: SiteId, order: OrderNumber) -> Result<i64> {
        proofs::closing_entry(&mut *self.read().await?, site, order).await
    }
}
