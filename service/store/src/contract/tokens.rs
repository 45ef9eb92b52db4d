//! Tokens: who may call, for what, and until when.

use super::{Caller, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::access::Access;
use fettler_domain::ids::{PersonId, TokenId};
use fettler_domain::time::Ts;

/// A caller's token, of which the store keeps the hash only.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenRecord {
    /// Its number.
    pub token: TokenId,
    /// What it is for.
    pub name: String,
    /// What it may do.
    pub access: Access,
    /// When it was made.
    pub made_at: Ts,
    /// From when on it is not taken any more; none for never.
    pub expires_at: Option<Ts>,
    /// When it was taken back.
    pub revoked_at: Option<Ts>,
    /// When it was last seen to be used, as of an hour or so.
    pub used_at: Option<Ts>,
    /// Whose own it is; none when many may use it.
    pub person: Option<PersonId>,
    /// The name by which those are known who have no token: of certificates (`DNS:cell-7.example`), or of whom an identity provider
    /// knows (`OIDC:subject`); none for a token, or for one certificate alone.
    pub identity: Option<String>,
}

/// A token that is to be kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewToken {
    /// What it is for.
    pub name: String,
    /// Its SHA-256.
    pub hash: [u8; 32],
    /// What it may do.
    pub access: Access,
    /// From when on it is not taken any more; none for never.
    pub expires_at: Option<Ts>,
    /// Whose own it is; none when many may use it.
    pub person: Option<PersonId>,
    /// The name by which those are known who have no token: of certificates (`DNS:cell-7.example`), or of whom an identity provider
    /// knows (`OIDC:subject`); none for a token, or for one certificate alone.
    pub identity: Option<String>,
}

impl NewToken {
    /// One of an administrator, for ever.
    pub fn admin(name: &str, hash: [u8; 32]) -> NewToken {
        NewToken {
            name: name.to_owned(),
            hash,
            access: Access::admin(),
            expires_at: None,
            person: None,
            identity: None,
        }
    }
}

/// The calls about tokens.
#[async_trait]
pub trait Tokens: Send + Sync {
    /// The token with this SHA-256, whether or not it is still taken.
    async fn token(&self, hash: &[u8; 32]) -> Result<Option<TokenRecord>>;
    /// Keeps a new token's hash.
    async fn add_token(&self, caller: &Caller, new: &NewToken) -> Result<TokenRecord>;
    /// Whether any token was ever made.
    async fn has_tokens(&self) -> Result<bool>;
    /// Tokens by number.
    async fn tokens(&self, page: PageAsk<i64>) -> Result<Page<TokenRecord, i64>>;
    /// Takes a token back; one that was taken back before is answered as it stands.
    async fn revoke_token(&self, caller: &Caller, token: TokenId) -> Result<TokenRecord>;
    /// Notes that a token was used; of no journal's concern.
    async fn note_use(&self, token: TokenId, at: Ts) -> Result<()>;
}
