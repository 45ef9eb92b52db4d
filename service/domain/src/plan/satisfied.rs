//! What a closing satisfied: derived, so that late reports correct it.

use super::Missing;
use super::clause::{Behind, behind, point_at};
use super::decide::{Decision, Whole, decide, whole};
use super::input::{Rest, TaskInput};
use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind, HeldUntil};
use super::state::{State, done_at as state_done_at, state_before};
use crate::calendar::Calendar;
use crate::quantity::{Amount, Unit};
use crate::rule::{Clause, Combine, CountsFrom, IntervalRule};
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};

/// By how much work was early or late.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// Shop days.
    Days(i64),
    /// So much of a meter.
    Amount {
        /// How much.
        amount: Amount,
        /// In which unit.
        unit: Unit,
    },
}

/// Whether work was done in its window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Timing {
    /// Within the window.
    OnTime,
    /// Before it opened, so much before the due point.
    Early(By),
    /// After it shut, so much after the due point.
    Late(By),
    /// Nothing to measure by: never recorded, hours not known, or an unplanned job.
    NotKnown,
}

/// What a closing satisfied.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Satisfied {
    /// The due instant of the due point satisfied, or of the one that stays open after extra work.
    pub due: Option<Ts>,
    /// The kind of that due point.
    pub kind: DueKind,
    /// The clause it belongs to, as an index into `clauses`.
    pub governing: Option<usize>,
    /// Every clause with the due point that the closing met.
    pub clauses: Vec<ClauseState>,
    /// How many due points of a grid were passed over without being done.
    pub missed: i64,
    /// Whether it was before any window. Clauses from the last closing restart all the same.
    pub before_window: bool,
    /// Whether it was before any window of a rule that stands on grids alone, so that it moved nothing.
    pub extra_work: bool,
    /// Whether it was in time.
    pub timing: Timing,
}

/// What a closing at `done_at` satisfied, given what stood before that instant.
pub fn satisfied(input: &TaskInput, calendar: &Calendar, done_at: Ts) -> Result<Satisfied, Missing> {
    let mut reader = Reader::new(input, calendar, calendar.shop_day_of(done_at));
    let answer = judge(&mut reader, done_at);
    reader.finish(answer)
}

fn judge(reader: &mut Reader<'_>, done_at: Ts) -> Satisfied {
    reader.until = Some(done_at);
    let before = state_before(reader, Some(done_at));
    let mut decision = decide(reader, &before);
    let missed = move_to_newest(reader, &mut decision, &before, done_at);
    let whole = decision.whole;
    let before_window = match whole.opening() {
        Some(opens) => opens > done_at,
        // A meter that has not come near its window, with nothing running, or a rule without a further day: before any
        // window.
        None if decision.governing().is_some_and(ClauseState::waits_for_reading) => false,
        None => matches!(whole.kind, DueKind::Expected | DueKind::Ended),
    };
    let on_grids = !decision.clauses.is_empty() && decision.clauses.iter().all(|c| c.base == Base::Grid);
    let timing = timing(reader, &decision, done_at, before_window);
    Satisfied {
        due: whole.due,
        kind: whole.kind,
        governing: whole.governing,
        missed,
        before_window,
        extra_work: before_window && on_grids,
        timing,
        clauses: decision.clauses,
    }
}

/// Moves every grid clause on to the newest due point whose window was open, and says how many were passed over.
fn move_to_newest(reader: &mut Reader<'_>, decision: &mut Decision<'_>, before: &State, done_at: Ts) -> i64 {
    let Some(version) = decision.version else {
        return 0;
    };
    let rule = &version.rule;
    let after = state_done_at(reader, done_at);
    let mut missed = 0;
    for (clause, point) in rule.clauses().iter().zip(&mut decision.clauses) {
        if !on_grid(clause) {
            continue;
        }
        let open = behind(reader, rule, clause, before);
        let newest = behind(reader, rule, clause, &after);
        let before_newest = newest.one_back(clause);
        if before_newest > open {
            *point = point_at(reader, rule, clause, before, before_newest);
            missed = missed.max(passed_over(reader, rule, clause, open, newest));
        }
    }
    decision.recombine_open(done_at, (reader.calendar, reader.as_of));
    missed
}

fn on_grid(clause: &Clause) -> bool {
    matches!(
        clause,
        Clause::Recurrence(_)
            | Clause::Calendar { counts_from: CountsFrom::Grid(_), .. }
            | Clause::Meter { counts_from: CountsFrom::Grid(_), .. }
    )
}

