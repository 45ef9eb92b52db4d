//! The contract's calls about tokens, each handed to the module that does it.

use super::store::SqlStore;
use super::tokens;
use crate::contract::{Caller, NewToken, Page, PageAsk, Result, TokenRecord, Tokens};
use async_trait::async_trait;
use fettler_domain::ids::TokenId;
use fettler_domain::time::Ts;

#[async_trait]
impl Tokens for SqlStore {
    async fn token(&self, hash: &[u8; 32]) -> Result<Option<TokenRecord>> {
        tokens::by_hash(&mut *self.read().await?, hash).await
    }

    async fn add_token(&self, caller: &Caller, new: &NewToken) -> Result<TokenRecord> {
        let new = new.clone();
        self.queue.write(caller, move |tx| Box::pin(tokens::add(tx, new))).await
    }

    async fn has_tokens(&self) -> Result<bool> {
        tokens::any(&mut *self.read().await?).await
    }

    async fn tokens(&self, page: PageAsk<i64>) -> Result<Page<TokenRecord, i64>> {
        tokens::list(&mut *self.read().await?, page).await
    }

    async fn revoke_token(&self, caller: &Caller, token: TokenId) -> Result<TokenRecord> {
        self.queue.write(caller, move |tx| Box::pin(tokens::revoke(tx, token))).await
    }

    async fn note_use(&self, token: TokenId, at: Ts) -> Result<()> {
        let caller =
            Caller { token: None, method: "NoteUse", request: None, now: at, person: None, as_manager: true };
        self.queue.write(&caller, move |tx| Box::pin(tokens::used(tx, token, at))).await
    }
}
