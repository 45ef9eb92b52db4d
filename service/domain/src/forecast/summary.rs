//! Usage by shop day: what is kept of a meter so that its forecast needs none of its reports.
//!
//! Amounts and counts are whole numbers, so reports may be counted and taken back in any order and the summary is the same.
//! It holds one entry for each day on which something was run; days that no statistic looks at one by one any more are
//! folded into sevens. So a meter takes at most 260 entries for two years, however many reports it has.

use super::units::Hours;
use super::usage::{Reported, Usage};
use crate::calendar::Calendar;
use crate::ledger::history::Segment;
use crate::quantity::{Amount, MaxPerHour};
use crate::time::{MICROS_PER_DAY, MICROS_PER_MINUTE, ShopDay, Ts};
use std::collections::BTreeMap;

/// How far back a forecast looks: the year over which a fleet is learnt from, and a year before it, after which a day
/// weighs a sixteenth of what it did.
const DAYS_SEEN: i64 = 730;
/// So many days are kept one by one: twice the quarter over which weeks and gaps are looked at.
const DAYS_APART: i64 = 182;
/// As many days as are folded into one.
const FOLD: i32 = 7;

/// What was run on a day, or on seven.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct DayUse {
    /// What the parts that ended on it say.
    amount: Amount,
    /// How many reports ended on it.
    reports: u32,
    /// How many parts of reports did. A report of a day or less is one part.
    parts: u32,
    /// When they did, added up, from the first instant of the date in UTC.
    ends: i64,
}

/// Reports of more than a day that ended on a day: their lengths in minutes, and the squares of those, added up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Lengths {
    minutes: i64,
    squares: i64,
}

/// A report's part on one shop day.
struct Part {
    day: ShopDay,
    end: Ts,
    amount: Amount,
    /// Whether the report ends with it.
    is_last: bool,
}

/// What a meter counted, by shop day, as it is looked at on one of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsageSummary {
    as_of: ShopDay,
    days: BTreeMap<ShopDay, DayUse>,
    lengths: BTreeMap<ShopDay, Lengths>,
}

impl UsageSummary {
    /// A summary of nothing, for a shop day.
    pub fn new(as_of: ShopDay) -> UsageSummary {
        UsageSummary { as_of, days: BTreeMap::new(), lengths: BTreeMap::new() }
    }

    /// The summary of what was run, for a shop day.
    pub fn of(runs: impl IntoIterator<Item = Segment>, calendar: &Calendar, as_of: ShopDay) -> UsageSummary {
        let mut summary = UsageSummary::new(as_of);
        for run in runs {
            summary.count(calendar, run);
        }
        summary
    }

    /// The first day that has a part in what is looked at on a shop day.
    pub fn first_seen(as_of: ShopDay) -> ShopDay {
        fold_of(as_of.plus_days(-DAYS_SEEN))
    }

    /// The shop day for which it is.
    pub fn as_of(&self) -> ShopDay {
        self.as_of
    }

    /// How much it holds.
    pub fn len(&self) -> usize {
        self.days.len() + self.lengths.len()
    }

    /// Whether it holds nothing.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Counts what was run; a step without length is no run.
    pub fn count(&mut self, calendar: &Calendar, run: Segment) {
        self.turn(calendar, run, 1);
    }

    /// Takes back what was counted.
    pub fn take_back(&mut self, calendar: &Calendar, run: Segment) {
        self.turn(calendar, run, -1);
    }

    fn turn(&mut self, calendar: &Calendar, run: Segment, sign: i32) {
        let seen = UsageSummary::first_seen(self.as_of);
        for part in parts(calendar, run, Some(seen)).filter(|part| part.day >= seen) {
            let key = self.key(part.day);
            let reports = sign * i32::from(part.is_last);
            let offset = part.end.micros_since(midnight(key)) * i64::from(sign);
            let amount = if sign > 0 { part.amount } else { Amount::ZERO - part.amount };
            let of_day = self.days.entry(key).or_default();
            of_day.add(amount, (reports, sign), offset);
            if of_day.parts == 0 {
                self.days.remove(&key);
            }
            let minutes = run.end.micros_since(run.start) / MICROS_PER_MINUTE;
            if part.is_last && is_long(run) {
                let lengths = self.lengths.entry(key).or_default();
                lengths.minutes += minutes * i64::from(sign);
                lengths.squares += minutes * minutes * i64::from(sign);
                if *lengths == Lengths::default() {
                    self.lengths.remove(&key);
                }
            }
        }
    }

    /// Goes on to a later shop day: what has no part in it any more is forgotten, and what lies far enough back is folded.
    /// The result is the summary of the same reports made for that day.
    pub fn go_on(&mut self, as_of: ShopDay) {
        if as_of <= self.as_of {
            return;
        }
        self.as_of = as_of;
        let seen = UsageSummary::first_seen(as_of);
        self.days = self.days.split_off(&seen);
        self.lengths = self.lengths.split_off(&seen);
        let apart = self.first_apart();
        let folded: Vec<ShopDay> =
            self.days.range(..apart).map(|(day, _)| *day).filter(|day| *day != fold_of(*day)).collect();
        for day in folded {
            let key = fold_of(day);
            let Some(DayUse { amount, reports, parts, ends }) = self.days.remove(&day) else { continue };
            let ends = ends + i64::from(parts) * midnight(day).micros_since(midnight(key));
            let into = self.days.entry(key).or_default();
            into.amount = into.amount + amount;
            into.reports += reports;
            into.parts += parts;
            into.ends += ends;
        }
        let folded: Vec<ShopDay> =
            self.lengths.range(..apart).map(|(day, _)| *day).filter(|day| *day != fold_of(*day)).collect();
        for day in folded {
            let Some(Lengths { minutes, squares }) = self.lengths.remove(&day) else { continue };
            let into = self.lengths.entry(fold_of(day)).or_default();
            into.minutes += minutes;
            into.squares += squares;
        }
    }

