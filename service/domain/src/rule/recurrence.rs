//! Recurrence rules of RFC 5545 on shop days: read with every part checked, and searched within bounds.
//!
//! The rule is evaluated on dates alone: each occurrence is a shop day, whatever hour the day starts at and whatever
//! the zone does to its clocks. An occurrence that does not exist (30 February) is left out and never clamped, as the
//! RFC has it. The crate `rrule` enumerates the dates; what it takes more generously than the RFC is refused here.

use super::CalendarUnit;
use super::recurrence_parts::{Parts, RecurrenceError, read_parts};
use crate::time::ShopDay;
use chrono::{DateTime, Datelike, Days, Months, NaiveDate, NaiveTime, TimeZone};
use rrule::{RRule, RRuleSet, Tz, Unvalidated};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// The longest text of a rule, in characters: every part once, and lists as people write them.
pub const RECURRENCE_TEXT_MAX: usize = 200;
/// The most occurrences that COUNT may ask for: all of them are kept.
pub const RECURRENCE_COUNT_MAX: u32 = 1_000;
/// Within how many years of its base day a rule must have its first occurrence.
pub const FIRST_WITHIN_YEARS: u32 = 20;
/// How many days later the crate is asked: 7,600 years. The Gregorian calendar repeats to the day and the weekday after
/// 400 years, and the crate ends a search at the year 10,000: so one that finds nothing ends after some four
/// hundred years instead of eight thousand.
const LATER_DAYS: u64 = 19 * 146_097;
/// How far back of a day the occurrence before it is looked for first, in days; each further look goes four times
/// as far.
const LOOK_BACK_DAYS: i64 = 400;

/// A recurrence rule and the day it starts at, checked. Its occurrences are a grid that no closing moves.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RecurrenceSpec", into = "RecurrenceSpec")]
pub struct Recurrence {
    spec: RecurrenceSpec,
    /// Shared: a clause is as large as the largest kind of clause, and most are of another.
    parts: Arc<Parts>,
    rule: Arc<RRule>,
    /// All occurrences of a rule that counts them; a count cannot be taken up in the middle.
    counted: Option<Arc<[ShopDay]>>,
}

/// A recurrence rule as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecurrenceSpec {
    /// The rule in the form of RFC 5545: `FREQ=MONTHLY;BYDAY=1MO`.
    pub rule: String,
    /// The day it starts at (DTSTART), and before which there is no occurrence. It is one itself only if it keeps the rule.
    pub from: ShopDay,
}

impl PartialEq for Recurrence {
    fn eq(&self, other: &Recurrence) -> bool {
        self.spec == other.spec
    }
}

impl Eq for Recurrence {}

impl Recurrence {
    /// Reads a rule such as `FREQ=MONTHLY;BYDAY=1MO`, with or without `RRULE:` before it, that starts at a day.
    pub fn new(text: &str, from: ShopDay) -> Result<Recurrence, RecurrenceError> {
        if !(ShopDay::FIRST..=ShopDay::LAST).contains(&from) {
            return Err(RecurrenceError::BaseDay(from));
        }
        let parts = read_parts(text, from)?;
        let last = parts.until.unwrap_or(ShopDay::LAST);
        let unchecked: RRule<Unvalidated> =
            parts.of_the_crate().parse().map_err(|error| refused(&parts, &error))?;
        let unchecked = match parts.count {
            Some(_) => unchecked,
            None => unchecked.until(later(last)),
        };
        let rule = unchecked.validate(later(from)).map_err(|error| refused(&parts, &error))?;
        let spec = RecurrenceSpec { rule: parts.text(), from };
        let mut recurrence = Recurrence { spec, parts: Arc::new(parts), rule: Arc::new(rule), counted: None };
        let within =
            ShopDay(from.0.checked_add_months(Months::new(12 * FIRST_WITHIN_YEARS)).unwrap_or(from.0));
        if recurrence.next(from).is_none_or(|first| first > within) {
            return Err(RecurrenceError::Never { rule: recurrence.spec.rule, from });
        }
        if recurrence.parts.count.is_some() {
            recurrence.counted = Some(recurrence.since(from).collect());
        }
        Ok(recurrence)
    }

    /// The rule as it is stored.
    pub fn spec(&self) -> &RecurrenceSpec {
        &self.spec
    }

    /// The rule's text, in capitals and without `RRULE:`.
    pub fn text(&self) -> &str {
        &self.spec.rule
    }