/// How many due points between the open one and the newest were passed over. Days on which one piece of work was due
/// count as one, and not at all where the newest was due on the same: closed days bring several to one day, and so
/// does a rest, at the end of which all are due that fell into it.
fn passed_over(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    clause: &Clause,
    open: Behind,
    newest: Behind,
) -> i64 {
    let days: Vec<ShopDay> = match (clause, open, newest) {
        (
            Clause::Calendar { every, counts_from: CountsFrom::Grid(base) },
            Behind::Steps(open),
            Behind::Steps(newest),
        ) => {
            let day = |times: i64| every.after(*base, u32::try_from(times).unwrap_or(u32::MAX));
            (open + 1..=newest).map(day).collect()
        }
        (Clause::Recurrence(recurrence), Behind::Through(open), Behind::Through(Some(newest))) => {
            let first = open.map_or(recurrence.from(), |day| day.plus_days(1));
            recurrence.since(first).take_while(|day| *day <= newest).collect()
        }
        (_, Behind::Steps(open), Behind::Steps(newest)) => return newest - open - 1,
        (_, _, _) => return 0,
    };
    let mut due: Vec<ShopDay> = days.into_iter().map(|day| due_day(reader, rule, day)).collect();
    due.sort_unstable();
    due.dedup();
    i64::try_from(due.len()).unwrap_or(i64::MAX) - 1
}

/// On which day the work of a due day was due: moved off closed days, and to the end of a rest that holds it.
fn due_day(reader: &mut Reader<'_>, rule: &IntervalRule, day: ShopDay) -> ShopDay {
    let moved = reader.moved(day, None, rule);
    let calendar = reader.calendar;
    let mut at = calendar.start_of(moved);
    // Each rest is met once at most: what falls into it is due at its end.
    for _ in 0..reader.input.rests.len() {
        let holding = |rest: &&Rest| rest.from <= at && rest.until.is_none_or(|until| at < until);
        let Some(rest) = reader.input.rests.iter().find(holding) else { break };
        // Nobody knows when it ends: nothing of it is due yet.
        let Some(until) = rest.until else { return ShopDay::LAST };
        at = until;
    }
    calendar.shop_day_of(at).max(moved)
}

impl Decision<'_> {
    /// Combines anew after clauses moved on. Of `earliest` clauses only those whose window was open take part, if
    /// any was. What a rest or a change held back holds back no more what falls due after it.
    fn recombine_open(&mut self, done_at: Ts, today: (&Calendar, ShopDay)) {
        let Some(version) = self.version.filter(|_| self.whole.kind != DueKind::Raised) else {
            return;
        };
        let combine = version.rule.combine();
        let floor = self.held_until.map(HeldUntil::day);
        self.whole = whole(&self.clauses, combine, floor, today);
        let is_open = |clause: &ClauseState| clause.opens.is_some_and(|opens| opens <= done_at);
        if combine == Combine::Earliest && self.governing().is_some_and(|clause| !is_open(clause)) {
            let open = self.clauses.iter().enumerate().filter(|(_, clause)| is_open(clause));
            if let Some((i, clause)) = open.min_by_key(|(i, clause)| (clause.due.unwrap_or(Ts::MAX), *i)) {
                let due = clause.due.max(floor.map(|day| today.0.start_of(day)));
                self.whole = Whole { governing: Some(i), due, kind: clause.kind, ..self.whole };
            }
        }
        if self.whole.due > floor.map(|day| today.0.start_of(day)) {
            self.held_until = None;
        }
    }
}

fn timing(reader: &mut Reader<'_>, decision: &Decision<'_>, done_at: Ts, before_window: bool) -> Timing {
    let whole = decision.whole;
    if whole.kind == DueKind::Unknown {
        return Timing::NotKnown;
    }
    let late = whole.late.is_some_and(|late| done_at >= late);
    if !late && !before_window {
        return Timing::OnTime;
    }
    let by = match decision.governing().map(|clause| &clause.counted) {
        Some(Counted::Meter { meter, unit, threshold: Some(threshold), .. })
            if decision.held_until.is_none() =>
        {
            let h = reader.h(*meter, done_at).unwrap_or_default();
            // An adjustment can take away what made it late: never less than nothing late.
            let h = if late { h.max(*threshold) } else { h };
            By::Amount { amount: if late { h - *threshold } else { *threshold - h }, unit: *unit }
        }
        Some(_) | None => {
            let calendar = reader.calendar;
            let Some(due) = whole.due else {
                return Timing::NotKnown;
            };
            let days = calendar.shop_day_of(done_at).days_since(calendar.shop_day_of(due));
            By::Days(days.abs())
        }
    };
    if late { Timing::Late(by) } else { Timing::Early(by) }
}
