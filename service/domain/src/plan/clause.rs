//! The due point of one clause, given what it counts from.

use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use super::state::State;
use super::{model, reading, recurrence};
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::rule::occurrence::{
    DueCount, DuePeriod, due_count, due_period, newest_count_opened, newest_period,
};
use crate::rule::{Clause, CountsFrom, Every, IntervalRule, Window};
use crate::time::{ShopDay, Ts};

/// The most due points of one closed stretch that a closing on the working day before it satisfies at once.
pub(super) const CLOSED_STRETCH_MAX: u32 = 400;

/// Where on its course a clause stands. A clause from the last closing stands at 0 steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Behind {
    /// So many due points of its grid are behind it.
    Steps(i64),
    /// The days of its rule up to this one are behind it.
    Through(Option<ShopDay>),
}

impl Behind {
    /// How many due points of the grid are behind.
    fn steps(self) -> i64 {
        match self {
            Behind::Steps(steps) => steps,
            Behind::Through(_) => 0,
        }
    }

    /// Where the clause stood one due point before.
    pub(super) fn one_back(self, clause: &Clause) -> Behind {
        match (self, clause) {
            (Behind::Through(Some(day)), Clause::Recurrence(recurrence)) => {
                Behind::Through(recurrence.before(day))
            }
            (Behind::Through(day), _) => Behind::Through(day),
            (Behind::Steps(steps), _) => Behind::Steps(steps - 1),
        }
    }
}

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
        Clause::Reading { ref point, expects } => reading::point(reader, point, expects, state),
        Clause::Model { ref model } => model::point(reader, rule, model, state),
        Clause::Recurrence(ref recurrence) => {
            let day = if let Behind::Through(day) = behind { day } else { None };
            recurrence::point_after(reader, rule, recurrence, state, day)
        }
        Clause::Calendar { every, counts_from } => {
            let times = u32::try_from(behind.steps()).unwrap_or(u32::MAX - 1);
            let (base, from, period) = match (counts_from, state.last) {
                (CountsFrom::Grid(day), _) => {
                    (Base::Grid, every.after(day, times), due_period(day, every, window, times + 1))
                }
                (CountsFrom::LastClosing, Some(last)) => {
                    (last.base(), last.day, due_period(last.day, every, window, 1))
                }
                (CountsFrom::LastClosing, None) => return never_on_calendar(every),
            };
            calendar_point(reader, rule, (base, every, from), period, state)
        }
        Clause::Meter { meter, every, counts_from } => {
            let (base, from, since) = match (counts_from, state.last) {
                (CountsFrom::Grid(base), _) => {
                    let from = due_count(base, every, window, behind.steps()).due;
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

/// What of the clause's grid is satisfied or skipped; nothing for a clause from the last closing.
pub(super) fn behind(reader: &mut Reader<'_>, rule: &IntervalRule, clause: &Clause, state: &State) -> Behind {
    let window = rule.window();
    Behind::Steps(match *clause {
        Clause::Recurrence(ref recurrence) => {
            return Behind::Through(recurrence::behind(reader, rule, recurrence, state));
        }
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
        | Clause::Meter { counts_from: CountsFrom::LastClosing, .. }
        | Clause::Reading { .. }
        | Clause::Model { .. } => 0,
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

/// A due point on a shop day, moved off closed days, with its window.
pub(super) struct Point {
    pub(super) day: ShopDay,
    pub(super) shuts: ShopDay,
    pub(super) due: Ts,
    pub(super) opens: Ts,
    pub(super) late: Ts,
}

/// The due point of a period. Its window reaches from its own opening, or the moved day, to its own end, or that day.
pub(super) fn day_point(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    period: DuePeriod,
    state: &State,
) -> Point {
    let day = reader.moved(period.due, state.last.map(|last| last.day), rule);
    let shuts = period.shuts.max(day);
    Point {
        day,
        shuts,
        due: reader.calendar.start_of(day),
        opens: reader.calendar.start_of(period.opens.min(day)),
        late: reader.calendar.end_of(shuts),
    }
}

pub(super) fn calendar_point(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    (base, every, from): (Base, Every, ShopDay),
    period: DuePeriod,
    state: &State,
) -> ClauseState {
    let Point { day, shuts, opens, late, due } = day_point(reader, rule, period, state);
    ClauseState {
        base,
        due: Some(due),
        kind: DueKind::CalendarDay,
        opens: Some(opens),
        late: Some(late),
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

pub(super) fn meter_point(
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
