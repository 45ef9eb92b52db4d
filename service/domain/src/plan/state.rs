//! What the next due point counts from: the last closing, what was stated, or a skipped due point.

use super::decide::decide;
use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::time::{ShopDay, Ts};

/// A moment to count from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Anchor {
    pub(super) at: Ts,
    pub(super) day: ShopDay,
    /// When it was done or decided: what was read before then has been dealt with. A skipped due point may lie ahead of
    /// the skip, or behind it.
    pub(super) dealt_with: Ts,
    origin: Origin,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Origin {
    Closing,
    Stated,
    /// A skip; where a meter governed, the count that was skipped.
    Skip(Option<(MeterId, Amount)>),
}

/// What stands before the open order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct State {
    /// The last of all: clauses from the last closing count from it.
    pub(super) last: Option<Anchor>,
    /// The last that was done: on a grid it satisfied a due point.
    pub(super) done: Option<Anchor>,
    /// The last that was skipped: on a grid it passed over a due point.
    pub(super) skipped: Option<Anchor>,
}

impl Anchor {
    pub(super) fn base(&self) -> Base {
        match self.origin {
            Origin::Closing => Base::Closing(self.at),
            Origin::Stated => Base::Stated(self.day),
            Origin::Skip(_) => Base::Skip(self.at),
        }
    }

    /// The meter's count at this moment, if it is known.
    pub(super) fn count(&self, meter: MeterId, reader: &mut Reader<'_>) -> Option<Amount> {
        match self.origin {
            Origin::Stated => {
                let stated =
                    reader.input.last_done.as_ref().and_then(|done| done.counts.get(&meter)).copied();
                stated.map(|count| count + reader.replaced_by(meter, self.day))
            }
            Origin::Skip(Some((skipped, count))) if skipped == meter => Some(count),
            Origin::Closing | Origin::Skip(_) => reader.h(meter, self.at),
        }
    }
}

impl State {
    fn after_done(self, anchor: Anchor) -> State {
        State { last: Some(anchor), done: Some(anchor), ..self }
    }

    fn after_skip(self, anchor: Anchor) -> State {
        State { last: Some(anchor), skipped: Some(anchor), ..self }
    }
}

/// The state in which nothing but one closing has happened.
pub(super) fn done_at(reader: &Reader<'_>, at: Ts) -> State {
    let day = reader.calendar.shop_day_of(at);
    let closing = Anchor { at, day, dealt_with: at, origin: Origin::Closing };
    State::default().after_done(closing)
}

/// The state from all that happened before `until` (all there is, without one).
pub(super) fn state_before(reader: &mut Reader<'_>, until: Option<Ts>) -> State {
    let (input, calendar) = (reader.input, reader.calendar);
    let counts = |at: Ts| until.is_none_or(|until| at < until);
    let stated = input.last_done.as_ref().map(|done| Anchor {
        at: calendar.start_of(done.day),
        day: done.day,
        dealt_with: calendar.start_of(done.day),
        origin: Origin::Stated,
    });
    let closing =
        |at: Ts| Anchor { at, day: calendar.shop_day_of(at), dealt_with: at, origin: Origin::Closing };
    let done = |ahead_of: Option<Ts>| {
        let last = input.closings.iter().map(|c| c.done_at).filter(|at| counts(*at));
        let last = last.filter(|at| ahead_of.is_none_or(|skip| *at <= skip)).max().map(closing);
        let stated = stated.filter(|s| counts(s.at) && ahead_of.is_none_or(|skip| s.at <= skip));
        last.into_iter().chain(stated).max_by_key(|anchor| anchor.at)
    };

    let mut skips: Vec<Ts> = input.skips.iter().map(|skip| skip.at).filter(|at| counts(*at)).collect();
    skips.sort_unstable();
    let mut state = State::default();
    for at in skips {
        // Of the closings between two skips only the last matters: a later one satisfies all that an earlier did.
        state = with_later(state, done(Some(at)));
        state = state.after_skip(skipped_point(reader, &state, at));
    }
    with_later(state, done(None))
}

fn with_later(state: State, done: Option<Anchor>) -> State {
    match done {
        Some(anchor) if state.done != Some(anchor) => state.after_done(anchor),
        Some(_) | None => state,
    }
}

/// The due point that a skip decided at `at` passed over, as the reports that had ended by then tell: no forecast and
/// no hours that ran since have a part in it, so that the skip means the same on every later day.
fn skipped_point(reader: &mut Reader<'_>, state: &State, at: Ts) -> Anchor {
    let calendar = reader.calendar;
    let day = calendar.shop_day_of(at);
    let input = reader.input_by(at);
    let mut then = Reader::new(&input, calendar, day);
    let decision = decide(&mut then, state);
    let governing = decision.governing();
    let crossed = governing.filter(|clause| clause.kind == DueKind::Exact).and_then(|clause| clause.due);
    let point = match governing.map(|clause: &ClauseState| &clause.counted) {
        Some(
            Counted::Calendar { by_rule: Some(due_day), .. }
            | Counted::Recurrence { by_rule: Some(due_day), .. },
        ) => Anchor {
            at: calendar.start_of(*due_day),
            day: *due_day,
            dealt_with: at,
            origin: Origin::Skip(None),
        },
        Some(Counted::Meter { meter, threshold: Some(threshold), .. }) => {
            // Ahead of the crossing the other clauses count from the decision.
            let moment = crossed.unwrap_or(at).min(at);
            let origin = Origin::Skip(Some((*meter, *threshold)));
            Anchor { at: moment, day: calendar.shop_day_of(moment), dealt_with: at, origin }
        }
        // What was read until then was passed over with it.
        Some(
            Counted::Calendar { .. }
            | Counted::Recurrence { .. }
            | Counted::Meter { .. }
            | Counted::Reading { .. }
            | Counted::Model { .. },
        )
        | None => Anchor { at, day, dealt_with: at, origin: Origin::Skip(None) },
    };
    reader.miss(then);
    point
}
