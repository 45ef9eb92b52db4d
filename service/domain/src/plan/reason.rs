//! Why an order is due: first as data, then as a sentence.

use super::model::{Modelled, model_in_words};
use super::row::{Base, ClauseState, Counted, DueKind, HeldUntil, PlanRow, Reaching};
use crate::calendar::Calendar;
use crate::forecast::Basis;
use crate::ids::MeterId;
use crate::quantity::{Amount, Unit};
use crate::reading::{OutOfLimits, with_sign};
use crate::rule::model::Model;
use crate::rule::{Every, RecurrenceSpec};
use crate::text::Key;
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};

/// What a clause counts from, as far as it is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Since {
    /// The last closing, done on this day.
    Closing(ShopDay),
    /// Stated to have been done on this day.
    Stated(ShopDay),
    /// The due point skipped on this day.
    Skip(ShopDay),
    /// The grid.
    Grid,
    /// Nothing.
    Never,
    /// A reading of this day.
    Reading(ShopDay),
    /// What was poured in on this day.
    Poured(ShopDay),
}

/// One reason, as data.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Reason {
    /// A meter reached its threshold.
    Crossed {
        /// What was counted since.
        ran: Amount,
        /// The interval.
        every: Amount,
        /// The meter's unit.
        unit: Unit,
        /// Since when.
        since: Since,
        /// The crossing.
        at: Ts,
    },
    /// A meter has not reached its threshold.
    Expected {
        /// What was counted since.
        ran: Amount,
        /// The interval.
        every: Amount,
        /// The meter's unit.
        unit: Unit,
        /// Since when.
        since: Since,
        /// When it is expected; absent where no date can be expected.
        at: Option<Ts>,
        /// Between which instants it falls with eight chances in ten; the later one absent beyond ten years.
        between: Option<(Ts, Option<Ts>)>,
        /// Whether it has no reports of its own, so that only machines like it say when.
        by_others: bool,
    },
    /// A day of the calendar.
    Day {
        /// The interval.
        every: Every,
        /// Since when.
        since: Since,
        /// The day counted from.
        from: ShopDay,
        /// The due day by the rule alone.
        by_rule: ShopDay,
        /// The due day after the move off closed days.
        day: ShopDay,
    },
    /// A day of a recurrence rule.
    Recurrence {
        /// The rule.
        rule: RecurrenceSpec,
        /// The due day by the rule alone.
        by_rule: ShopDay,
        /// The due day after the move off closed days.
        day: ShopDay,
    },
    /// The recurrence rule has no further day.
    Ended {
        /// The rule.
        rule: RecurrenceSpec,
        /// The last of its days.
        last: Option<ShopDay>,
    },
    /// A reading is out of limits.
    OutOfLimits {
        /// The first.
        first: OutOfLimits,
        /// The newest, where there are several.
        newest: Option<OutOfLimits>,
    },
    /// Readings drift towards a limit.
    Reaching {
        /// The test point's key.
        point: Key,
        /// The last reading, and the limit.
        reaching: Reaching,
        /// When the limit is expected to be reached.
        at: Ts,
        /// Between which instants that falls with eight chances in ten; the later one absent where it is far.
        between: Option<(Ts, Option<Ts>)>,
    },
    /// No reading at the test point is out of limits.
    WithinLimits {
        /// The point's key.
        point: Key,
    },
    /// What a model says.
    Modelled {
        /// The model.
        model: Box<Model<MeterId>>,
        /// What it starts from, how fast it goes and what it finds.
        told: Box<Modelled>,
        /// Why the due point that governs is where it is; absent where a reading says that it is due.
        why: Option<Box<Reason>>,
        /// Whether its hours cannot be counted, so that something else governs.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        uncounted: bool,
    },
    /// The clause has no beginning to count from.
    NeverRecorded,
    /// The meter has counted nothing yet, or its count at the stated work is not known.
    HoursNotKnown {
        /// The interval.
        every: Amount,
        /// The meter's unit.
        unit: Unit,
    },
    /// Hours have stopped arriving.
    KnownTo {
        /// The latest instant to which they are known.
        at: Ts,
    },
    /// Raised by somebody, a finding or a reading.
    Raised {
        /// When it is due, which may be a later day than that on which it was raised.
        due: Ts,
    },
    /// Due later, because of a changed rule or a rest.
    Held(HeldUntil),
}

