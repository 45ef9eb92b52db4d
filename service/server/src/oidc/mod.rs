//! Callers whom an identity provider knows (OpenID Connect): a signed token of theirs stands in the place of one of ours.
//!
//! * [`jws`]: signatures and keys.
//! * [`claims`]: for whom, until when, which roles at which sites.
//! * `fetch`: where the keys come from.

pub mod claims;
mod fetch;
pub mod jws;

pub use fetch::{FetchError, Source};

use claims::{Claims, Rules};
use fettler_domain::time::Ts;
use jws::{Key, Signed};
use sha2::{Digest as _, Sha256};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Mutex, RwLock};
use tokio::time::Instant;

/// How long keys are believed before they are asked for again, so that one that was withdrawn goes.
const KEYS_FOR: Duration = Duration::from_hours(1);
/// How often keys are asked for at most: a stranger may name any key.
const ASKED_EVERY: Duration = Duration::from_mins(1);
/// What is hashed before issuer and subject, so that no token and no certificate has the same hash.
const DOMAIN: &[u8] = b"fettler identity\0";

/// Why a token of the provider is not taken. The words tell whoever holds it what to do, and nothing of what it holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// It is none.
    #[error("it cannot be read as a signed token")]
    Form,
    /// Not signed, or not as it must be.
    #[error("it is not signed by RS256, ES256 or EdDSA")]
    Algorithm,
    /// It names no key that the provider has.
    #[error("the provider has no such key as it names by `kid`")]
    Key,
    /// The signature does not fit.
    #[error("its signature does not fit")]
    Signature,
    /// Of another issuer.
    #[error("it is not of this service's issuer (`iss`)")]
    Issuer,
    /// For another service.
    #[error("it is not for this service (`aud`)")]
    Audience,
    /// Its time is over.
    #[error("its time is over (`exp`)")]
    Expired,
    /// Its time is to come.
    #[error("its time is to come (`nbf`, or `iat`); see to the clocks")]
    NotYet,
    /// A claim is missing, or none.
    #[error("its claim `{0}` is missing or cannot be read")]
    Claim(&'static str),
    /// Nothing in it makes a role.
    #[error("nothing in it makes a role here; the administrator grants it by --oidc-grant")]
    NoRole,
    /// Roles that hold at different sites.
    #[error(
        "it makes one role at some sites and another at others, and all roles of a token hold at all its sites"
    )]
    SitesDiffer,
    /// A site of a grant is not there.
    #[error("it is for a site that is not declared")]
    NoSite,
}

/// How often a provider is asked for its keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// How long keys are believed before they are asked for again.
    pub keys_for: Duration,
    /// How often they are asked for at most, when one is named that is not known or they could not be had.
    pub asked_every: Duration,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace { keys_for: KEYS_FOR, asked_every: ASKED_EVERY }
    }
}

/// The provider whose tokens are taken.
pub struct Provider {
    rules: Rules,
    keys: Arc<Keys>,
}

/// The provider's keys.
struct Keys {
    source: Source,
    pace: Pace,
    found: RwLock<Vec<Key>>,
    /// Held while they are asked for.
    asked: Mutex<Option<Asked>>,
}

/// How keys were asked for last.
#[derive(Clone, Copy)]
struct Asked {
    at: Instant,
    failed: bool,
}

impl Provider {
    /// One whose keys come from there. A file must be readable now; an address may answer later.
    pub async fn open(rules: Rules, source: Source, pace: Pace) -> Result<Provider, FetchError> {
        let keys = Keys { source, pace, found: RwLock::default(), asked: Mutex::new(None) };
        match keys.source.keys().await {
            Ok(found) => {
                *keys.found.write().await = found;
                *keys.asked.lock().await = Some(Asked { at: Instant::now(), failed: false });
            }
            Err(error) if keys.source.is_remote() => tell(&keys.source, &error),
            Err(error) => return Err(error),
        }
        Ok(Provider { rules, keys: Arc::new(keys) })
    }

    /// What is believed of a token now.
    pub async fn check(&self, token: &str, now: Ts) -> Result<Claims, Refused> {
        let signed = Signed::read(token)?;
        let key = self.key(signed.key_id.as_deref().ok_or(Refused::Key)?).await.ok_or(Refused::Key)?;
        if !signed.holds(&key) {
            return Err(Refused::Signature);
        }
        claims::read(&signed.payload, &self.rules, now)
    }

    /// The SHA-256 under which a subject's record is kept.
    pub fn hash(&self, subject: &str) -> [u8; 32] {
        let issuer = Sha256::digest(self.rules.issuer.as_bytes());
        Sha256::new()
            .chain_update(DOMAIN)
            .chain_update(issuer)
            .chain_update(subject.as_bytes())
            .finalize()
            .into()
    }

    /// The key with an id, asked for anew when there is none or the keys are old. One that is known is given at once.
    async fn key(&self, id: &str) -> Option<Key> {
        let known = self.keys.known(id).await;
        let is_known = known.is_some();
        let is_due = self.keys.asked.try_lock().map(|asked| self.keys.pace.is_due(*asked, is_known));
        match (known, is_due) {
            (Some(key), Ok(false) | Err(_)) => Some(key),
            // Another call may have asked for them meanwhile.
            (None, Ok(false)) => self.keys.known(id).await,
            (known, Ok(true) | Err(_)) => {
                let keys = Arc::clone(&self.keys);
                // A task of its own: a caller that leaves takes nothing away from others who wait.
                let asking = tokio::spawn(async move { keys.ask(is_known).await });
                if known.is_some() {
                    return known;
                }
                // One that broke has found nothing.
                let _ = asking.await;
                self.keys.known(id).await
            }
        }
    }
}

impl Keys {
    async fn ask(&self, is_known: bool) {
        let mut asked = self.asked.lock().await;
        if !self.pace.is_due(*asked, is_known) {
            return;
        }
        let found = self.source.keys().await;
        *asked = Some(Asked { at: Instant::now(), failed: found.is_err() });
        match found {
            Ok(found) => *self.found.write().await = found,
            Err(error) => tell(&self.source, &error),
        }
    }

    async fn known(&self, id: &str) -> Option<Key> {
        self.found.read().await.iter().find(|key| key.id.as_deref() == Some(id)).cloned()
    }
}

impl Pace {
    /// Whether keys are to be asked for: of one that is known only when they are old, or could not be had.
    fn is_due(self, asked: Option<Asked>, is_known: bool) -> bool {
        let wait = |asked: Asked| if is_known && !asked.failed { self.keys_for } else { self.asked_every };
        asked.is_none_or(|asked| asked.at.elapsed() >= wait(asked))
    }
}

fn tell(source: &Source, error: &FetchError) {
    let error: &dyn std::error::Error = error;
    tracing::warn!(%source, error, "the identity provider's keys could not be read; those of before stand");
}
