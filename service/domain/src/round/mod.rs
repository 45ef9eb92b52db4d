//! Rounds: which shift's round is meant, which checks are due in it, and how far it is.
//!
//! What is due follows from the declaration, the calendar and the shift alone; that a check was missed follows from the
//! time. Nothing of it is stored but what people said.

pub mod answer;
pub mod handover;
pub mod ready;

use self::answer::AnswerRecord;
use crate::calendar::{Calendar, SEARCH_DAYS_MAX, ShiftTime};
use crate::shop::check::{Cadence, CheckCard, StartRole};
use crate::text::Key;
use crate::time::{MICROS_PER_HOUR, ShopDay, Ts};
use chrono::Datelike as _;
use serde::{Deserialize, Serialize};

/// How long before its shift a round may be walked, in microseconds: whoever comes before the shift walks for it, not for
/// the one that ends (common practice, no source).
pub const OPENS_BEFORE_MICROS: i64 = MICROS_PER_HOUR;
/// How long no shift runs in a break: machines are cold after it, and are left for it (common practice, no source).
const BREAK_MICROS: i64 = MICROS_PER_HOUR;
/// The key of the round of a shop day, in a site without shifts.
const WHOLE_DAY: &str = "day";

/// The round of a shift.
#[expect(clippy::struct_excessive_bools, reason = "each says another thing of the shift's place")]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Round {
    /// The shift's first instant: what the round is known by.
    pub start: Ts,
    /// The first instant after the shift.
    pub end: Ts,
    /// The shift's key.
    pub shift: Key,
    /// The shop day to which the shift belongs.
    pub day: ShopDay,
    /// Whether no shift of its shop day comes before it.
    pub first_of_day: bool,
    /// Whether no shift of its week comes before it.
    pub first_of_week: bool,
    /// Whether a break comes before it.
    #[serde(default)]
    pub after_break: bool,
    /// Whether a break comes after it.
    #[serde(default)]
    pub before_break: bool,
}

/// The shifts of a shop day in the order of their starts; the day itself where the site has no shifts and works.
fn shifts(calendar: &Calendar, day: ShopDay) -> Vec<ShiftTime> {
    let mut shifts = calendar.shifts_of(day);
    if shifts.is_empty() && calendar.spec().shifts.is_empty() && calendar.is_worked(day) {
        let (start, end) = (calendar.start_of(day), calendar.end_of(day));
        shifts.extend(Key::new(WHOLE_DAY).ok().map(|key| ShiftTime { start, end, key, extra: false }));
    }
    shifts.sort();
    shifts
}

fn round(calendar: &Calendar, day: ShopDay, shift: ShiftTime) -> Round {
    let first_of_day = shifts(calendar, day).first().is_none_or(|first| first.start >= shift.start);
    let since_monday = i64::from(day.0.weekday().num_days_from_monday());
    let earlier = (1..=since_monday).any(|back| !shifts(calendar, day.plus_days(-back)).is_empty());
    // A site that states no shifts works some hours of its day, and nobody knows which.
    let whole = calendar.spec().shifts.is_empty() && !shift.extra;
    let around = (-1..=1).flat_map(|offset| shifts(calendar, day.plus_days(offset)));
    let others: Vec<ShiftTime> = around.filter(|other| other.start != shift.start).collect();
    let meets =
        |other: &ShiftTime| other.start < shift.start && other.end.plus_micros(BREAK_MICROS) > shift.start;
    let is_met =
        |other: &ShiftTime| other.start > shift.start && other.start < shift.end.plus_micros(BREAK_MICROS);
    Round {
        after_break: whole || !others.iter().any(meets),
        before_break: whole || !others.iter().any(is_met),
        start: shift.start,
        end: shift.end,
        shift: shift.key,
        day,
        first_of_day,
        first_of_week: first_of_day && !earlier,
    }
}

/// The round that is meant at an instant: of the shift that holds it or starts within the hour after it, the one that
/// starts later where there are two; else of the next shift. None where no shift comes within the calendar's search.
pub fn meant(calendar: &Calendar, at: Ts) -> Option<Round> {
    let today = calendar.shop_day_of(at);
    let days = (-1..=1).map(|offset| today.plus_days(offset));
    let near = days.flat_map(|day| shifts(calendar, day).into_iter().map(move |shift| (day, shift)));
    let walked =
        near.filter(|(_, shift)| shift.start.plus_micros(-OPENS_BEFORE_MICROS) <= at && at < shift.end);
    if let Some((day, shift)) = walked.max_by_key(|(_, shift)| shift.start) {
        return Some(round(calendar, day, shift));
    }
    let mut days = (0..=SEARCH_DAYS_MAX).map(|ahead| today.plus_days(ahead));
    days.find_map(|day| {
        let next = shifts(calendar, day).into_iter().find(|shift| shift.start > at)?;
        Some(round(calendar, day, next))
    })
}

