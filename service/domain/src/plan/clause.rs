//! The due point of one clause, given what it counts from.

use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use super::state::State;
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::rule::occurrence::{
    DueCount, DuePeriod, due_count, due_period, newest_count_opened, newest_period,
};
use crate::rule::{Clause, CountsFrom, Every, IntervalRule, Window};
use crate::time::{ShopDay, Ts};

/// The most due points of one closed stretch that a closing on the working day before it satisfies at once.
const CLOSED_STRETCH_MAX: u32 = 400;

/// Where on its course a clause stands: so many due points of the grid are behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Behind(pub(super) i64);

/// The due point that is open under a clause.
pub(super) fn open_point(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    clause: &Clause,
    state: &State,
) -> ClauseState {
    let behind = behind(reader, rule, clause, state);
    point_at(reader, rule, clause, state, behind)
}

/// The due point after so many of the grid; without a grid, the one after the last closing.
pub(super) fn point_at(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    clause: &Clause,
    state: &State,
    behind: Behind,
) -> ClauseState {
    let window = rule.window();
    match *clause {
        Clause::Calendar { every, counts_from } => {
            let times = u32::try_from(behind.0).unwrap_or(u32::MAX - 1);
            let (base, from, period) = match (counts_from, state.last) {
                (CountsFrom::Grid(day), _) => {
                    (Base::Grid, every.after(day, times), due_period(day, every, window, times + 1))
                }
                (CountsFrom::LastClosing, Some(last)) => {
                    (last.base(), last.day, due_period(last.day, every, window, 1))
                }
                (CountsFrom::LastClosing, None) => return never_on_calendar(every),
            };
            let last_day = state.last.map(|last| last.day);
            calendar_point(reader, rule, (base, every, from), period, last_day)
        }
        Clause::Meter { meter, every, counts_from } => {
            let (base, from, since) = match (counts_from, state.last) {
                (CountsFrom::Grid(base), _) => {
                    let from = due_count(base, every, window, behind.0).due;
                    (Base::Grid, Some(from), behind_since(reader, meter, state))
                }
                (CountsFrom::LastClosing, Some(last)) => {
                    (last.base(), last.count(meter, reader), Some(last.at))
                }
                (CountsFrom::LastClosing, None) => (Base::Never, None, None),
            };
            let counts = from.map(|from| due_count(from, every, window, 1));
            meter_point(reader, (meter, every), (base, from, since), counts)
        }
    }
}

/// How many due points of the clause's grid are satisfied or skipped; 0 for a clause from the last closing.
pub(super) fn behind(reader: &mut Reader<'_>, rule: &IntervalRule, clause: &Clause, state: &State) -> Behind {
    let window = rule.window();
    Behind(match *clause {
        Clause::Calendar { every, counts_from: CountsFrom::Grid(base) } => {
            let done = state.done.map_or(0, |done| satisfied_periods(reader, rule, every, base, done.day));
            let skipped = state.skipped.map_or(0, |skip| {
                newest_period(base, every, skip.day, |times| every.after(base, times) <= skip.day)
            });
            i64::from(done.max(skipped))
        }
        Clause::Meter { meter, every, counts_from: CountsFrom::Grid(base) } => {
            let done = state.done.and_then(|done| done.count(meter, reader));
            let skipped = state.skipped.and_then(|skip| skip.count(meter, reader));
            let done = done.map_or(0, |count| newest_count_opened(base, every, window, count));
            let skipped = skipped.map_or(0, |count| newest_count_opened(base, every, Window::STRICT, count));
            done.max(skipped)
        }
        Clause::Calendar { counts_from: CountsFrom::LastClosing, .. }
        | Clause::Meter { counts_from: CountsFrom::LastClosing, .. } => 0,
    })
}

/// From when on the due points ahead on a meter's grid are looked for: from the last moment that put others behind.
fn behind_since(reader: &mut Reader<'_>, meter: MeterId, state: &State) -> Option<Ts> {
    let moments = [state.done, state.skipped].into_iter().flatten();
    moments.filter(|moment| moment.count(meter, reader).is_some()).map(|moment| moment.at).max()
}

/// How many due points of a calendar grid are behind after work done on a day: all whose window had opened, and
/// those of a closed stretch that begins after that day.
fn satisfied_periods(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    every: Every,
    base: ShopDay,
    day: ShopDay,
) -> u32 {
    let window = rule.window();
    let opened = newest_period(base, every, day, |times| due_period(base, every, window, times).opens <= day);
    let next = (opened + 1..=opened + CLOSED_STRETCH_MAX)
        .find(|times| reader.moved(every.after(base, *times), None, rule) > day);
    next.map_or(opened, |next| next - 1)
}

fn calendar_point(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    (base, every, from): (Base, Every, ShopDay),
    period: DuePeriod,
    last_day: Option<ShopDay>,
) -> ClauseState {
    let day = reader.moved(period.due, last_day, rule);
    let shuts = period.shuts.max(day);
    ClauseState {
        base,
        due: Some(reader.calendar.start_of(day)),
        kind: DueKind::CalendarDay,
        opens: Some(reader.calendar.start_of(period.opens.min(day))),
        late: Some(reader.calendar.end_of(shuts)),
        opens_expected: None,
        ahead: None,
        counted: Counted::Calendar {
            every,
            from: Some(from),
            by_rule: Some(period.due),
            day: Some(day),
            shuts: Some(shuts),
        },
    }
}

fn never_on_calendar(every: Every) -> ClauseState {
    let counted = Counted::Calendar { every, from: None, by_rule: None, day: None, shuts: None };
    unknown(Base::Never, counted)
}

fn unknown(base: Base, counted: Counted) -> ClauseState {
    let kind = DueKind::Unknown;
    ClauseState { base, due: None, kind, opens: None, late: None, opens_expected: None, ahead: None, counted }
}

fn meter_point(
    reader: &mut Reader<'_>,
    (meter, every): (MeterId, Amount),
    (base, from, since): (Base, Option<Amount>, Option<Ts>),
    counts: Option<DueCount>,
) -> ClauseState {
    let (unit, history) = (reader.unit(meter), reader.history(meter));
    let mut counted = Counted::Meter {
        meter,
        unit,
        every,
        from,
        threshold: counts.map(|counts| counts.due),
        h: history.map(|history| history.total() + history.ahead()),
        known_to: history.and_then(crate::ledger::history::History::known_to),
        expectation: None,
    };
    let Some(counts) = counts.filter(|_| history.is_some()) else {
        return unknown(base, counted);
    };
    let opens = reader.crossing(meter, counts.opens, since);
    let crossed = reader.crossing(meter, counts.due, since);
    if crossed.is_some() {
        // At the window's end itself the work is still on time: late begins with the next kept unit.
        let late = reader.crossing(meter, Amount(counts.shuts.0.saturating_add(1)), since);
        return ClauseState {
            base,
            due: crossed,
            kind: DueKind::Exact,
            opens,
            late,
            opens_expected: None,
            ahead: None,
            counted,
        };
    }
    let forecast = reader.forecast(meter);
    if let Counted::Meter { expectation, .. } = &mut counted {
        *expectation = forecast.map(|forecast| forecast.expectation());
    }
    let expected = |count| forecast.map(|forecast| forecast.expected(count));
    let (due, ahead) = expected(counts.due).unzip();
    ClauseState {
        base,
        due: due.flatten(),
        kind: DueKind::Expected,
        opens,
        late: None,
        opens_expected: if opens.is_none() { expected(counts.opens).and_then(|(at, _)| at) } else { None },
        ahead,
        counted,
    }
}
