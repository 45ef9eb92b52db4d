//! Tokens: 256 random bits behind a prefix that secret scanners find. The store keeps their SHA-256 only.

use crate::clock::Clock;
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
/// How often the use of a token is noted at most, in microseconds: an hour, so that calls write nothing.
const NOTED_EVERY_MICROS: i64 = 3_600_000_000;
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

/// Whether a text has the form of 32 bytes in base64url.
pub(crate) fn is_secret(text: &str) -> bool {
    text.len() == SECRET_LEN && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_'))
}

/// The SHA-256 under which a token is kept.
pub fn hash(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

/// The SHA-256 under which a certificate (DER) is kept. No token has the form of one.
pub fn hash_of_certificate(certificate: &[u8]) -> [u8; 32] {
    Sha256::digest(certificate).into()
}

/// A token as it was found, and when it was asked for.
type Seen = (Instant, Arc<TokenRecord>);

/// Knows the callers by their tokens.
pub struct Doorkeeper {
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    seen: Mutex<HashMap<[u8; 32], Seen>>,
    refused: Mutex<Refused>,
}

struct Refused {
    since: Instant,
    lines: u32,
    untold: u64,
}

/// What a caller was let in by; a part of every request that passed the gate.
#[derive(Clone)]
pub struct Pass {
    /// The token.
    pub record: Arc<TokenRecord>,
    hash: [u8; 32],
    doorkeeper: Arc<Doorkeeper>,
}

impl Pass {
    /// Whether the token is still taken: a stream may last longer than it.
    pub async fn still_holds(&self) -> Result<(), Failure> {
        self.doorkeeper.taken(&self.hash, Instant::now()).await.map(drop)
    }
}

impl Doorkeeper {
    /// One that asks this store.
    pub fn new(store: Arc<dyn Store>, clock: Arc<dyn Clock>) -> Doorkeeper {
        let refused = Refused { since: Instant::now(), lines: 0, untold: 0 };
        Doorkeeper { store, clock, seen: Mutex::default(), refused: Mutex::new(refused) }
    }

    /// Lets a call in by its `authorization` header.
    pub async fn admit(self: &Arc<Self>, authorization: Option<&str>) -> Result<Pass, Failure> {
        self.admit_at(authorization, Instant::now()).await
    }

    /// Lets a call in by the certificate of its connection, which was checked against its authority: its SHA-256 stands in the
    /// place of a token's.
    pub async fn admit_certificate(self: &Arc<Self>, certificate: &[u8]) -> Result<Pass, Failure> {
        let hash = hash_of_certificate(certificate);
        let record = self.taken(&hash, Instant::now()).await?;
        Ok(Pass { record, hash, doorkeeper: self.clone() })
    }

    /// Lets a call in by its header at an instant of the monotonic clock, by which it is told how long a token is remembered.
    pub async fn admit_at(
        self: &Arc<Self>,
        authorization: Option<&str>,
        at: Instant,
    ) -> Result<Pass, Failure> {
        let authorization = authorization.ok_or(Failure::TokenMissing)?;
        let token = authorization.strip_prefix("Bearer ").ok_or(Failure::TokenMissing)?;
        let secret = token.strip_prefix(PREFIX).ok_or(Failure::TokenUnknown)?;
        if !is_secret(secret) {
            return Err(Failure::TokenUnknown);
        }
        let hash = hash(token);
        let record = self.taken(&hash, at).await?;
        Ok(Pass { record, hash, doorkeeper: self.clone() })
    }

    /// The token with this hash, when it is taken now.
    async fn taken(&self, hash: &[u8; 32], at: Instant) -> Result<Arc<TokenRecord>, Failure> {
        let record = match self.remembered(hash, at) {
            Some(record) => record,
            None => self.looked_up(hash, at).await?,
        };
        if record.revoked_at.is_some() {
            return Err(Failure::TokenRevoked);
        }
        if record.expires_at.is_some_and(|at| at <= self.clock.now()) {
            return Err(Failure::TokenExpired);
        }
        Ok(record)
    }

    /// What is found is as of the moment at which it was asked for, and is not believed longer than from then on.
    async fn looked_up(&self, hash: &[u8; 32], asked: Instant) -> Result<Arc<TokenRecord>, Failure> {
        let record = Arc::new(self.store.token(hash).await?.ok_or(Failure::TokenUnknown)?);
        self.remember(*hash, asked, &record);
        let is_over = record.expires_at.is_some_and(|at| at <= self.clock.now());
        if record.revoked_at.is_none() && !is_over {
            self.note_use(&record);
        }
        Ok(record)
    }

    /// Notes now and then that a token is used, without letting the call wait.
    fn note_use(&self, record: &TokenRecord) {
        let now = self.clock.now();
        if record.used_at.is_some_and(|at| now.micros_since(at) < NOTED_EVERY_MICROS) {
            return;
        }
        let (store, token) = (self.store.clone(), record.token);
        tokio::spawn(async move {
            if let Err(error) = store.note_use(token, now).await {
                tracing::debug!(%error, "the use of a token was not noted");
            }
        });
    }

    fn remembered(&self, hash: &[u8; 32], at: Instant) -> Option<Arc<TokenRecord>> {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh = |asked: &Instant| at.saturating_duration_since(*asked) < CACHE_FOR;
        seen.get(hash).filter(|(asked, _)| fresh(asked)).map(|(_, record)| record.clone())
    }

    fn remember(&self, hash: [u8; 32], asked: Instant, record: &Arc<TokenRecord>) {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if seen.len() >= CACHE_MAX {
            seen.clear();
        }
        seen.insert(hash, (asked, record.clone()));
    }

    /// Tells the log of a refused call, but not of every one of a flood.
    pub fn tell_refused(
        &self,
        method: &str,
        why: &dyn std::fmt::Display,
        peer: Option<std::net::SocketAddr>,
    ) {
        let mut refused = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
        if refused.since.elapsed() > REFUSED_WINDOW {
            if refused.untold > 0 {
                tracing::warn!(calls = refused.untold, "more calls were refused");
            }
            *refused = Refused { since: Instant::now(), lines: 0, untold: 0 };
        }
        if refused.lines < REFUSED_LINES_MAX {
            refused.lines += 1;
            tracing::warn!(method, peer = peer.map(tracing::field::display), %why, "call refused");
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
