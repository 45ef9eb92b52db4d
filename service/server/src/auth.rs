//! Tokens: 256 random bits behind a prefix that secret scanners find. The store keeps their SHA-256 only.

use crate::certificate::{CertificateName, names};
use crate::clock::Clock;
use crate::identity;
use crate::oidc::Provider;
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
    Ok(format!("{PREFIX}{}", new_secret()?))
}

/// 256 random bits as text.
pub(crate) fn new_secret() -> Result<String, getrandom::Error> {
    let mut secret = [0_u8; 32];
    getrandom::fill(&mut secret)?;
    Ok(URL_SAFE_NO_PAD.encode(secret))
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
    provider: Option<Arc<Provider>>,
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
    shown: Shown,
    doorkeeper: Arc<Doorkeeper>,
}

/// What was shown to be let in.
#[derive(Clone)]
enum Shown {
    /// What is known by one of these hashes: a token, or a certificate by itself or by a name in it. The first that is known counts.
    Hashes(Arc<[[u8; 32]]>),
    /// A token of the identity provider.
    Identity(Arc<str>),
}

impl Pass {
    /// Whether the token is still taken: a stream may last longer than it.
    pub async fn still_holds(&self) -> Result<(), Failure> {
        self.renewed().await.map(drop)
    }

    /// The same pass as the token stands now, if it is still taken: its roles and sites may be others meanwhile.
    pub(crate) async fn renewed(&self) -> Result<Pass, Failure> {
        let record = match &self.shown {
            Shown::Hashes(hashes) => self.doorkeeper.taken(hashes, Instant::now()).await?,
            Shown::Identity(token) => self.doorkeeper.identified(token, Instant::now()).await?,
        };
        Ok(Pass { record, ..self.clone() })
    }
}

impl Doorkeeper {
    /// One that asks this store.
    pub fn new(store: Arc<dyn Store>, clock: Arc<dyn Clock>) -> Doorkeeper {
        let refused = Refused { since: Instant::now(), lines: 0, untold: 0 };
        Doorkeeper { store, clock, provider: None, seen: Mutex::default(), refused: Mutex::new(refused) }
    }

    /// The same, which takes the tokens of an identity provider too.
    #[must_use]
    pub fn trusting(self, provider: Option<Arc<Provider>>) -> Doorkeeper {
        Doorkeeper { provider, ..self }
    }

    /// Lets a call in by its `authorization` header.
    pub async fn admit(self: &Arc<Self>, authorization: Option<&str>) -> Result<Pass, Failure> {
        self.admit_at(authorization, Instant::now()).await
    }

    /// Lets a call in by the certificate of its connection, which was checked against its authority: its SHA-256 stands in the
    /// place of a token's, else that of a name in it.
    pub async fn admit_certificate(self: &Arc<Self>, certificate: &[u8]) -> Result<Pass, Failure> {
        let names = names(certificate);
        let hashes =
            std::iter::once(hash_of_certificate(certificate)).chain(names.iter().map(CertificateName::hash));
        let hashes: Arc<[[u8; 32]]> = hashes.collect();
        let record = self.taken(&hashes, Instant::now()).await.map_err(|failure| {
            let unknown = matches!(failure, Failure::TokenUnknown);
            if unknown { Failure::CertificateUnknown(told(&names)) } else { failure }
        })?;
        Ok(Pass { record, shown: Shown::Hashes(hashes), doorkeeper: self.clone() })
    }

    /// Lets a call in by its header at an instant of the monotonic clock, by which it is told how long a token is remembered.
    pub async fn admit_at(
        self: &Arc<Self>,
        authorization: Option<&str>,
        at: Instant,
    ) -> Result<Pass, Failure> {
        let authorization = authorization.ok_or(Failure::TokenMissing)?;
        let token = authorization.strip_prefix("Bearer ").ok_or(Failure::TokenMissing)?;
        let Some(secret) = token.strip_prefix(PREFIX) else {
            let record = self.identified(token, at).await?;
            return Ok(Pass { record, shown: Shown::Identity(token.into()), doorkeeper: self.clone() });
        };
        if !is_secret(secret) {
            return Err(Failure::TokenUnknown);
        }
        let hashes: Arc<[[u8; 32]]> = Arc::new([hash(token)]);
        let record = self.taken(&hashes, at).await?;
        Ok(Pass { record, shown: Shown::Hashes(hashes), doorkeeper: self.clone() })
    }

    /// What the first of these hashes is known for, when it is taken now.
    async fn taken(&self, hashes: &[[u8; 32]], at: Instant) -> Result<Arc<TokenRecord>, Failure> {
        let first = hashes.first().ok_or(Failure::TokenUnknown)?;
        let record = match self.remembered(first, at) {
            Some(record) => record,
            None => self.looked_up(hashes, *first, at).await?,
        };
        self.standing(record)
    }

    /// A record that is taken: neither revoked nor over.
    fn standing(&self, record: Arc<TokenRecord>) -> Result<Arc<TokenRecord>, Failure> {
        if record.revoked_at.is_some() {
            return Err(Failure::TokenRevoked);
        }
        if record.expires_at.is_some_and(|at| at <= self.clock.now()) {
            return Err(Failure::TokenExpired);
        }
        Ok(record)
    }

    /// What is found is as of the moment at which it was asked for, and is not believed longer than from then on.
    async fn looked_up(
        &self,
        hashes: &[[u8; 32]],
        first: [u8; 32],
        asked: Instant,
    ) -> Result<Arc<TokenRecord>, Failure> {
        for hash in hashes {
            if let Some(record) = self.store.token(hash).await? {
                return Ok(self.found(first, asked, record));
            }
        }
        Err(Failure::TokenUnknown)
    }

    /// Remembers a record, and notes that it is used.
    fn found(&self, hash: [u8; 32], asked: Instant, record: TokenRecord) -> Arc<TokenRecord> {
        let record = Arc::new(record);
        self.remember(hash, asked, &record);
        let is_over = record.expires_at.is_some_and(|at| at <= self.clock.now());
        if record.revoked_at.is_none() && !is_over {
            self.note_use(&record);
        }
        record
    }

    /// Whom a token of the identity provider stands for, with the roles that it makes.
    async fn identified(&self, token: &str, at: Instant) -> Result<Arc<TokenRecord>, Failure> {
        let provider = self.provider.as_ref().ok_or(Failure::TokenUnknown)?;
        let key = hash(token);
        if let Some(record) = self.remembered(&key, at) {
            return self.standing(record);
        }
        let claims = provider.check(token, self.clock.now()).await.map_err(Failure::IdentityRefused)?;
        let record = identity::record(&*self.store, provider, &claims, self.clock.now()).await?;
        self.standing(self.found(key, at, record))
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
        trace_id: Option<&str>,
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
            let peer = peer.map(tracing::field::display);
            tracing::warn!(method, peer, %why, trace_id, "call refused");
        } else {
            refused.untold += 1;
        }
    }
}

/// The names of a certificate as they are told to its holder.
fn told(names: &[CertificateName]) -> String {
    match names {
        [] => "no name in it can be used".to_owned(),
        names => names.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
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
