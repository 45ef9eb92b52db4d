//! Time without rests: a machine that is laid up is not idle, so its clock stands still.

use super::input::Rest;
use crate::time::{MICROS_PER_DAY, Ts};

const MICROS_PER_WEEK: i64 = 7 * MICROS_PER_DAY;

/// The rests of a machine before an instant, one after the other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LaidUp(Vec<(Ts, Ts)>);

impl LaidUp {
    /// The rests as far as they lie before `until`; they may overlap.
    pub fn before(rests: &[Rest], until: Ts) -> LaidUp {
        let ends = |rest: &Rest| (rest.from, rest.until.unwrap_or(until).min(until));
        let mut all: Vec<(Ts, Ts)> = rests.iter().map(ends).filter(|(from, end)| from < end).collect();
        all.sort_unstable();
        let mut apart: Vec<(Ts, Ts)> = Vec::with_capacity(all.len());
        for (from, end) in all {
            match apart.last_mut().filter(|last| from <= last.1) {
                Some(last) => last.1 = last.1.max(end),
                None => apart.push((from, end)),
            }
        }
        LaidUp(apart)
    }

    /// Where an instant stands when all later rests are taken out.
    pub fn moved(&self, at: Ts) -> Ts {
        at.plus_micros(self.after(at))
    }

    /// The same with whole weeks taken out only, so that weekdays stay weekdays.
    pub(super) fn moved_by_weeks(&self, at: Ts) -> Ts {
        at.plus_micros(self.after(at) / MICROS_PER_WEEK * MICROS_PER_WEEK)
    }

    /// Whether there is a rest after an instant.
    pub(super) fn is_after(&self, at: Ts) -> bool {
        self.after(at) > 0
    }

    fn after(&self, at: Ts) -> i64 {
        self.0.iter().map(|(from, end)| end.micros_since(at.max(*from)).max(0)).sum()
    }
}