/// The round that is handed over at an instant: of the shift that holds it, the one that started earliest where there are
/// several; else of the one that ended last. None where no shift ended within the calendar's search.
pub fn handed_over(calendar: &Calendar, at: Ts) -> Option<Round> {
    let today = calendar.shop_day_of(at);
    let days = (-1..=1).map(|offset| today.plus_days(offset));
    let near = days.flat_map(|day| shifts(calendar, day).into_iter().map(move |shift| (day, shift)));
    let holding = near.filter(|(_, shift)| shift.start <= at && at < shift.end);
    if let Some((day, shift)) = holding.min_by_key(|(_, shift)| shift.start) {
        return Some(round(calendar, day, shift));
    }
    let mut days = (-1..=SEARCH_DAYS_MAX).map(|back| today.plus_days(-back));
    days.find_map(|day| {
        let ended = shifts(calendar, day).into_iter().filter(|shift| shift.end <= at);
        Some(round(calendar, day, ended.max_by_key(|shift| shift.end)?))
    })
}

/// The round of the shift with this first instant; none where the calendar has no such shift.
pub fn starting(calendar: &Calendar, start: Ts) -> Option<Round> {
    let around = calendar.shop_day_of(start);
    [0, -1, 1].into_iter().map(|offset| around.plus_days(offset)).find_map(|day| {
        let shift = shifts(calendar, day).into_iter().find(|shift| shift.start == start)?;
        Some(round(calendar, day, shift))
    })
}

/// The round before the one that starts at an instant.
pub fn before(calendar: &Calendar, start: Ts) -> Option<Round> {
    let today = calendar.shop_day_of(start);
    let mut days = (-1..=SEARCH_DAYS_MAX).map(|back| today.plus_days(-back));
    days.find_map(|day| {
        let earlier = shifts(calendar, day).into_iter().rfind(|shift| shift.start < start)?;
        Some(round(calendar, day, earlier))
    })
}

impl Round {
    /// Whether a check is due in it.
    pub fn asks(&self, check: &CheckCard) -> bool {
        let declared = check.since.is_none_or(|since| since <= self.day);
        let at_start = match check.start {
            None => true,
            Some(StartRole::Step | StartRole::Warm) => self.after_break,
            Some(StartRole::Armed) => self.before_break,
        };
        declared
            && at_start
            && match check.every {
                Cadence::Shift => true,
                Cadence::Day => self.first_of_day,
                Cadence::Week => self.first_of_week,
            }
    }

    /// Whether its shift has ended.
    pub fn is_over(&self, now: Ts) -> bool {
        now >= self.end
    }
}

/// Where a check stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckState {
    /// Nobody has answered.
    Open,
    /// As it should be.
    Good,
    /// Something was wrong.
    Finding,
    /// The shift has ended, and nobody answered.
    Missed,
}

/// A check of a machine in a round.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Walked {
    /// The check.
    pub check: CheckCard,
    /// What was seen.
    pub answer: Option<AnswerRecord>,
}

impl Walked {
    /// Where it stands.
    pub fn state(&self, round: &Round, now: Ts) -> CheckState {
        match &self.answer {
            Some(answer) if answer.finding.is_some() => CheckState::Finding,
            Some(_) => CheckState::Good,
            None if round.is_over(now) => CheckState::Missed,
            None => CheckState::Open,
        }
    }
}

/// The checks of a machine in a round, in walking order: those that are due, unless it rests, and whatever was answered.
pub fn walk(round: &Round, checks: &[&CheckCard], answers: &[AnswerRecord], rests: bool) -> Vec<Walked> {
    let answer_to = |key: &Key| answers.iter().find(|answer| answer.check == *key);
    let mut walked: Vec<Walked> = Vec::new();
    for check in checks {
        let answer = answer_to(&check.key);
        if answer.is_some() || (!rests && round.asks(check)) {
            walked.push(Walked { check: (*check).clone(), answer: answer.cloned() });
        }
    }
    for answer in answers.iter().filter(|answer| !checks.iter().any(|check| check.key == answer.check)) {
        walked.push(Walked { check: answer.as_check(), answer: Some(answer.clone()) });
    }
    walked
}

/// How far a round is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    /// Checks that are due.
    pub due: u32,
    /// Those that were answered.
    pub done: u32,
    /// Findings.
    pub findings: u32,
    /// Machines with checks.
    pub machines: u32,
}

impl Tally {
    /// Counts a machine's checks.
    pub fn add(&mut self, walked: &[Walked]) {
        self.machines += u32::from(!walked.is_empty());
        for check in walked {
            self.due += 1;
            self.done += u32::from(check.answer.is_some());
            self.findings += u32::from(check.answer.as_ref().is_some_and(|answer| answer.finding.is_some()));
        }
    }
}

#[cfg(test)]
mod tests;
