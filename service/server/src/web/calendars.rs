//! Due calendars under their secret addresses. No token is asked for: whoever knows an address reads what it tells, until it is taken
//! back.

use super::calls::refused;
use crate::auth::{Doorkeeper, hash, is_secret};
use crate::clock::Clock;
use crate::ics;
use crate::rpc::Desk;
use crate::status::{Failure, Then};
use crate::tls::Peer;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, Request, State};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use chrono::{DateTime, Utc};
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use fettler_store::contract::{DueCalendarRecord, Store};
use http::{HeaderMap, HeaderName, StatusCode as Number, header};
use sha2::{Digest as _, Sha256};
use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// How long an address that was found is not looked up again; so long at most one that was taken back is still answered.
const KNOWN_FOR: Duration = Duration::from_secs(1);
/// How long a calendar that was written is given again, so that nobody keeps the store busy by asking fast.
const WRITTEN_FOR: Duration = Duration::from_secs(15);
/// The most addresses and calendars remembered; far more than a shop has.
const REMEMBERED_MAX: usize = 256;
/// Calendars that are written at once; more wait their turn.
const AT_ONCE: usize = 4;
/// How long one waits for its turn and is written, before whoever asks is told to ask again.
const WITHIN: Duration = Duration::from_secs(30);
/// How HTTP writes times (RFC 9110, 5.6.7).
const HTTP_TIME: &str = "%a, %d %b %Y %H:%M:%S GMT";

/// Answers addresses.
pub(super) struct Addresses {
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    doorkeeper: Arc<Doorkeeper>,
    stopping: CancellationToken,
    known: Remembered<[u8; 32], DueCalendarRecord>,
    written: Remembered<(SiteId, i64), Written>,
    turns: Semaphore,
}

/// A calendar as it was written.
struct Written {
    text: Bytes,
    /// Its SHA-256 in quotes.
    tag: String,
    /// When something of it was told last, to the second.
    modified: DateTime<Utc>,
}

/// The paths of the calendars.
pub(super) fn paths(desk: &Desk, doorkeeper: Arc<Doorkeeper>) -> Router {
    let addresses = Addresses {
        store: desk.store.clone(),
        clock: desk.clock.clone(),
        doorkeeper,
        stopping: desk.stopping.clone(),
        known: Remembered::new(KNOWN_FOR),
        written: Remembered::new(WRITTEN_FOR),
        turns: Semaphore::new(AT_ONCE),
    };
    Router::new().route("/calendar/{file}", get(calendar)).with_state(Arc::new(addresses))
}

async fn calendar(
    State(addresses): State<Arc<Addresses>>,
    Path(file): Path<String>,
    request: Request,
) -> Response {
    if addresses.stopping.is_cancelled() {
        return refused(&Failure::Stopping(Then::AskAgain).into());
    }
    let found = timeout(WITHIN, addresses.find(&file)).await.unwrap_or(Err(Failure::Deadline));
    match found {
        Ok(Some(written)) => written.answer(request.headers()),
        Ok(None) => {
            let peer = Peer::of(request.extensions()).address;
            addresses.doorkeeper.tell_refused(
                "calendar",
                &"the address is not known, or was taken back",
                peer,
                None,
            );
            (Number::NOT_FOUND, super::ALWAYS, "there is no such calendar\n").into_response()
        }
        Err(failure) => refused(&failure.into()),
    }
}

impl Addresses {
    /// The calendar of a file's name; none where there is no such address, or not any more.
    async fn find(&self, file: &str) -> Result<Option<Arc<Written>>, Failure> {
        let Some(secret) = file.strip_suffix(".ics").filter(|secret| is_secret(secret)) else {
            return Ok(None);
        };
        let Some(record) = self.record(hash(secret)).await? else { return Ok(None) };
        if record.revoked_at.is_some() {
            return Ok(None);
        }
        let key = (record.site, record.number);
        if let Some(written) = self.written.get(&key) {
            return Ok(Some(written));
        }
        let _turn = self.turns.acquire().await.map_err(|_| Failure::Broken)?;
        // Others who asked for it may have had it written meanwhile.
        if let Some(written) = self.written.get(&key) {
            return Ok(Some(written));
        }
        let asked = Instant::now();
        let entries = self.store.due_entries(record.site, &record.areas, self.clock.now()).await?;
        let modified = ics::told_last(&entries).map_or(record.made_at, |told| told.max(record.made_at));
        let written = Arc::new(Written::new(ics::write(&record.name, &entries), modified));
        self.written.keep(key, asked, written.clone());
        Ok(Some(written))
    }