/// Why an order is due: every clause, the governing one first, then what held it back and how far hours are known.
pub fn reasons(row: &PlanRow, calendar: &Calendar) -> Vec<Reason> {
    let mut reasons = Vec::with_capacity(row.clauses.len() + 2);
    if let (DueKind::Raised, Some(due)) = (row.kind, row.opens) {
        reasons.push(Reason::Raised { due });
    }
    let governing = row.governing.unwrap_or(usize::MAX);
    let first = row.clauses.get(governing).into_iter();
    let rest = row.clauses.iter().enumerate().filter(|(i, _)| *i != governing).map(|(_, clause)| clause);
    reasons.extend(first.chain(rest).map(|clause| reason_of(clause, calendar)));
    reasons.extend(row.held_until.map(Reason::Held));
    let known_to = row.clauses.iter().flat_map(ClauseState::parts).filter_map(|part| match part.counted {
        Counted::Meter { known_to, .. } => known_to,
        Counted::Calendar { .. }
        | Counted::Recurrence { .. }
        | Counted::Reading { .. }
        | Counted::Model { .. } => None,
    });
    let start = calendar.start_of(row.stamp.as_of);
    reasons.extend(known_to.min().filter(|at| *at < start).map(|at| Reason::KnownTo { at }));
    reasons
}

fn reason_of(clause: &ClauseState, calendar: &Calendar) -> Reason {
    let since = match clause.base {
        Base::Never => Since::Never,
        Base::Closing(at) => Since::Closing(calendar.shop_day_of(at)),
        Base::Stated(day) => Since::Stated(day),
        Base::Skip(at) => Since::Skip(calendar.shop_day_of(at)),
        Base::Grid => Since::Grid,
        Base::Reading(at) => Since::Reading(calendar.shop_day_of(at)),
        Base::Poured(at) => Since::Poured(calendar.shop_day_of(at)),
    };
    match clause.counted {
        Counted::Calendar { every, from: Some(from), by_rule: Some(by_rule), day: Some(day), .. } => {
            Reason::Day { every, since, from, by_rule, day }
        }
        Counted::Calendar { .. } => Reason::NeverRecorded,
        Counted::Recurrence { ref rule, by_rule: Some(by_rule), day: Some(day), .. } => {
            Reason::Recurrence { rule: rule.clone(), by_rule, day }
        }
        Counted::Recurrence { ref rule, before, .. } => Reason::Ended { rule: rule.clone(), last: before },
        Counted::Reading { first: Some(ref first), ref newest, .. } => {
            Reason::OutOfLimits { first: first.clone(), newest: newest.clone() }
        }
        Counted::Reading { ref point, reaching: Some(ref reaching), .. } => {
            let between = clause.ahead.and_then(|ahead| Some((ahead.p10?, ahead.p90)));
            let at = clause.due.unwrap_or(Ts::MAX);
            Reason::Reaching { point: point.clone(), reaching: reaching.clone(), at, between }
        }
        Counted::Reading { ref point, .. } => Reason::WithinLimits { point: point.clone() },
        Counted::Model { ref model, ref told, governing, ref parts } => Reason::Modelled {
            model: model.clone(),
            told: told.clone(),
            why: governing.and_then(|index| parts.get(index)).map(|part| Box::new(reason_of(part, calendar))),
            uncounted: parts.iter().enumerate().any(|(place, part)| {
                governing.is_some_and(|governing| governing != place)
                    && part.kind == DueKind::Unknown
                    && matches!(part.counted, Counted::Meter { .. })
            }),
        },
        Counted::Meter { every, unit, from: Some(from), h: Some(h), expectation, .. } => {
            let ran = h - from;
            match (clause.kind, clause.due) {
                (DueKind::Exact, Some(at)) => Reason::Crossed { ran, every, unit, since, at },
                (_, at) => {
                    let between = clause.ahead.and_then(|ahead| Some((ahead.p10?, ahead.p90)));
                    let by_others = expectation.is_some_and(|used| used.basis == Basis::Fleet);
                    Reason::Expected { ran, every, unit, since, at, between, by_others }
                }
            }
        }
        Counted::Meter { .. } if clause.base == Base::Never => Reason::NeverRecorded,
        Counted::Meter { every, unit, .. } => Reason::HoursNotKnown { every, unit },
    }
}

