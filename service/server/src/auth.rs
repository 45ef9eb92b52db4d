//! Tokens: 256 random bits behind a prefix that secret scanners find. The store keeps their SHA-256 only.

use crate::status::Failure;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use fettler_store::contract::{Store, TokenRecord};
use sha2::{Digest as _, Sha256};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What every token starts with.
pub const PREFIX: &str = "fettler_";
/// Base64url characters of 32 bytes.
const SECRET_LEN: usize = 43;
/// How long a token that was found is not looked up again; so long at most a removed one still works.
const CACHE_FOR: Duration = Duration::from_secs(1);
/// The most tokens remembered; far more than a shop has.
const CACHE_MAX: usize = 1_000;
/// Refused calls are told in the log at most so often per [`REFUSED_WINDOW`]; the others are counted.
const REFUSED_LINES_MAX: u32 = 10;
/// The stretch over which refused calls are counted.
const REFUSED_WINDOW: Duration = Duration::from_secs(10);

/// A new token.
pub fn new_token() -> Result<String, getrandom::Error> {
    let mut secret = [0_u8; 32];
    getrandom::fill(&mut secret)?;
    Ok(format!("{PREFIX}{}", URL_SAFE_NO_PAD.encode(secret)))
}

/// The SHA-256 under which a token is kept.
pub fn hash(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

/// Knows the callers by their tokens.
pub struct Doorkeeper {
    store: Arc<dyn Store>,
    seen: Mutex<HashMap<[u8; 32], (Instant, TokenRecord)>>,
    refused: Mutex<Refused>,
}

struct Refused {
    since: Instant,
    lines: u32,
    untold: u64,
}

impl Doorkeeper {
    /// One that asks this store.
    pub fn new(store: Arc<dyn Store>) -> Doorkeeper {
        let refused = Refused { since: Instant::now(), lines: 0, untold: 0 };
        Doorkeeper { store, seen: Mutex::default(), refused: Mutex::new(refused) }
    }

    /// The token of a call, by its `authorization` header.
    pub async fn admit(&self, authorization: Option<&str>) -> Result<TokenRecord, Failure> {
        let authorization = authorization.ok_or(Failure::TokenMissing)?;
        let token = authorization.strip_prefix("Bearer ").ok_or(Failure::TokenMissing)?;
        let secret = token.strip_prefix(PREFIX).ok_or(Failure::TokenUnknown)?;
        let plausible = secret.len() == SECRET_LEN
            && secret.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_'));
        if !plausible {
            return Err(Failure::TokenUnknown);
        }
        let hash = hash(token);
        if let Some(record) = self.remembered(&hash) {
            return Ok(record);
        }
        let record = self.store.token(&hash).await?.ok_or(Failure::TokenUnknown)?;
        self.remember(hash, &record);
        Ok(record)
    }

    fn remembered(&self, hash: &[u8; 32]) -> Option<TokenRecord> {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen.get(hash).filter(|(at, _)| at.elapsed() < CACHE_FOR).map(|(_, record)| record.clone())
    }

    fn remember(&self, hash: [u8; 32], record: &TokenRecord) {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if seen.len() >= CACHE_MAX {
            seen.clear();
        }
        seen.insert(hash, (Instant::now(), record.clone()));
    }

    /// Tells the log of a refused call, but not of every one of a flood.
    pub fn tell_refused(&self, method: &str, peer: Option<std::net::SocketAddr>) {
        let mut refused = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
        if refused.since.elapsed() > REFUSED_WINDOW {
            if refused.untold > 0 {
                tracing::warn!(calls = refused.untold, "more calls were refused for want of a token");
            }
            *refused = Refused { since: Instant::now(), lines: 0, untold: 0 };
        }
        if refused.lines < REFUSED_LINES_MAX {
            refused.lines += 1;
            tracing::warn!(
                method,
                peer = peer.map(tracing::field::display),
                "call refused for want of a token"
            );
        } else {
            refused.untold += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_are_long_and_differ() {
        let (one, other) = (new_token().expect("random bits"), new_token().expect("random bits"));
        assert_eq!(one.len(), PREFIX.len() + SECRET_LEN);
        assert_ne!(one, other);
        assert_ne!(hash(&one), hash(&other));
    }
}
