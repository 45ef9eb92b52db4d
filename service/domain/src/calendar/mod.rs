//! A site's time: its zone, its shop day, its shifts and the days on which it works.
//!
//! This module turns wall time into instants and shop days and says which days are worked. It knows nothing of
//! rules, orders or machines; a day opened for one machine by the hours it recorded is handed in by the caller.

mod shift;
mod words;
mod zone;

pub use shift::{ExtraShift, Shift, ShiftTime, WallTime, WallTimeError, Weekdays, WeekdaysError};
pub use zone::{Edge, Zone, ZoneError};

use crate::text::Name;
use crate::time::{ShopDay, Ts};
use chrono::{Datelike, NaiveDate, TimeDelta};
use serde::{Deserialize, Serialize};

/// The most weekly shifts of a calendar.
pub const SHIFTS_MAX: usize = 20;
/// The most closures of a calendar: some thirty years of public holidays.
pub const CLOSURES_MAX: usize = 1_000;
/// The most extra shifts of a calendar.
pub const EXTRA_SHIFTS_MAX: usize = 1_000;
/// The longest closure, in days.
pub const CLOSURE_DAYS_MAX: i64 = 366;
/// How far a working day is looked for, in days: longer than any closure with a weekend at both ends.
pub const SEARCH_DAYS_MAX: i64 = 400;

/// Days on which the shop does not work, both ends included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Closure {
    /// Why: a holiday's or a shutdown's name.
    pub name: Name,
    /// The first closed shop day.
    pub first: NaiveDate,
    /// The last closed shop day.
    pub last: NaiveDate,
}

/// A calendar as it is stated and stored, before it has been checked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalendarSpec {
    /// Rises by one with every change of the site's calendar; plan rows are stamped with it.
    #[serde(default)]
    pub revision: i64,
    /// The site's time zone.
    pub zone: Zone,
    /// When the shop day starts, wall time.
    pub day_starts_at: WallTime,
    /// The weekly shifts; none at all means that every day is worked.
    #[serde(default)]
    pub shifts: Vec<Shift>,
    /// Holidays and shutdowns.
    #[serde(default)]
    pub closures: Vec<Closure>,
    /// Shifts beside the weekly ones.
    #[serde(default)]
    pub extra_shifts: Vec<ExtraShift>,
}

/// A site's calendar, checked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "CalendarSpec", into = "CalendarSpec")]
pub struct Calendar {
    spec: CalendarSpec,
}

/// Why a calendar cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CalendarError {
    /// More of something than a calendar may hold.
    #[error("{what} has {count} entries; give at most {max}")]
    TooMany {
        /// The field.
        what: &'static str,
        /// How many it has.
        count: usize,
        /// How many it may have.
        max: usize,
    },
    /// Two shifts with one short name.
    #[error("shift `{0}` is given twice; give each shift its own key")]
    SameKey(String),
    /// A closure that ends before it starts.
    #[error("closure `{name}` ends on {last}, before it starts on {first}; swap the two")]
    Backwards {
        /// The closure.
        name: String,
        /// Its first day.
        first: NaiveDate,
        /// Its last day.
        last: NaiveDate,
    },
    /// A closure that is longer than allowed.
    #[error("closure `{name}` is {days} days long; give at most 366, or lay the machines up instead")]
    TooLong {
        /// The closure.
        name: String,
        /// Its length.
        days: i64,
    },
    /// No day is ever worked.
    #[error(
        "no shift has a weekday, so no day would be worked; give a shift its weekdays or leave all shifts out"
    )]
    NoWorkingDay,
    /// Closures that leave no day worked for too long.
    #[error("no day is worked in the 400 days after {0}; shorten the closures there")]
    NothingWorkedAfter(NaiveDate),
}

