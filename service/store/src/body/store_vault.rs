//! The contract's calls about a store as a whole, each handed to the module that does it.

use super::store::SqlStore;
use super::{check, entries};
use crate::contract::{Caller, JournalHead, KeptNote, Part, Restore, Result, Vault};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::lineage::Opening;
use fettler_domain::journal::note::Verify;

#[async_trait]
impl Vault for SqlStore {
    async fn journal_heads(&self) -> Result<Vec<(SiteId, JournalHead)>> {
        entries::heads(&mut *self.read().await?).await
    }

    async fn check(&self, notes: &[KeptNote], verify: Verify) -> Result<Vec<Part>> {
        check::check(self, notes, verify).await
    }

    async fn open_lineages(&self, caller: &Caller, restore: &Restore) -> Result<Vec<(SiteId, Opening)>> {
        let restore = restore.clone();
        self.queue.write(caller, move |tx| Box::pin(check::open_lineages(tx, restore))).await
    }
}
