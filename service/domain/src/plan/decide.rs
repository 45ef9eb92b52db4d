//! From clauses to one due point: how they combine, which version of the rule applies, and rests.

use super::clause::open_point;
use super::input::RuleVersion;
use super::reader::{CERTAIN, Reader};
use super::row::{Ahead, ClauseState, Counted, DueKind, HeldUntil, PlanRow, Section};
use super::stamp;
use super::state::{State, state_before};
use crate::calendar::Calendar;
use crate::rule::Combine;
use crate::time::{ShopDay, Ts};

/// What an order's clauses come to.
#[derive(Clone, Debug)]
pub(super) struct Decision<'a> {
    pub(super) version: Option<&'a RuleVersion>,
    pub(super) clauses: Vec<ClauseState>,
    pub(super) whole: Whole,
    /// What is due before this day is due on it.
    floor: Option<HeldUntil>,
    pub(super) held_until: Option<HeldUntil>,
}

/// The due point of a whole rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Whole {
    /// When it is due.
    pub due: Option<Ts>,
    /// Where that comes from.
    pub kind: DueKind,
    /// The clause that governs, as an index.
    pub governing: Option<usize>,
    /// When its window opens, once known.
    pub opens: Option<Ts>,
    /// From when on it is late, once known.
    pub late: Option<Ts>,
    /// When its window opens by the forecast, where `opens` is absent or later.
    pub opens_expected: Option<Ts>,
    /// How sure the due instant is, where a forecast has a part in it.
    pub ahead: Option<Ahead>,
}

impl Whole {
    /// When its window opens, as far as it is known or expected: the earlier of both.
    pub(super) fn opening(&self) -> Option<Ts> {
        self.opens_expected.or(self.opens)
    }
}

impl Decision<'_> {
    pub(super) fn governing(&self) -> Option<&ClauseState> {
        self.whole.governing.and_then(|index| self.clauses.get(index))
    }

    pub(super) fn combine(&self) -> Combine {
        self.version.map_or(Combine::Earliest, |version| version.rule.combine())
    }
}

impl HeldUntil {
    pub(super) fn day(self) -> ShopDay {
        match self {
            HeldUntil::Change(day) | HeldUntil::RestEnd(day) => day,
        }
    }
}

/// The row of the reader's order.
pub(super) fn decide_row(reader: &mut Reader<'_>) -> PlanRow {
    let state = state_before(reader, None);
    let decision = decide(reader, &state);
    let (input, calendar, as_of) = (reader.input, reader.calendar, reader.as_of);
    let Whole { due, kind, governing, opens, late, opens_expected, ahead } = decision.whole;
    let section = if is_resting(reader) || kind == DueKind::Ended {
        Section::Unlisted
    } else if kind == DueKind::Unknown {
        Section::NeverRecorded
    } else {
        Section::Dated
    };
    let key_time = match section {
        Section::NeverRecorded => Ts::MIN,
        Section::Dated | Section::Unlisted => due.unwrap_or(Ts::MAX),
    };
    PlanRow {
        order: input.order,
        task: input.task,
        machine: input.machine,
        section,
        key_time,
        due,
        kind,
        governing,
        opens,
        late,
        opens_expected,
        p10: ahead.and_then(|ahead| ahead.p10),
        p50: due.filter(|_| ahead.is_some()),
        p90: ahead.and_then(|ahead| ahead.p90),
        chance_today: ahead.map(|ahead| ahead.today),
        combine: decision.combine(),
        rule_effective: decision.version.map(|version| version.effective),
        held_until: decision.held_until,
        covered_by: None,
        hazard: input.hazard || decision.clauses.iter().any(ClauseState::is_beyond_stop),
        stamp: stamp(as_of, input.fleet_epoch, calendar),
        clauses: decision.clauses,
    }
}

