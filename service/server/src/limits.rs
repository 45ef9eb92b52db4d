//! What one caller may ask for at once and in a second, so that no token keeps the others waiting.

use crate::status::Failure;
use fettler_domain::ids::TokenId;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Calls of one token under way at once: twice what one connection may have.
pub const CALLS_AT_ONCE: u32 = 512;
/// Streams of one token open at once; each may hold some megabytes of reports.
pub const STREAMS_AT_ONCE: u32 = 32;
/// Calls of one token in a second: more than a service answers, so that only a flood is refused, and before it reaches the
/// store.
pub const CALLS_PER_SECOND: u32 = 10_000;
/// How long calls may come faster than that.
const BURST: Duration = Duration::from_secs(1);
/// The most tokens remembered; those without a call under way are forgotten beyond it.
const TOKENS_MAX: usize = 1_000;

/// What is under way, by token.
#[derive(Debug, Default)]
pub struct Limits {
    callers: Mutex<HashMap<TokenId, Caller>>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Caller {
    calls: u32,
    streams: u32,
    /// Until when the calls so far would last, were they spread evenly.
    paid_until: Option<Instant>,
}

/// A call that counts as under way until it is dropped.
#[derive(Debug)]
pub struct Slot {
    limits: Arc<Limits>,
    token: TokenId,
    is_stream: bool,
}

impl Limits {
    fn callers(&self) -> MutexGuard<'_, HashMap<TokenId, Caller>> {
        self.callers.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Counts a call that begins now, or refuses it with the limit that it would pass.
    pub fn begin(self: &Arc<Self>, token: TokenId, is_stream: bool, now: Instant) -> Result<Slot, Failure> {
        let mut callers = self.callers();
        if callers.len() >= TOKENS_MAX {
            callers.retain(|_, caller| caller.calls > 0);
        }
        let caller = callers.entry(token).or_default();
        if is_stream && caller.streams >= STREAMS_AT_ONCE {
            return Err(Failure::LimitReached { limit: "streams_at_once", most: STREAMS_AT_ONCE });
        }
        if caller.calls >= CALLS_AT_ONCE {
            return Err(Failure::LimitReached { limit: "calls_at_once", most: CALLS_AT_ONCE });
        }
        let paid_until = caller.paid_until.map_or(now, |until| until.max(now));
        if paid_until.saturating_duration_since(now) >= BURST {
            return Err(Failure::LimitReached { limit: "calls_per_second", most: CALLS_PER_SECOND });
        }
        caller.paid_until = Some(paid_until + Duration::from_secs(1) / CALLS_PER_SECOND);
        caller.calls += 1;
        caller.streams += u32::from(is_stream);
        Ok(Slot { limits: self.clone(), token, is_stream })
    }
}

impl Drop for Slot {
    fn drop(&mut self) {
        if let Some(caller) = self.limits.callers().get_mut(&self.token) {
            caller.calls -= 1;
            caller.streams -= u32::from(self.is_stream);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE: TokenId = TokenId(1);

    fn limit_of(answer: Result<Slot, Failure>) -> Option<&'static str> {
        match answer {
            Err(Failure::LimitReached { limit, .. }) => Some(limit),
            Err(other) => panic!("{other}"),
            Ok(_) => None,
        }
    }

    #[test]
    fn calls_and_streams_at_once_are_counted_until_they_end_and_by_token() {
        let (limits, now) = (Arc::new(Limits::default()), Instant::now());
        let mut slots: Vec<Slot> =
            (0..STREAMS_AT_ONCE).map(|_| limits.begin(ONE, true, now).unwrap()).collect();
        assert_eq!(limit_of(limits.begin(ONE, true, now)), Some("streams_at_once"));
        slots.extend((STREAMS_AT_ONCE..CALLS_AT_ONCE).map(|_| limits.begin(ONE, false, now).unwrap()));
        assert_eq!(limit_of(limits.begin(ONE, false, now)), Some("calls_at_once"));
        assert_eq!(limit_of(limits.begin(TokenId(2), true, now)), None, "another's calls are another's");
        slots.remove(0);
        assert_eq!(limit_of(limits.begin(ONE, true, now)), None);
    }

    #[test]
    fn calls_in_a_second_are_bounded_and_come_back_with_time() {
        let (limits, start) = (Arc::new(Limits::default()), Instant::now());
        let let_in = |millis, tries: u32| {
            let at = start + Duration::from_millis(millis);
            let counted = (0..tries).filter(|_| limit_of(limits.begin(ONE, false, at)).is_none()).count();
            u32::try_from(counted).unwrap()
        };
        assert_eq!(let_in(0, CALLS_PER_SECOND + 500), CALLS_PER_SECOND);
        assert_eq!(let_in(100, CALLS_PER_SECOND), CALLS_PER_SECOND / 10);
        assert_eq!(let_in(5_000, CALLS_PER_SECOND * 2), CALLS_PER_SECOND);
    }
}
