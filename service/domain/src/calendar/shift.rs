//! Shifts, as people state them in wall time and as they fall in UTC.

use crate::text::Key;
use crate::time::Ts;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Weekday};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A time of day on the wall clock, to the minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct WallTime(u16);

/// The text is no time of day.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a time of day; give hours and minutes such as 06:00")]
pub struct WallTimeError(String);

impl WallTime {
    /// Midnight.
    pub const MIDNIGHT: WallTime = WallTime(0);

    /// Reads `hh:mm`, from 00:00 to 23:59.
    pub fn parse(text: &str) -> Result<WallTime, WallTimeError> {
        let bad = || WallTimeError(text.chars().take(20).collect());
        let (hours, minutes) = text.split_once(':').ok_or_else(bad)?;
        let number = |part: &str, below: u16| {
            (part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit()))
                .then(|| part.parse::<u16>().ok())
                .flatten()
                .filter(|n| *n < below)
                .ok_or_else(bad)
        };
        Ok(WallTime(number(hours, 24)? * 60 + number(minutes, 60)?))
    }

    /// Minutes since midnight.
    pub fn minutes(self) -> u16 {
        self.0
    }

    /// This time of day on a date.
    pub fn on(self, date: NaiveDate) -> NaiveDateTime {
        date.and_time(NaiveTime::MIN) + TimeDelta::minutes(i64::from(self.0))
    }
}

impl TryFrom<String> for WallTime {
    type Error = WallTimeError;
    fn try_from(text: String) -> Result<WallTime, WallTimeError> {
        WallTime::parse(&text)
    }
}

impl From<WallTime> for String {
    fn from(time: WallTime) -> String {
        time.to_string()
    }
}

impl fmt::Display for WallTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.0 / 60, self.0 % 60)
    }
}

/// A set of weekdays; in storage a number whose lowest bit is Monday.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Weekdays(u8);

/// The number is no set of weekdays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("weekdays `{0}` is not a set of seven days; give a number from 0 to 127")]
pub struct WeekdaysError(u8);

impl Weekdays {
    /// Monday to Friday.
    pub const MONDAY_TO_FRIDAY: Weekdays = Weekdays(0b001_1111);
    /// All seven.
    pub const EVERY_DAY: Weekdays = Weekdays(0b111_1111);

    /// The set of these days.
    pub fn of(days: impl IntoIterator<Item = Weekday>) -> Weekdays {
        Weekdays(days.into_iter().fold(0, |set, day| set | 1 << day.num_days_from_monday()))
    }

    /// Whether the day is in the set.
    pub fn contains(self, day: Weekday) -> bool {
        self.0 >> day.num_days_from_monday() & 1 == 1
    }

    /// Whether no day is in the set.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }
}

impl TryFrom<u8> for Weekdays {
    type Error = WeekdaysError;
    fn try_from(bits: u8) -> Result<Weekdays, WeekdaysError> {
        if bits > Weekdays::EVERY_DAY.0 { Err(WeekdaysError(bits)) } else { Ok(Weekdays(bits)) }
    }
}

impl From<Weekdays> for u8 {
    fn from(days: Weekdays) -> u8 {
        days.0
    }
}

/// A shift that repeats every week: it starts on each of its weekdays, and with `ends <= starts` it ends the day
/// after.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shift {
    /// Its short name, such as `early`.
    pub key: Key,
    /// The days on which it starts.
    pub weekdays: Weekdays,
    /// When it starts, wall time.
    pub starts: WallTime,
    /// When it ends, wall time.
    pub ends: WallTime,
}

/// A shift on one date only, beside the weekly ones: it opens its shop day even inside a closure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExtraShift {
    /// Its short name.
    pub key: Key,
    /// The date on which it starts.
    pub date: NaiveDate,
    /// When it starts, wall time.
    pub starts: WallTime,
    /// When it ends, wall time.
    pub ends: WallTime,
}

/// One shift as it really falls.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ShiftTime {
    /// Its first instant.
    pub start: Ts,
    /// The first instant after it.
    pub end: Ts,
    /// The shift's short name.
    pub key: Key,
    /// Whether it is an extra shift.
    pub extra: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_of_day_is_two_digits_each_and_inside_the_day() {
        assert_eq!(WallTime::parse("06:00").map(WallTime::minutes), Ok(360));
        assert_eq!(WallTime::parse("23:59").unwrap().to_string(), "23:59");
        for text in ["6:00", "24:00", "06:60", "0600", "", "06:00:00", "+6:00"] {
            assert_eq!(WallTime::parse(text), Err(WallTimeError(text.into())), "{text}");
        }
    }

    #[test]
    fn weekdays_keep_the_days_they_were_given() {
        let weekend = Weekdays::of([Weekday::Sat, Weekday::Sun]);
        assert!(weekend.contains(Weekday::Sun) && !weekend.contains(Weekday::Fri));
        assert!(Weekdays::try_from(128).is_err() && Weekdays::default().is_empty());
    }
}
