//! The store in memory knows tokens of administrators.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::access::Access;
use fettler_domain::ids::{PersonId, TokenId};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Caller, NewToken, Page, PageAsk, PersonRecord, PinRecord, Pins, Result, TokenRecord, Tokens,
};
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
        person: None,
        identity: None,
    }
}

#[async_trait]
impl Pins for Fake {
    async fn pin(&self, _: &Name) -> Result<Option<PinRecord>> {
        away()
    }

    async fn note_pin(&self, _: PersonId, _: bool, _: Ts) -> Result<()> {
        away()
    }

    async fn set_pin(&self, _: &Caller, _: &Name, _: &str) -> Result<PersonRecord> {
        away()
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
