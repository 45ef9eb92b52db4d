//! Instants and spans as whole microseconds, and the shop day.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Microseconds in a second, a minute, an hour and a plain 24-hour day.
pub const MICROS_PER_SECOND: i64 = 1_000_000;
/// Microseconds in a minute.
pub const MICROS_PER_MINUTE: i64 = 60 * MICROS_PER_SECOND;
/// Microseconds in an hour.
pub const MICROS_PER_HOUR: i64 = 60 * MICROS_PER_MINUTE;
/// Microseconds in 24 hours. A shop day may be 23 or 25 hours long: use the calendar for those.
pub const MICROS_PER_DAY: i64 = 24 * MICROS_PER_HOUR;

/// An instant: microseconds since 1970-01-01T00:00:00Z. The same integer in both databases and in the journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Ts(pub i64);

impl Ts {
    /// The earliest instant that may be stated: 1970-01-01T00:00:00Z.
    pub const MIN: Ts = Ts(0);
    /// The latest instant that may be stated: 2200-01-01T00:00:00Z. It keeps every sum far from overflow.
    pub const MAX: Ts = Ts(7_258_118_400_000_000);

    /// This instant moved by a number of microseconds, kept within the range that may be stated.
    #[must_use]
    pub fn plus_micros(self, micros: i64) -> Ts {
        Ts(self.0.saturating_add(micros).clamp(Ts::MIN.0, Ts::MAX.0))
    }

    /// Microseconds from `earlier` to this instant; negative when `earlier` is later.
    pub fn micros_since(self, earlier: Ts) -> i64 {
        self.0 - earlier.0
    }

    /// How far it lies ahead of `now`, in minutes, hours, and from two days on in days of 24 hours: what is said of an instant where
    /// no time zone is known.
    pub fn ahead_in_words(self, now: Ts) -> String {
        let minutes = (self.micros_since(now).max(0) + MICROS_PER_MINUTE - 1) / MICROS_PER_MINUTE;
        match (minutes / 60, minutes % 60) {
            (hours @ 48.., _) if hours % 24 == 0 => format!("{} days", hours / 24),
            (hours @ 48.., _) => format!("{} days {} h", hours / 24, hours % 24),
            (0, minutes) => format!("{minutes} min"),
            (hours, 0) => format!("{hours} h"),
            (hours, minutes) => format!("{hours} h {minutes} min"),
        }
    }

    /// The instant as chrono's UTC time.
    pub fn to_utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_micros(self.0).unwrap_or(DateTime::<Utc>::MIN_UTC)
    }

    /// The instant of chrono's UTC time, cut to whole microseconds.
    pub fn from_utc(at: DateTime<Utc>) -> Ts {
        Ts(at.timestamp_micros())
    }
}

impl fmt::Display for Ts {
    /// RFC 3339 in UTC, with as many digits of the second as are needed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_utc().to_rfc3339_opts(SecondsFormat::AutoSi, true))
    }
}

/// A shop day, named by the civil date on which it starts (at the site's `day_starts_at`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ShopDay(pub NaiveDate);

impl ShopDay {
    /// The first day that may be stated: 1970-01-01.
    pub const FIRST: ShopDay = ShopDay(NaiveDate::from_ymd_opt(1970, 1, 1).expect("a date of the calendar"));
    /// The last day that may be stated: 2199-12-31.
    pub const LAST: ShopDay = ShopDay(NaiveDate::from_ymd_opt(2199, 12, 31).expect("a date of the calendar"));

    /// Days since 1970-01-01, the form in which the store keeps a shop day.
    pub fn to_days(self) -> i32 {
        self.0.signed_duration_since(NaiveDate::default()).num_days().try_into().unwrap_or(i32::MAX)
    }

    /// The shop day so many days after 1970-01-01.
    pub fn from_days(days: i32) -> ShopDay {
        ShopDay(NaiveDate::default() + chrono::Days::new(u64::from(days.max(0).unsigned_abs())))
    }

    /// The day `days` later (earlier when negative).
    #[must_use]
    pub fn plus_days(self, days: i64) -> ShopDay {
        ShopDay(self.0 + chrono::TimeDelta::days(days))
    }

    /// Days from `earlier` to this day.
    pub fn days_since(self, earlier: ShopDay) -> i64 {
        self.0.signed_duration_since(earlier.0).num_days()
    }
}

impl fmt::Display for ShopDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_far_ahead_is_said_in_what_is_read_at_a_glance() {
        for (minutes, expect) in [
            (0, "0 min"),
            (59, "59 min"),
            (24 * 60, "24 h"),
            (47 * 60 + 59, "47 h 59 min"),
            (48 * 60, "2 days"),
            (431 * 60 + 30, "17 days 23 h"),
        ] {
            let now = Ts(1_000_000);
            assert_eq!(now.plus_micros(minutes * MICROS_PER_MINUTE).ahead_in_words(now), expect);
        }
    }
}