    /// The days before this one are folded.
    fn first_apart(&self) -> ShopDay {
        fold_of(self.as_of.plus_days(-DAYS_APART))
    }

    fn key(&self, day: ShopDay) -> ShopDay {
        if day < self.first_apart() { fold_of(day) } else { day }
    }

    /// The usage before the shop day, of a meter that counts at most so much in an hour, each day at the mean of the
    /// instants when its reports ended. `moved` says where an instant stands.
    pub(crate) fn usage(
        &self,
        most: MaxPerHour,
        opening: Option<Ts>,
        calendar: &Calendar,
        moved: impl Fn(Ts) -> Ts,
    ) -> Usage {
        let apart = self.first_apart();
        let mut first = opening.is_none();
        let days = self.days.range(..self.as_of).map(|(&day, of_day)| {
            let starts_clock = std::mem::take(&mut first);
            let end = if starts_clock && day < apart {
                // What is in no rate takes up the whole of its days.
                calendar.start_of(day.plus_days(i64::from(FOLD)))
            } else {
                midnight(day).plus_micros(of_day.ends / i64::from(of_day.parts.max(1)))
            };
            Reported { end: moved(end), hours: Hours::of(of_day.amount, most) }
        });
        let days: Vec<Reported> = days.collect();
        let opened = opening.map(|at| Reported { end: moved(at), hours: Hours(0.0) });
        Usage::of(opened.into_iter().chain(days))
    }

    /// How many reports had a part in the days before the shop day.
    pub(crate) fn reports(&self) -> u32 {
        self.days.range(..self.as_of).map(|(_, of_day)| of_day.reports).sum()
    }

    /// What was run on so many days before the shop day.
    pub(crate) fn ran_in(&self, days: i64) -> Amount {
        self.days.range(self.as_of.plus_days(-days)..self.as_of).map(|(_, of_day)| of_day.amount).sum()
    }

    /// For how many whole days before the shop day nothing was told, if anything was before.
    pub(crate) fn untold_days(&self) -> Option<i64> {
        let (&last, _) = self.days.range(..self.as_of).next_back()?;
        let last = if last < self.first_apart() { last.plus_days(i64::from(FOLD) - 1) } else { last };
        Some((self.as_of.days_since(last) - 1).max(0))
    }

    /// How long a report of more than a day mostly is, in days: the mean over the time that such reports cover. 0 where
    /// there is none.
    pub(crate) fn usual_length_days(&self) -> i64 {
        let sum = |of: fn(&Lengths) -> i64| self.lengths.range(..self.as_of).map(|(_, l)| of(l)).sum::<i64>();
        let (minutes, squares) = (sum(|lengths| lengths.minutes), sum(|lengths| lengths.squares));
        let day = MICROS_PER_DAY / MICROS_PER_MINUTE;
        if minutes == 0 { 0 } else { (squares / minutes + day - 1) / day }
    }
}

impl DayUse {
    fn add(&mut self, amount: Amount, (reports, parts): (i32, i32), ends: i64) {
        self.amount = self.amount + amount;
        self.reports = self.reports.saturating_add_signed(reports);
        self.parts = self.parts.saturating_add_signed(parts);
        self.ends += ends;
    }
}

impl Usage {
    /// The usage in what was run, one by one; what took more than a day in parts of shop days, so that it stands where it
    /// was run. `moved` says where an instant stands.
    pub fn of_runs(
        runs: impl IntoIterator<Item = Segment>,
        calendar: &Calendar,
        most: MaxPerHour,
        moved: impl Fn(Ts) -> Ts,
    ) -> Usage {
        let parts = runs.into_iter().flat_map(|run| parts(calendar, run, None));
        Usage::of(parts.map(|part| Reported { end: moved(part.end), hours: Hours::of(part.amount, most) }))
    }
}

fn is_long(run: Segment) -> bool {
    run.end.micros_since(run.start) > MICROS_PER_DAY
}

/// The parts of what was run: itself, or where it took more than a day, what it counted on each shop day from `seen` on.
fn parts(calendar: &Calendar, run: Segment, seen: Option<ShopDay>) -> impl Iterator<Item = Part> + use<'_> {
    let last = day_of_end(calendar, run.end);
    let first = if is_long(run) {
        let first = calendar.shop_day_of(run.start);
        seen.map_or(first, |seen| first.max(seen).min(last))
    } else {
        last
    };
    let mut next = (run.start < run.end).then_some(first);
    let mut before = if is_long(run) { run.counted_by(calendar.start_of(first)) } else { Amount::ZERO };
    std::iter::from_fn(move || {
        let day = next?;
        let is_last = day >= last;
        let end = if is_last { run.end } else { calendar.end_of(day) };
        let upto = run.counted_by(end);
        let amount = upto - before;
        before = upto;
        next = (!is_last).then(|| day.plus_days(1));
        Some(Part { day, end, amount, is_last })
    })
}

/// The shop day to which a report's end belongs: what ends as a day starts was run on the day before.
fn day_of_end(calendar: &Calendar, end: Ts) -> ShopDay {
    calendar.shop_day_of(end.plus_micros(-1))
}

/// The first of the seven days into which a day is folded.
fn fold_of(day: ShopDay) -> ShopDay {
    ShopDay::from_days(day.to_days().div_euclid(FOLD) * FOLD)
}

/// The first instant of a date in UTC.
fn midnight(day: ShopDay) -> Ts {
    Ts(i64::from(day.to_days()) * MICROS_PER_DAY)
}
