//! The client's only sources of time and of ids.

use chrono::{DateTime, Utc};
use std::time::Duration;
use uuid::Uuid;

/// The moment.
#[expect(clippy::disallowed_methods, reason = "the client's one reading of the clock")]
pub(crate) fn now() -> DateTime<Utc> {
    Utc::now()
}

/// The moment by which years are told or left out: `SOURCE_DATE_EPOCH` where it is set, in seconds since 1970, so that the
/// output of a script can be compared with an older one's (reproducible-builds.org, its specification); else now.
pub(crate) fn told_at() -> DateTime<Utc> {
    let stated = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse().ok());
    stated.and_then(|seconds| DateTime::from_timestamp(seconds, 0)).unwrap_or_else(now)
}

/// A fresh request id.
#[expect(clippy::disallowed_methods, reason = "the client's one id source")]
pub(crate) fn request_id() -> Uuid {
    Uuid::new_v4()
}

/// How long to wait before attempt `attempt` (from 2 on): doubling from 200 ms to 3.2 s, each with up to a half more,
/// so that many clients of one restarting service do not come back in step.
pub(crate) fn backoff(attempt: u32) -> Duration {
    const FIRST_MS: u64 = 200;
    const DOUBLINGS_MAX: u32 = 4;
    let base = FIRST_MS << attempt.saturating_sub(2).min(DOUBLINGS_MAX);
    let share = u64::from(request_id().as_bytes()[0]);
    Duration::from_millis(base + base * share / 512)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_stay_bounded() {
        for (attempt, base) in [(2, 200), (3, 400), (4, 800), (6, 3_200), (60, 3_200)] {
            let wait = backoff(attempt).as_millis();
            assert!((base..=base * 3 / 2).contains(&wait), "attempt {attempt} waits {wait} ms");
        }
    }
}
