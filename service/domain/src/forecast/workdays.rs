//! The days on which a site works, as the forecast takes them from its calendar.

use super::course::Course;
use super::units::Days;
use super::usage::{Usage, count};
use crate::calendar::Calendar;
use crate::time::{ShopDay, Ts};

/// How far back the share of worked days is taken: after so long a day weighs a quarter of what today does.
const BEFORE_DAYS: usize = 182;
/// The least that it is taken over, however new the machine: four weeks hold every weekday alike.
const BEFORE_DAYS_LEAST: usize = 28;
/// How far ahead the calendar is followed: a year, since few shops know more of their holidays. After it all days are alike.
const AHEAD_DAYS: i64 = 366;
/// Over so many days it is seen whether a machine keeps to the calendar: a quarter.
const SEEN_DAYS: usize = 91;
/// A machine that ran more than this part of its hours on closed days keeps to a week of its own.
const STRAYS_MOST: f64 = 0.1;

/// Which days around a shop day are worked. Each is taken as 24 hours from that day's start.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WorkDays {
    /// Those before, the newest first.
    before: Vec<bool>,
    /// Those ahead, the shop day itself first.
    ahead: Vec<bool>,
}

impl WorkDays {
    /// The worked days around a shop day; none where the calendar names neither shifts nor closed days, so that it says
    /// nothing of any.
    pub fn around(calendar: &Calendar, day: ShopDay) -> Option<WorkDays> {
        let spec = calendar.spec();
        if spec.shifts.is_empty() && spec.closures.is_empty() {
            return None;
        }
        let before = (1_i64..).take(BEFORE_DAYS).map(|back| calendar.is_worked(day.plus_days(-back)));
        let ahead = (0..AHEAD_DAYS).map(|ahead| calendar.is_worked(day.plus_days(ahead)));
        Some(WorkDays { before: before.collect(), ahead: ahead.collect() })
    }

    /// The same days around the shop day that lies so many days before.
    pub(crate) fn earlier_by(&self, days: usize) -> WorkDays {
        let days = days.min(self.before.len());
        let (passed, before) = self.before.split_at(days);
        let ahead = passed.iter().rev().chain(&self.ahead).copied();
        WorkDays { before: before.to_vec(), ahead: ahead.collect() }
    }

    /// The course of a machine that keeps to these days; none for one that does not.
    pub fn course(&self, usage: &Usage, now: Ts) -> Option<Course> {
        if self.strays(usage, now) > STRAYS_MOST {
            return None;
        }
        let age = usage.first().map_or(Days(0.0), |first| Days::between(first, now));
        let known = (BEFORE_DAYS_LEAST..BEFORE_DAYS).find(|days| count(*days) >= age.0);
        let before = &self.before[..known.unwrap_or(BEFORE_DAYS).min(self.before.len())];
        Some(Course::of_calendar(before, &self.ahead))
    }

    /// The part of a machine's hours that it ran on closed days; 0 where it ran none at all.
    fn strays(&self, usage: &Usage, now: Ts) -> f64 {
        let ran = usage.daily(now, SEEN_DAYS);
        let all: f64 = ran.iter().sum();
        let strayed: f64 =
            ran.iter().zip(&self.before).filter(|(_, worked)| !**worked).map(|(hours, _)| hours).sum();
        if all > 0.0 { strayed / all } else { 0.0 }
    }
}
