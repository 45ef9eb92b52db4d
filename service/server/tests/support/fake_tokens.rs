//! The store in memory knows tokens of administrators.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::access::Access;
use fettler_domain::ids::TokenId;
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, NewToken, Page, PageAsk, Result, TokenRecord, Tokens};
use std::sync::atomic::Ordering;

fn record(name: &str) -> TokenRecord {
    TokenRecord {
        token: TokenId(1),
        name: name.into(),
        access: Access::admin(),
        made_at: Ts(0),
        expires_at: None,
        revoked_at: None,
        used_at: None,
    }
}

#[async_trait]
impl Tokens for Fake {
    async fn token(&self, hash: &[u8; 32]) -> Result<Option<TokenRecord>> {
        self.looked_up.fetch_add(1, Ordering::SeqCst);
        Ok(self.tokens.lock().unwrap().contains(hash).then(|| record("admin")))
    }

    async fn add_token(&self, _: &Caller, new: &NewToken) -> Result<TokenRecord> {
        self.tokens.lock().unwrap().push(new.hash);
        Ok(record(&new.name))
    }

    async fn has_tokens(&self) -> Result<bool> {
        Ok(!self.tokens.lock().unwrap().is_empty())
    }

    async fn tokens(&self, _: PageAsk<i64>) -> Result<Page<TokenRecord, i64>> {
        away()
    }

    async fn revoke_token(&self, _: &Caller, _: TokenId) -> Result<TokenRecord> {
        away()
    }

    async fn note_use(&self, _: TokenId, _: Ts) -> Result<()> {
        away()
    }
}