impl Calendar {
    /// Checks a stated calendar.
    pub fn new(spec: CalendarSpec) -> Result<Calendar, CalendarError> {
        at_most("shifts", spec.shifts.len(), SHIFTS_MAX)?;
        at_most("closures", spec.closures.len(), CLOSURES_MAX)?;
        at_most("extra shifts", spec.extra_shifts.len(), EXTRA_SHIFTS_MAX)?;
        for (i, shift) in spec.shifts.iter().enumerate() {
            if spec.shifts[..i].iter().any(|other| other.key == shift.key) {
                return Err(CalendarError::SameKey(shift.key.to_string()));
            }
        }
        for Closure { name, first, last } in &spec.closures {
            let days = last.signed_duration_since(*first).num_days() + 1;
            if days < 1 {
                return Err(CalendarError::Backwards { name: name.to_string(), first: *first, last: *last });
            }
            if days > CLOSURE_DAYS_MAX {
                return Err(CalendarError::TooLong { name: name.to_string(), days });
            }
        }
        if !spec.shifts.is_empty() && spec.shifts.iter().all(|shift| shift.weekdays.is_empty()) {
            return Err(CalendarError::NoWorkingDay);
        }
        let calendar = Calendar { spec };
        for closure in &calendar.spec.closures {
            if calendar.first_worked_after(ShopDay(closure.last)).is_none() {
                return Err(CalendarError::NothingWorkedAfter(closure.last));
            }
        }
        Ok(calendar)
    }

    /// A calendar of one zone that works every day.
    pub fn every_day(zone: Zone, day_starts_at: WallTime) -> Calendar {
        let (shifts, closures, extra_shifts) = (Vec::new(), Vec::new(), Vec::new());
        Calendar { spec: CalendarSpec { revision: 0, zone, day_starts_at, shifts, closures, extra_shifts } }
    }

    /// The calendar as it was stated.
    pub fn spec(&self) -> &CalendarSpec {
        &self.spec
    }

    /// The site's time zone.
    pub fn zone(&self) -> Zone {
        self.spec.zone
    }

    /// The first instant of a shop day. A start that the clock leaves out keeps the offset from before the gap, so
    /// 02:30 is 03:30 summer time; on a date that the zone leaves out altogether the day starts at the gap's end.
    pub fn start_of(&self, day: ShopDay) -> Ts {
        let (zone, starts) = (self.spec.zone, self.spec.day_starts_at.on(day.0));
        let at = zone.to_utc(starts, Edge::Start);
        if zone.to_wall(at).date() == day.0 { at } else { zone.first_showing(starts) }
    }

    /// The first instant after a shop day: the next one's start.
    pub fn end_of(&self, day: ShopDay) -> Ts {
        self.start_of(day.plus_days(1))
    }

    /// The shop day that holds an instant: the last one that had started.
    pub fn shop_day_of(&self, at: Ts) -> ShopDay {
        let since = TimeDelta::minutes(i64::from(self.spec.day_starts_at.minutes()));
        let mut day = ShopDay((self.spec.zone.to_wall(at) - since).date());
        // The wall clock alone errs when the day starts within an hour that summer time repeats or leaves out. Beyond the
        // last day that may be stated all instants are one.
        while day < ShopDay::LAST && self.end_of(day) <= at {
            day = day.plus_days(1);
        }
        while self.start_of(day) > at {
            day = day.plus_days(-1);
        }
        day
    }

    /// The first and the after-last instant of a stretch of wall time that starts on `date`; with `ends <= starts`
    /// it ends the day after.
    pub fn stretch(&self, date: NaiveDate, starts: WallTime, ends: WallTime) -> (Ts, Ts) {
        let last = if ends <= starts { date + TimeDelta::days(1) } else { date };
        let zone = self.spec.zone;
        (zone.to_utc(starts.on(date), Edge::Start), zone.to_utc(ends.on(last), Edge::End))
    }

    /// The shop day a shift belongs to: that of its middle instant.
    pub fn shop_day_of_shift(&self, start: Ts, end: Ts) -> ShopDay {
        self.shop_day_of(Ts(start.0 + (end.0 - start.0) / 2))
    }

