//! Whether a machine will be ready when a shift starts: from its start-up sheet and two warm-up checks.

use super::{Round, Walked};
use crate::shop::check::StartRole;
use crate::time::{MICROS_PER_MINUTE, Ts};

/// How long a warm-up takes where its check does not say (common practice, no source: 20 to 30 minutes).
pub const WARM_UP_MINUTES: u32 = 30;

/// How a machine stands before a shift.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ready {
    /// A step of its start-up failed: it must not start. What was found.
    MustNotStart(String),
    /// Somebody has seen that it is warm.
    Warm,
    /// No break came before the shift, so it is taken to run on; nobody has said so.
    RunsOn,
    /// It was left so that it warms up by itself, in time for the shift.
    Armed,
    /// It is cold. Ready at an instant, if its warm-up is begun now, or by another one at the latest.
    Cold {
        /// When it is ready at the earliest, but not before the shift.
        ready_at: Ts,
        /// When its warm-up has to begin so that it ends with the start of the shift.
        begin_by: Ts,
    },
}

/// How a machine that may run stands before a round's shift; none for one that has no warm-up. `walked` are its checks in that
/// round, `armed` whether it was left armed at the end of the last shift before.
pub fn ready(round: &Round, walked: &[Walked], warm_up: Option<u32>, armed: bool, now: Ts) -> Option<Ready> {
    let of = |role| walked.iter().filter(move |check| check.check.start == Some(role));
    let steps = of(StartRole::Step).chain(of(StartRole::Warm));
    let mut failed = steps.filter_map(|check| {
        let finding = check.answer.as_ref()?.finding.as_ref()?;
        Some(format!("{}: {finding}", check.check.title))
    });
    if let Some(failed) = failed.next() {
        return Some(Ready::MustNotStart(failed));
    }
    let minutes = i64::from(warm_up?);
    let is_warm = of(StartRole::Warm).any(|check| check.answer.is_some());
    if is_warm {
        return Some(Ready::Warm);
    }
    if !round.after_break {
        return Some(Ready::RunsOn);
    }
    let begin_by = round.start.plus_micros(-minutes * MICROS_PER_MINUTE);
    // One that was left armed warms up by itself; that it is warm is said once somebody has seen it.
    if armed && now < round.start {
        return Some(Ready::Armed);
    }
    let ready_at = round.start.max(now.plus_micros(minutes * MICROS_PER_MINUTE));
    Some(Ready::Cold { ready_at, begin_by })
}