    /// The day it starts at.
    pub fn from(&self) -> ShopDay {
        self.spec.from
    }

    /// All occurrences, the first one first.
    pub fn days(&self) -> impl Iterator<Item = ShopDay> + '_ {
        self.since(self.from())
    }

    /// The first occurrence on a day or after it.
    pub fn next(&self, day: ShopDay) -> Option<ShopDay> {
        self.since(day).next()
    }

    /// The last occurrence before a day.
    pub fn before(&self, day: ShopDay) -> Option<ShopDay> {
        let from = self.from();
        let mut back = LOOK_BACK_DAYS;
        loop {
            let first = day.plus_days(-back).max(from);
            let last = self.since(first).take_while(|found| *found < day).last();
            if last.is_some() || first == from {
                return last;
            }
            back = back.saturating_mul(4).min(day.days_since(from).max(1));
        }
    }

    /// The occurrences on a day and after it, up to the end of the years that may be stated.
    pub fn since(&self, day: ShopDay) -> impl Iterator<Item = ShopDay> + '_ {
        let day = day.max(self.from());
        let counted = self.counted.as_deref().map(|all| {
            let passed = all.partition_point(|found| *found < day);
            all[passed..].iter().copied()
        });
        let found = counted.is_none().then(|| {
            let set = RRuleSet::new(later(self.entry(day))).rrule(RRule::clone(&self.rule)).limit();
            set.into_iter().map(sooner).skip_while(move |found| *found < day)
        });
        let all = counted.into_iter().flatten().chain(found.into_iter().flatten());
        all.take_while(|found| *found <= ShopDay::LAST)
    }

    /// Where the crate takes up a rule so as to give every occurrence from a day on: at the start of the period of the
    /// rule that holds the day, so that nothing before is enumerated. A rule with COUNT is taken up at its start.
    fn entry(&self, day: ShopDay) -> ShopDay {
        let (from, interval) = (self.from(), i64::from(self.parts.interval));
        if self.parts.count.is_some() {
            return from;
        }
        let months = |from: NaiveDate, to: NaiveDate| {
            i64::from(to.year() - from.year()) * 12 + i64::from(to.month0()) - i64::from(from.month0())
        };
        let entry = match self.parts.unit {
            CalendarUnit::Day => from.plus_days(day.days_since(from) / interval * interval),
            CalendarUnit::Week => {
                let week = ShopDay(from.0.week(self.parts.week_start).first_day());
                week.plus_days(day.days_since(week) / (7 * interval) * 7 * interval)
            }
            CalendarUnit::Month => {
                let periods = months(from.0, day.0) / interval * interval;
                first_of_month(from.0, periods)
            }
            CalendarUnit::Year => {
                let periods = i64::from(day.0.year() - from.0.year()) / interval * interval;
                first_of_month(from.0.with_month0(0).unwrap_or(from.0), periods * 12)
            }
        };
        // The first period is entered where the rule starts.
        entry.max(from)
    }
}

/// The first day of the month so many months after that of a day.
fn first_of_month(day: NaiveDate, months: i64) -> ShopDay {
    let first = day.with_day(1).unwrap_or(day);
    let months = Months::new(u32::try_from(months.max(0)).unwrap_or(u32::MAX));
    ShopDay(first.checked_add_months(months).unwrap_or(first))
}

/// The instant at which the crate is asked for a day.
fn later(day: ShopDay) -> DateTime<Tz> {
    let date = day.0.checked_add_days(Days::new(LATER_DAYS)).unwrap_or(day.0);
    Tz::UTC.from_utc_datetime(&date.and_time(NaiveTime::MIN))
}

/// The day that the crate's answer stands for.
fn sooner(at: DateTime<Tz>) -> ShopDay {
    let date = at.date_naive();
    ShopDay(date.checked_sub_days(Days::new(LATER_DAYS)).unwrap_or(date))
}

fn refused(parts: &Parts, error: &dyn fmt::Display) -> RecurrenceError {
    RecurrenceError::Refused { rule: parts.text(), why: error.to_string() }
}

impl TryFrom<RecurrenceSpec> for Recurrence {
    type Error = RecurrenceError;
    fn try_from(spec: RecurrenceSpec) -> Result<Recurrence, RecurrenceError> {
        Recurrence::new(&spec.rule, spec.from)
    }
}

impl From<Recurrence> for RecurrenceSpec {
    fn from(recurrence: Recurrence) -> RecurrenceSpec {
        recurrence.spec
    }
}
