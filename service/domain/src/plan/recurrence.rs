//! The due point of a recurrence clause: the days of its rule, which end where the rule does.

use super::clause::{CLOSED_STRETCH_MAX, Point, day_point};
use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use super::state::State;
use crate::rule::occurrence::{newest_recurrence_opened, recurrence_period};
use crate::rule::{IntervalRule, Recurrence};
use crate::time::ShopDay;

/// The due point after a day of the rule, or the first of all; none once the rule has no further day.
pub(super) fn point_after(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    recurrence: &Recurrence,
    state: &State,
    behind: Option<ShopDay>,
) -> ClauseState {
    let counted = |by_rule: Option<ShopDay>, day: Option<ShopDay>, shuts: Option<ShopDay>| {
        let rule = recurrence.spec().clone();
        Counted::Recurrence { rule, before: behind, by_rule, day, shuts }
    };
    let Some(due) = next_after(recurrence, behind) else {
        return ClauseState {
            base: Base::Grid,
            due: None,
            kind: DueKind::Ended,
            opens: None,
            late: None,
            opens_expected: None,
            ahead: None,
            counted: counted(None, None, None),
        };
    };
    let period = recurrence_period(recurrence, rule.window(), due);
    let Point { day, shuts, opens, late, due } = day_point(reader, rule, period, state);
    ClauseState {
        base: Base::Grid,
        due: Some(due),
        kind: DueKind::CalendarDay,
        opens: Some(opens),
        late: Some(late),
        opens_expected: None,
        ahead: None,
        counted: counted(Some(period.due), Some(day), Some(shuts)),
    }
}

/// The day of the rule that follows one, or the first of all.
fn next_after(recurrence: &Recurrence, behind: Option<ShopDay>) -> Option<ShopDay> {
    recurrence.next(behind.map_or(recurrence.from(), |day| day.plus_days(1)))
}

/// The newest day of the rule that is satisfied or skipped.
pub(super) fn behind(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    recurrence: &Recurrence,
    state: &State,
) -> Option<ShopDay> {
    let done = state.done.and_then(|done| satisfied_by(reader, rule, recurrence, done.day));
    let skipped = state.skipped.and_then(|skip| recurrence.before(skip.day.plus_days(1)));
    done.max(skipped)
}

/// The newest day of the rule that work on a day satisfies: of those whose window had opened, and of a closed stretch
/// that begins after that day.
fn satisfied_by(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    recurrence: &Recurrence,
    day: ShopDay,
) -> Option<ShopDay> {
    let mut newest = newest_recurrence_opened(recurrence, rule.window(), day);
    for _ in 0..CLOSED_STRETCH_MAX {
        match next_after(recurrence, newest) {
            Some(next) if reader.moved(next, None, rule) <= day => newest = Some(next),
            Some(_) | None => break,
        }
    }
    newest
}
