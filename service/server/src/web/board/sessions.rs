//! Sessions: what stands for a token that was entered in a browser. The browser keeps a secret of its own, the service that secret's
//! SHA-256 and, of the token, what it keeps of any; in its memory alone.

use crate::auth::{Pass, hash, new_secret};
use fettler_domain::time::Ts;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// The most sessions at once: more than a shop has tablets and screens. Beyond it the one that would end first ends.
const SESSIONS_MAX: usize = 1_000;
/// Seconds of a shift with its hand-overs: so long somebody works at a tablet before the token is entered anew.
const WORK_SECONDS: i64 = 12 * 3_600;
/// Seconds of 90 days: so long a screen on the wall shows the board by a token that was entered once.
const SCREEN_SECONDS: i64 = 90 * 86_400;

/// What a browser is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Somebody works at it: names are shown, and orders closed.
    Work,
    /// It hangs on a wall: it shows the board to whoever comes by, without names, and closes nothing.
    Screen,
}

impl Purpose {
    /// How long a session for it lasts, in seconds.
    pub(super) fn seconds(self) -> i64 {
        match self {
            Purpose::Work => WORK_SECONDS,
            Purpose::Screen => SCREEN_SECONDS,
        }
    }
}

/// A session.
#[derive(Clone)]
pub(super) struct Session {
    /// By what the token was let in.
    pub(super) pass: Pass,
    /// What the browser is for.
    pub(super) purpose: Purpose,
    /// What each form of this session holds, so that no page of others can send one in its name.
    pub(super) mark: Arc<str>,
    until: Ts,
}

/// The sessions of this service.
#[derive(Default)]
pub(super) struct Sessions {
    by_hash: Mutex<HashMap<[u8; 32], Session>>,
}

impl Sessions {
    /// Begins a session; gives the secret that the browser keeps.
    pub(super) fn begin(&self, pass: Pass, purpose: Purpose, now: Ts) -> Result<String, getrandom::Error> {
        let (secret, mark) = (new_secret()?, new_secret()?.into());
        let until = Ts(now.0 + purpose.seconds() * 1_000_000);
        let mut sessions = self.by_hash.lock().unwrap_or_else(PoisonError::into_inner);
        if sessions.len() >= SESSIONS_MAX {
            sessions.retain(|_, session| session.until > now);
        }
        if sessions.len() >= SESSIONS_MAX {
            let first = sessions.iter().min_by_key(|(_, session)| session.until).map(|(hash, _)| *hash);
            first.and_then(|first| sessions.remove(&first));
        }
        sessions.insert(hash(&secret), Session { pass, purpose, mark, until });
        Ok(secret)
    }

    /// The session of a secret, while it lasts.
    pub(super) fn find(&self, secret: &str, now: Ts) -> Option<Session> {
        let mut sessions = self.by_hash.lock().unwrap_or_else(PoisonError::into_inner);
        let hash = hash(secret);
        let session = sessions.get(&hash)?.clone();
        if session.until <= now {
            sessions.remove(&hash);
            return None;
        }
        Some(session)
    }

    /// Ends the session of a secret.
    pub(super) fn end(&self, secret: &str) {
        self.by_hash.lock().unwrap_or_else(PoisonError::into_inner).remove(&hash(secret));
    }
}