/// The due point that is open after `state`, under the rule that applies and with the machine's rests.
pub(super) fn decide<'a>(reader: &mut Reader<'a>, state: &State) -> Decision<'a> {
    let mut decision = under_rules(reader, state);
    let calendar = reader.calendar;
    // Each rest is looked at once at most: what it holds back falls due at or after its end.
    for _ in 0..reader.input.rests.len() {
        let Some(day) = decision.whole.due.and_then(|due| end_of_rest_at(reader, due)) else {
            break;
        };
        decision.hold(HeldUntil::RestEnd(day), reader);
    }
    if let Some(raised) = reader.input.raised
        && decision.whole.due.is_none_or(|due| raised < due)
    {
        let floor = decision.floor;
        decision.whole = raised_at(raised, calendar);
        decision.held_until = None;
        decision.floor = floor;
        if let Some(day) = end_of_rest_at(reader, raised) {
            decision.hold(HeldUntil::RestEnd(day), reader);
        }
    }
    decision
}

fn raised_at(at: Ts, calendar: &Calendar) -> Whole {
    Whole {
        due: Some(at),
        kind: DueKind::Raised,
        governing: None,
        opens: Some(at),
        late: Some(calendar.end_of(calendar.shop_day_of(at))),
        opens_expected: None,
        ahead: None,
    }
}

/// The due point under the version of the rule that applies. The version in effect at the last closing makes it;
/// a later version takes over unless the order was due before that version's day.
fn under_rules<'a>(reader: &mut Reader<'a>, state: &State) -> Decision<'a> {
    let versions = &reader.input.versions;
    let Some(mut version) = first_version(versions, state.last.map(|last| last.day)) else {
        return Decision {
            version: None,
            clauses: Vec::new(),
            whole: whole(&[], Combine::Earliest, None, (reader.calendar, reader.as_of)),
            floor: None,
            held_until: None,
        };
    };
    let mut decision = under(reader, state, version, None);
    while let Some(next) = version_after(versions, version.effective) {
        let change = reader.calendar.start_of(next.effective);
        let today = reader.calendar.start_of(reader.as_of);
        let due_before = match decision.whole.kind {
            DueKind::Exact | DueKind::CalendarDay | DueKind::Raised => {
                decision.whole.due.is_some_and(|due| due < change)
            }
            // What has ended under one version goes on under the next.
            DueKind::Ended => false,
            // What is only expected cannot have been due before today; without a date the rule of today stands.
            DueKind::Expected | DueKind::Unknown => {
                decision.whole.due.map_or(today, |due| due.max(today)) < change
            }
        };
        if due_before {
            break;
        }
        version = next;
        decision = under(reader, state, version, Some(HeldUntil::Change(next.effective)));
    }
    decision
}

fn under<'a>(
    reader: &mut Reader<'a>,
    state: &State,
    version: &'a RuleVersion,
    floor: Option<HeldUntil>,
) -> Decision<'a> {
    let rule = &version.rule;
    let clauses: Vec<ClauseState> =
        rule.clauses().iter().map(|clause| open_point(reader, rule, clause, state)).collect();
    let whole = whole(&clauses, rule.combine(), None, (reader.calendar, reader.as_of));
    let mut decision = Decision { version: Some(version), clauses, whole, floor: None, held_until: None };
    if let Some(floor) = floor {
        decision.hold(floor, reader);
    }
    decision
}

impl Decision<'_> {
    /// Makes nothing due before a day.
    fn hold(&mut self, until: HeldUntil, reader: &Reader<'_>) {
        let calendar = reader.calendar;
        let later = self.floor.is_none_or(|floor| floor.day() < until.day());
        if !later {
            return;
        }
        self.floor = Some(until);
        let before = self.whole.due;
        self.whole = if self.whole.kind == DueKind::Raised {
            let start = calendar.start_of(until.day());
            let due = self.whole.due.map(|due| due.max(start));
            let late = self.whole.late.map(|late| late.max(calendar.end_of(until.day())));
            Whole { due, late, ..self.whole }
        } else {
            whole(&self.clauses, self.combine(), Some(until.day()), (calendar, reader.as_of))
        };
        if self.whole.due != before {
            self.held_until = Some(until);
        }
    }
}