    async fn record(&self, hash: [u8; 32]) -> Result<Option<Arc<DueCalendarRecord>>, Failure> {
        if let Some(record) = self.known.get(&hash) {
            return Ok(Some(record));
        }
        // What is found is as of the moment at which it was asked for.
        let asked = Instant::now();
        let record = self.store.due_calendar(&hash).await?.map(Arc::new);
        if let Some(record) = &record {
            self.known.keep(hash, asked, record.clone());
        }
        Ok(record)
    }
}

impl Written {
    fn new(text: String, modified: Ts) -> Written {
        let tag = format!("\"{}\"", hex::encode(Sha256::digest(text.as_bytes())));
        Written { text: text.into(), tag, modified: modified.to_utc() }
    }

    /// The calendar, or that it is as it was when it was asked for before.
    fn answer(&self, headers: &HeaderMap) -> Response {
        let modified = self.modified.format(HTTP_TIME).to_string();
        let about: [(HeaderName, &str); 4] = [
            (header::ETAG, &self.tag),
            (header::LAST_MODIFIED, &modified),
            (header::CACHE_CONTROL, "private, no-cache"),
            (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        ];
        if self.is_known(headers) {
            return (Number::NOT_MODIFIED, about).into_response();
        }
        let kind = [
            (header::CONTENT_TYPE, "text/calendar; charset=utf-8"),
            (header::CONTENT_DISPOSITION, "inline; filename=\"fettler.ics\""),
        ];
        (about, kind, self.text.clone()).into_response()
    }

    /// Whether the caller has it as it stands: by its tag, else by its time (RFC 9110, 13.1).
    fn is_known(&self, headers: &HeaderMap) -> bool {
        let text = |name: HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
        if let Some(tags) = text(header::IF_NONE_MATCH) {
            let tags = tags.split(',').map(|tag| tag.trim().trim_start_matches("W/"));
            return tags.into_iter().any(|tag| tag == "*" || tag == self.tag);
        }
        let since =
            text(header::IF_MODIFIED_SINCE).and_then(|since| DateTime::parse_from_rfc2822(since).ok());
        since.is_some_and(|since| self.modified.timestamp() <= since.timestamp())
    }
}

/// What was found a short while ago.
pub(super) struct Remembered<K, V> {
    found: Mutex<HashMap<K, (Instant, Arc<V>)>>,
    holds_for: Duration,
}

impl<K: Eq + Hash, V> Remembered<K, V> {
    /// Remembers each for so long.
    pub(super) fn new(holds_for: Duration) -> Remembered<K, V> {
        Remembered { found: Mutex::default(), holds_for }
    }

    /// What was found, while it holds.
    pub(super) fn get(&self, key: &K) -> Option<Arc<V>> {
        let found = self.found.lock().unwrap_or_else(PoisonError::into_inner);
        let (asked, value) = found.get(key)?;
        (asked.elapsed() < self.holds_for).then(|| value.clone())
    }

    /// Keeps what was asked for at an instant.
    pub(super) fn keep(&self, key: K, asked: Instant, value: Arc<V>) {
        let mut found = self.found.lock().unwrap_or_else(PoisonError::into_inner);
        if found.len() >= REMEMBERED_MAX {
            found.clear();
        }
        found.insert(key, (asked, value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caller_that_has_it_is_told_so() {
        // 6 November 1994, 08:49:37 GMT: the example of RFC 9110, 5.6.7.
        let written = Written::new("x".into(), Ts(784_111_777_500_000));
        let tag = written.tag.clone();
        let asked = |name: HeaderName, value: &str| {
            written.answer(&HeaderMap::from_iter([(name, value.parse().unwrap())])).status().as_u16()
        };
        for (value, status) in
            [(tag.as_str(), 304), ("*", 304), ("\"x\"", 200), (&format!("\"x\", W/{tag}"), 304)]
        {
            assert_eq!(asked(header::IF_NONE_MATCH, value), status, "{value}");
        }
        let answer = written.answer(&HeaderMap::new());
        assert_eq!(answer.headers()[header::LAST_MODIFIED], "Sun, 06 Nov 1994 08:49:37 GMT");
        assert_eq!(asked(header::IF_MODIFIED_SINCE, "Sun, 06 Nov 1994 08:49:37 GMT"), 304);
        assert_eq!(asked(header::IF_MODIFIED_SINCE, "Sun, 06 Nov 1994 08:49:36 GMT"), 200);
        assert_eq!(asked(header::IF_MODIFIED_SINCE, "yesterday"), 200);
    }
}