/// A reason as a sentence, as seen on the shop day `today`.
pub fn reason_in_words(reason: &Reason, calendar: &Calendar, today: ShopDay) -> String {
    match *reason {
        Reason::Crossed { ran, every, unit, since, at } => {
            let crossed = calendar.instant_in_words(at, today);
            format!("{}, crossed {crossed}", ran_in_words(ran, every, unit, since, calendar, today))
        }
        Reason::Expected { ran, every, unit, since, at, between, by_others } => {
            let ran = ran_in_words(ran, every, unit, since, calendar, today);
            let expected = expected_in_words(at, between, calendar, today);
            let whose = if by_others { ", from machines like it" } else { "" };
            format!("{ran}, {expected}{whose}")
        }
        Reason::Day { every, since, from, by_rule, day } => {
            let mut words = match since_in_words(since, calendar, today) {
                Some(since) => format!("{every}, {since}"),
                None => format!("{every}, on the grid from {}", calendar.day_in_words(from, today)),
            };
            words.push_str(&moved_in_words(by_rule, day, calendar, today));
            words
        }
        Reason::Recurrence { ref rule, by_rule, day } => {
            format!("{rule}{}", moved_in_words(by_rule, day, calendar, today))
        }
        Reason::Ended { ref rule, last } => match last {
            Some(last) => format!("{rule}: ended with {}", calendar.weekday_in_words(last, today)),
            None => format!("{rule}: ended"),
        },
        Reason::OutOfLimits { ref first, ref newest } => {
            let read = |out: &OutOfLimits| calendar.instant_in_words(out.at, today);
            let newest = newest.as_ref().map(|newest| {
                let (value, sign) = (with_sign(newest.value, &newest.sign), &newest.sign);
                format!("; again {value}, {}, read {}", newest.beyond.in_words(sign), read(newest))
            });
            format!("{first}, read {}{}", read(first), newest.unwrap_or_default())
        }
        Reason::Reaching { ref point, ref reaching, at, between } => {
            let Reaching { value, sign, limit, readings } = reaching;
            format!(
                "{point} {}, by the drift of {readings} readings {} {}",
                with_sign(*value, sign),
                limit.in_words(sign),
                expected_in_words(Some(at), between, calendar, today)
            )
        }
        Reason::WithinLimits { ref point } => format!("no reading of {point} out of limits"),
        Reason::Modelled { ref model, ref told, ref why, uncounted } => {
            let why = why.as_ref().map(|why| {
                let unknown = matches!(**why, Reason::HoursNotKnown { .. });
                if unknown { "hours not known".to_owned() } else { reason_in_words(why, calendar, today) }
            });
            let uncounted = uncounted.then(|| "hours not known".to_owned());
            let why = match (why, uncounted) {
                (Some(why), Some(uncounted)) => Some(format!("{why}; {uncounted}")),
                (why, uncounted) => why.or(uncounted),
            };
            model_in_words(model, told, why.as_deref(), calendar, today)
        }
        Reason::NeverRecorded => "never recorded".to_owned(),
        Reason::HoursNotKnown { every, unit } => format!("every {}, hours not known", every.display(unit)),
        Reason::KnownTo { at } => format!("hours known to {}", calendar.instant_in_words(at, today)),
        Reason::Raised { due } => format!("raised, due {}", calendar.instant_in_words(due, today)),
        Reason::Held(HeldUntil::Change(day)) => {
            format!("not before {}, when the rule changed", calendar.day_in_words(day, today))
        }
        Reason::Held(HeldUntil::RestEnd(day)) => {
            format!("not before {}, when the machine's rest ended", calendar.day_in_words(day, today))
        }
    }
}

fn expected_in_words(
    at: Option<Ts>,
    between: Option<(Ts, Option<Ts>)>,
    calendar: &Calendar,
    today: ShopDay,
) -> String {
    // The date on the wall, as for what was crossed: an instant before the shop day's start is the next morning's.
    let day = |at: Ts| calendar.weekday_in_words(ShopDay(calendar.zone().to_wall(at).date()), today);
    match (at, between) {
        (Some(at), Some((from, Some(to)))) if day(from) == day(to) => format!("expected {}", day(at)),
        (Some(at), Some((from, Some(to)))) => {
            format!("expected {}, between {} and {}", day(at), day(from), day(to))
        }
        (Some(at), Some((from, None))) => format!("expected {}, not before {}", day(at), day(from)),
        (Some(at), None) => format!("expected {}", day(at)),
        (None, Some((from, _))) => format!("not expected before {}", day(from)),
        (None, None) => "not expected within ten years".to_owned(),
    }
}

/// That a day was moved, where it was.
fn moved_in_words(by_rule: ShopDay, day: ShopDay, calendar: &Calendar, today: ShopDay) -> String {
    if day == by_rule {
        return String::new();
    }
    format!(", moved from {}, a closed day", calendar.weekday_in_words(by_rule, today))
}

fn ran_in_words(
    ran: Amount,
    every: Amount,
    unit: Unit,
    since: Since,
    calendar: &Calendar,
    today: ShopDay,
) -> String {
    let day = |day| calendar.day_in_words(day, today);
    let since = match since {
        Since::Closing(on) | Since::Stated(on) => format!("since {}", day(on)),
        Since::Reading(on) => format!("since the reading of {}", day(on)),
        Since::Poured(on) => format!("since what was added on {}", day(on)),
        Since::Skip(on) => format!("since the due point skipped on {}", day(on)),
        Since::Grid | Since::Never => "since the due point before".to_owned(),
    };
    format!("{} of {} {since}", ran.to_text(unit, 2), every.display(unit))
}

fn since_in_words(since: Since, calendar: &Calendar, today: ShopDay) -> Option<String> {
    let day = |day| calendar.day_in_words(day, today);
    match since {
        Since::Closing(on) => Some(format!("last done {}", day(on))),
        Since::Stated(on) => Some(format!("stated as last done {}", day(on))),
        Since::Reading(on) => Some(format!("read {}", day(on))),
        Since::Poured(on) => Some(format!("added {}", day(on))),
        Since::Skip(on) => Some(format!("skipped {}", day(on))),
        Since::Grid | Since::Never => None,
    }
}