/// Combines clauses as of a shop day of a calendar; nothing is due before the day `floor`.
pub fn whole(
    clauses: &[ClauseState],
    combine: Combine,
    floor: Option<ShopDay>,
    (calendar, as_of): (&Calendar, ShopDay),
) -> Whole {
    let governing = match combine {
        Combine::Earliest => earliest(clauses),
        Combine::Latest => latest(clauses),
    };
    let clause = governing.and_then(|index| clauses.get(index));
    let raise = |due: Ts| floor.map_or(due, |day| due.max(calendar.start_of(day)));
    let lates =
        clauses.iter().map(|clause| clause.late.map(|late| late_after(clause, late, floor, calendar)));
    let opens = clauses.iter().map(|clause| clause.opens);
    let expected = clauses.iter().map(|clause| clause.opens.or(clause.opens_expected));
    let (opens, expected, late) = match combine {
        Combine::Earliest => (opens.flatten().min(), expected.flatten().min(), lates.flatten().min()),
        Combine::Latest => (all_reached(opens), all_reached(expected), all_reached(lates)),
    };
    Whole {
        due: clause.and_then(|clause| clause.due).map(raise),
        kind: clause.map_or(DueKind::Unknown, |clause| clause.kind),
        governing,
        opens,
        late,
        // Where a forecast has one clause open before the days of another, those are only the latest that can be.
        opens_expected: expected.filter(|expected| opens.is_none_or(|opens| *expected < opens)),
        ahead: ahead(clauses, combine, calendar.end_of(as_of)).map(|ahead| match floor {
            Some(day) => ahead.not_before(calendar.start_of(day), calendar.end_of(as_of)),
            None => ahead,
        }),
    }
}

/// How sure the whole is, where a forecast has a part in it. The meters of a machine run together, so the quantiles of
/// several are taken to come together: the earliest of them is the earliest of each quantile.
fn ahead(clauses: &[ClauseState], combine: Combine, day_ends: Ts) -> Option<Ahead> {
    let known: Vec<&ClauseState> =
        clauses.iter().filter(|clause| !matches!(clause.kind, DueKind::Unknown | DueKind::Ended)).collect();
    let exact = |clause: &ClauseState| {
        let today = if clause.due.is_some_and(|due| due < day_ends) { CERTAIN } else { 0 };
        Ahead { p10: clause.due, p90: clause.due, today }
    };
    let of = known.iter().map(|clause| clause.ahead.unwrap_or_else(|| exact(clause)));
    let (p10, p90) = (of.clone().map(|ahead| ahead.p10), of.clone().map(|ahead| ahead.p90));
    let whole = match combine {
        Combine::Earliest => {
            Ahead { p10: p10.flatten().min(), p90: p90.flatten().min(), today: of.map(|a| a.today).max()? }
        }
        Combine::Latest if known.len() < clauses.len() => return None,
        Combine::Latest => {
            Ahead { p10: all_reached(p10), p90: all_reached(p90), today: of.map(|a| a.today).min()? }
        }
    };
    let expected = clauses.iter().any(|clause| clause.ahead.is_some());
    // Where a sure instant comes first or last whatever happens, the forecast has no part in it.
    let is_sure = whole.p10.is_some() && whole.p10 == whole.p90;
    (expected && !is_sure).then_some(whole)
}

/// The last of them, once all are known.
fn all_reached(instants: impl Iterator<Item = Option<Ts>>) -> Option<Ts> {
    instants.collect::<Option<Vec<Ts>>>().and_then(|all| all.into_iter().max())
}

