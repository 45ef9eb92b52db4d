//! The due point of a clause that waits for a reading out of limits: the instant of the first one since the last closing;
//! and, where the clause expects, when readings that drift towards a limit reach it.

use super::reader::Reader;
use super::row::{Ahead, Base, ClauseState, Counted, DueKind, Reaching};
use super::state::State;
use crate::reading::course::{Placed, Reach, course};
use crate::reading::{OutOfLimits, Step};
use crate::text::Key;
use crate::time::Ts;

/// The due point of the clause. A reading at the very instant of the last closing is what that closing left behind, so it
/// counts; one before it was dealt with. Which arrived first does not matter.
pub(super) fn point(reader: &Reader<'_>, point: &Key, expects: bool, state: &State) -> ClauseState {
    let since = state.last.map(|last| last.dealt_with);
    let counts =
        |at: Ts| since.is_none_or(|since| at >= since) && reader.until.is_none_or(|until| at < until);
    let of_point = reader.input.readings.iter().filter(|reading| reading.point == *point);
    let mut out: Vec<&OutOfLimits> = of_point.filter(|reading| counts(reading.at)).collect();
    out.sort_unstable();
    let (first, newest) = (out.first().copied(), out.last().copied());
    let due = first.map(|first| first.at);
    let reach = if expects && due.is_none() { expected(reader, point, &counts) } else { None };
    ClauseState {
        base: state.last.map_or(Base::Never, |last| last.base()),
        due: due.or(reach.as_ref().map(|(_, expected, _)| *expected)),
        kind: if due.is_some() { DueKind::Exact } else { DueKind::Expected },
        opens: due,
        late: due.map(|at| reader.calendar.end_of(reader.calendar.shop_day_of(at))),
        opens_expected: None,
        ahead: reach.as_ref().map(|(_, _, ahead)| *ahead),
        counted: Counted::Reading {
            point: point.clone(),
            first: first.cloned(),
            newest: newest.filter(|newest| Some(*newest) != first).cloned(),
            stop: out.iter().any(|reading| reading.beyond.step == Step::Stop),
            expects,
            reaching: reach.map(|(reaching, _, _)| reaching),
        },
    }
}

/// When the readings since the last closing reach a limit, as of the start of the shop day, and how surely. What is read on
/// the day has a part in it from the next one on, so that an expected date holds for the day; what is out of limits is due
/// at once all the same.
fn expected(reader: &Reader<'_>, point: &Key, counts: &dyn Fn(Ts) -> bool) -> Option<(Reaching, Ts, Ahead)> {
    let known = reader.input.points.get(point)?;
    let (start, ends) = (reader.calendar.start_of(reader.as_of), reader.calendar.end_of(reader.as_of));
    let told = known.readings.iter().copied().filter(|reading| counts(reading.at) && reading.at < start);
    let mut readings: Vec<Placed> = told.collect();
    readings.sort_unstable();
    let Reach { limit, expected, p10, p90, .. } = course(&readings, &known.limits).reaches?;
    // What should have been reached by now has not been: it is expected from now on.
    let ahead = Ahead {
        p10: Some(p10.max(start)),
        p90: p90.map(|at| at.max(start)),
        today: chance_before(ends, (p10, expected, p90)),
    };
    let reaching = Reaching {
        value: readings.last()?.value,
        sign: known.sign.clone(),
        limit,
        readings: u32::try_from(readings.len()).unwrap_or(u32::MAX),
    };
    Some((reaching, expected.max(start), ahead))
}

/// The chance, in thousandths, that it comes before an instant, as far as its three quantiles tell.
fn chance_before(ends: Ts, (p10, p50, p90): (Ts, Ts, Option<Ts>)) -> u16 {
    let before = |at: Ts| at < ends;
    match (before(p10), before(p50), p90.is_some_and(before)) {
        (_, _, true) => 900,
        (_, true, _) => 500,
        (true, _, _) => 100,
        (false, false, false) => 0,
    }
}