    /// The shifts of a shop day in order of their start; on a closed day only the extra ones.
    pub fn shifts_of(&self, day: ShopDay) -> Vec<ShiftTime> {
        let mut shifts = Vec::new();
        if !self.is_closed(day) {
            for (shift, start, end) in self.weekly_in(day) {
                shifts.push(ShiftTime { start, end, key: shift.key.clone(), extra: false });
            }
        }
        for (shift, start, end) in self.extra_in(day) {
            shifts.push(ShiftTime { start, end, key: shift.key.clone(), extra: true });
        }
        shifts.sort_unstable();
        shifts
    }

    /// Whether the shop works on a day: a shift belongs to it and no closure holds it, or an extra shift does.
    pub fn is_worked(&self, day: ShopDay) -> bool {
        let regular =
            !self.is_closed(day) && (self.spec.shifts.is_empty() || self.weekly_in(day).next().is_some());
        regular || self.extra_in(day).next().is_some()
    }

    /// The first worked day after `day`, within [`SEARCH_DAYS_MAX`] days.
    pub fn first_worked_after(&self, day: ShopDay) -> Option<ShopDay> {
        (1..=SEARCH_DAYS_MAX).map(|ahead| day.plus_days(ahead)).find(|day| self.is_worked(*day))
    }

    /// Where a due day goes that the shop does not work: back to the nearest day that it does, or on to the next one
    /// where that would be no later than the last closing. `opened` says of a closed day whether it is open all the
    /// same, as it is for a machine that recorded hours on it. A search that finds nothing leaves the day alone.
    pub fn move_off_closed(
        &self,
        due: ShopDay,
        last_closing: Option<ShopDay>,
        mut opened: impl FnMut(ShopDay) -> bool,
    ) -> ShopDay {
        let mut open = |day: ShopDay| self.is_worked(day) || opened(day);
        if open(due) {
            return due;
        }
        let before = (1..=SEARCH_DAYS_MAX)
            .map(|back| due.plus_days(-back))
            .take_while(|day| last_closing.is_none_or(|closed| *day > closed))
            .find(|day| open(*day));
        before
            .or_else(|| (1..=SEARCH_DAYS_MAX).map(|ahead| due.plus_days(ahead)).find(|day| open(*day)))
            .unwrap_or(due)
    }

    fn is_closed(&self, day: ShopDay) -> bool {
        self.spec.closures.iter().any(|closure| (closure.first..=closure.last).contains(&day.0))
    }

    fn weekly_in(&self, day: ShopDay) -> impl Iterator<Item = (&Shift, Ts, Ts)> {
        // The day's own date comes first: that is where nearly every shift of it starts.
        [0, -1, 1].into_iter().flat_map(move |offset| {
            let date = day.plus_days(offset).0;
            self.spec.shifts.iter().filter(move |shift| shift.weekdays.contains(date.weekday())).filter_map(
                move |shift| {
                    let (start, end) = self.stretch(date, shift.starts, shift.ends);
                    (self.shop_day_of_shift(start, end) == day).then_some((shift, start, end))
                },
            )
        })
    }

    fn extra_in(&self, day: ShopDay) -> impl Iterator<Item = (&ExtraShift, Ts, Ts)> {
        let near = move |date: NaiveDate| date.signed_duration_since(day.0).num_days().abs() <= 1;
        self.spec.extra_shifts.iter().filter(move |shift| near(shift.date)).filter_map(move |shift| {
            let (start, end) = self.stretch(shift.date, shift.starts, shift.ends);
            (self.shop_day_of_shift(start, end) == day).then_some((shift, start, end))
        })
    }
}

fn at_most(what: &'static str, count: usize, max: usize) -> Result<(), CalendarError> {
    if count > max { Err(CalendarError::TooMany { what, count, max }) } else { Ok(()) }
}

impl TryFrom<CalendarSpec> for Calendar {
    type Error = CalendarError;
    fn try_from(spec: CalendarSpec) -> Result<Calendar, CalendarError> {
        Calendar::new(spec)
    }
}

impl From<Calendar> for CalendarSpec {
    fn from(calendar: Calendar) -> CalendarSpec {
        calendar.spec
    }
}