/// The clause due first; at a tie a calendar one, then the one stated first. With none due or expected, one that
/// waits for its meter to run; a clause without data drops out, before it one that waits for a reading, and before that one
/// that has ended.
fn earliest(clauses: &[ClauseState]) -> Option<usize> {
    let find = |wanted: &dyn Fn(&ClauseState) -> bool| clauses.iter().position(wanted);
    let dated =
        clauses.iter().enumerate().filter_map(|(i, clause)| clause.due.map(|due| (due, tie(clause), i)));
    dated
        .min()
        .map(|(_, _, i)| i)
        .or_else(|| find(&|clause| clause.kind == DueKind::Expected && !clause.waits_for_reading()))
        .or_else(|| find(&|clause| clause.kind != DueKind::Ended && !clause.waits_for_reading()))
        .or_else(|| find(&|clause| clause.kind != DueKind::Ended))
        .or(if clauses.is_empty() { None } else { Some(0) })
}

/// The clause due last; one that has ended, or is without data or without a date, blocks the rest.
fn latest(clauses: &[ClauseState]) -> Option<usize> {
    clauses
        .iter()
        .position(|clause| clause.kind == DueKind::Ended)
        .or_else(|| clauses.iter().position(|clause| clause.kind == DueKind::Unknown))
        .or_else(|| clauses.iter().position(|clause| clause.due.is_none()))
        .or_else(|| {
            let rank = |(i, clause): (usize, &ClauseState)| (clause.due, std::cmp::Reverse((tie(clause), i)));
            clauses.iter().enumerate().max_by_key(|entry| rank(*entry)).map(|(i, _)| i)
        })
}

fn tie(clause: &ClauseState) -> u8 {
    match clause.counted {
        // Bad news says more than a count that is reached with it.
        Counted::Calendar { .. } | Counted::Recurrence { .. } | Counted::Reading { .. } => 0,
        Counted::Meter { .. } | Counted::Model { .. } => 1,
    }
}

/// When a clause is late if nothing was due before `floor`: its window then shuts as long after that day.
fn late_after(clause: &ClauseState, late: Ts, floor: Option<ShopDay>, calendar: &Calendar) -> Ts {
    let Some(floor) = floor.filter(|day| clause.due.is_some_and(|due| due < calendar.start_of(*day))) else {
        return late;
    };
    let width = match clause.counted {
        Counted::Calendar { by_rule: Some(day), shuts: Some(shuts), .. }
        | Counted::Recurrence { by_rule: Some(day), shuts: Some(shuts), .. } => shuts.days_since(day).max(0),
        Counted::Calendar { .. }
        | Counted::Recurrence { .. }
        | Counted::Meter { .. }
        | Counted::Reading { .. }
        | Counted::Model { .. } => 0,
    };
    late.max(calendar.end_of(floor.plus_days(width)))
}

fn is_resting(reader: &Reader<'_>) -> bool {
    let end = reader.calendar.end_of(reader.as_of);
    reader.input.rests.iter().any(|rest| rest.from < end && rest.until.is_none_or(|until| until >= end))
}

/// The shop day on which the rest that holds an instant ends, if there is one and its end is known.
fn end_of_rest_at(reader: &Reader<'_>, at: Ts) -> Option<ShopDay> {
    let within = |from: Ts, until: Ts| from <= at && at < until;
    let rests = reader.input.rests.iter();
    rests
        .filter_map(|rest| rest.until.filter(|until| within(rest.from, *until)))
        .max()
        .map(|until| reader.calendar.shop_day_of(until))
}

/// The version in effect on a day; the first there is, without a day or before all.
fn first_version(versions: &[RuleVersion], day: Option<ShopDay>) -> Option<&RuleVersion> {
    let in_effect = |version: &&RuleVersion| day.is_some_and(|day| version.effective <= day);
    // `max_by_key` takes the last of equals: of two for one day the later saved counts.
    versions.iter().filter(in_effect).max_by_key(|version| version.effective).or_else(|| {
        let first = versions.iter().map(|version| version.effective).min()?;
        versions.iter().rfind(|version| version.effective == first)
    })
}

/// The version that follows the one in effect from `effective`.
fn version_after(versions: &[RuleVersion], effective: ShopDay) -> Option<&RuleVersion> {
    let next = versions.iter().map(|version| version.effective).filter(|day| *day > effective).min()?;
    versions.iter().rfind(|version| version.effective == next)
}
