//! The due point of a clause that waits for a reading out of limits: the instant of the first one since the last closing.

use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use super::state::State;
use crate::reading::{OutOfLimits, Step};
use crate::text::Key;

/// The due point of the clause. A reading at the very instant of the last closing is what that closing left behind, so it
/// counts; one before it was dealt with. Which arrived first does not matter.
pub(super) fn point(reader: &Reader<'_>, point: &Key, state: &State) -> ClauseState {
    let since = state.last.map(|last| last.at);
    let counts = |reading: &&OutOfLimits| {
        reading.point == *point
            && since.is_none_or(|since| reading.at >= since)
            && reader.until.is_none_or(|until| reading.at < until)
    };
    let mut out: Vec<&OutOfLimits> = reader.input.readings.iter().filter(counts).collect();
    out.sort_unstable();
    let (first, newest) = (out.first().copied(), out.last().copied());
    let due = first.map(|first| first.at);
    ClauseState {
        base: state.last.map_or(Base::Never, |last| last.base()),
        due,
        kind: if due.is_some() { DueKind::Exact } else { DueKind::Expected },
        opens: due,
        late: due.map(|at| reader.calendar.end_of(reader.calendar.shop_day_of(at))),
        opens_expected: None,
        ahead: None,
        counted: Counted::Reading {
            point: point.clone(),
            first: first.cloned(),
            newest: newest.filter(|newest| Some(*newest) != first).cloned(),
            stop: out.iter().any(|reading| reading.beyond.step == Step::Stop),
        },
    }
}
