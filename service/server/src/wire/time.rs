//! Instants, days and times of day.

use super::fields::{Fields, Said, shown};
use chrono::NaiveDate;
use fettler_domain::calendar::WallTime;
use fettler_domain::time::{MICROS_PER_MINUTE, ShopDay, Ts};
use prost_types::Timestamp;

const NANOS_PER_MICRO: i32 = 1_000;
const NANOS_PER_SECOND: i32 = 1_000_000_000;
const MICROS_PER_SECOND: i64 = 1_000_000;
/// How far a caller's clock may be ahead of the service's.
const AHEAD_MAX_MICROS: i64 = MICROS_PER_MINUTE;

/// An instant on the wire.
pub fn stamp(at: Ts) -> Timestamp {
    let micros = i32::try_from(at.0.rem_euclid(MICROS_PER_SECOND)).unwrap_or(0);
    Timestamp { seconds: at.0.div_euclid(MICROS_PER_SECOND), nanos: micros * NANOS_PER_MICRO }
}

/// An instant on the wire, where there is one.
pub fn stamp_of(at: Option<Ts>) -> Option<Timestamp> {
    at.map(stamp)
}

impl Fields {
    /// A required instant, cut to whole microseconds.
    pub fn instant(&mut self, field: &str, value: Option<&Timestamp>) -> Option<Ts> {
        let Some(value) = value else {
            self.wrong(field, "is missing; give an instant such as 2026-03-02T06:00:00Z");
            return None;
        };
        let whole = value.seconds.checked_mul(MICROS_PER_SECOND);
        let nanos = (0..NANOS_PER_SECOND).contains(&value.nanos).then_some(value.nanos / NANOS_PER_MICRO);
        let at = whole.zip(nanos).and_then(|(whole, micros)| whole.checked_add(i64::from(micros))).map(Ts);
        match at {
            Some(at) if (Ts::MIN..=Ts::MAX).contains(&at) => Some(at),
            _ => {
                let given = format!("{} s and {} ns after 1970-01-01", value.seconds, value.nanos);
                self.wrong(field, format!("{given} is no instant of the years 1970 to 2200; correct it"));
                None
            }
        }
    }

    /// An instant that may be left out.
    pub fn optional_instant(&mut self, field: &str, value: Option<&Timestamp>) -> Said<Option<Ts>> {
        if value.is_none() { Some(None) } else { self.instant(field, value).map(Some) }
    }

    /// The instant at which something was done, such as "seen"; `now` where it is left out, and none that lies after it by more
    /// than clocks differ.
    pub fn past_instant(
        &mut self,
        field: &str,
        value: Option<&Timestamp>,
        now: Ts,
        done: &str,
    ) -> Option<Ts> {
        let at = self.optional_instant(field, value)?.unwrap_or(now);
        if at.micros_since(now) > AHEAD_MAX_MICROS {
            self.wrong(
                field,
                format!("lies {} in the future; give when it was {done}", at.ahead_in_words(now)),
            );
            return None;
        }
        Some(at)
    }

    /// Instants `from` and `until`, each of which may be left out; the second is after the first.
    pub fn stretch(
        &mut self,
        from: Option<&Timestamp>,
        until: Option<&Timestamp>,
    ) -> Said<(Option<Ts>, Option<Ts>)> {
        let (from, until) = (self.optional_instant("from", from), self.optional_instant("until", until));
        let (from, until) = (from?, until?);
        if let (Some(from), Some(until)) = (from, until)
            && until <= from
        {
            self.wrong(
                "until",
                format!("{until} is not after `from`, {from}; give a later one, or leave it out"),
            );
            return None;
        }
        Some((from, until))
    }

    /// A required date, as YYYY-MM-DD, of the years 1970 to 2199.
    pub fn date(&mut self, field: &str, value: &str) -> Option<NaiveDate> {
        let strict = value.len() == 10 && value.bytes().all(|b| b.is_ascii_digit() || b == b'-');
        let date = strict.then(|| NaiveDate::parse_from_str(value, "%Y-%m-%d").ok()).flatten();
        let date = date.filter(|date| {
            let days = ShopDay(*date).to_days();
            (0..ShopDay(Ts::MAX.to_utc().date_naive()).to_days()).contains(&days)
        });
        if date.is_none() {
            let value = if value.is_empty() {
                "is missing".to_owned()
            } else {
                format!("`{}` is no date of the years 1970 to 2199", shown(value))
            };
            self.wrong(field, format!("{value}; give it as YYYY-MM-DD, such as 2026-03-02"));
        }
        date
    }

    /// A required shop day.
    pub fn day(&mut self, field: &str, value: &str) -> Option<ShopDay> {
        self.date(field, value).map(ShopDay)
    }

    /// A shop day that may be left out.
    pub fn optional_day(&mut self, field: &str, value: &str) -> Said<Option<ShopDay>> {
        if value.is_empty() { Some(None) } else { self.day(field, value).map(Some) }
    }

    /// A required time of day, as HH:MM.
    pub fn wall_time(&mut self, field: &str, value: &str) -> Option<WallTime> {
        WallTime::parse(value).map_err(|error| self.wrong(field, error.to_string())).ok()
    }
}

/// Work that was not late, by its days from the due point.
pub(super) fn not_late(days: i64) -> String {
    match days {
        0 => "on the day it was due".to_owned(),
        ..0 => by_days(-days, "early"),
        1.. => format!("{} after the due day, in its window", days_in_words(days)),
    }
}

/// Days with a word: "2 days late".
pub(super) fn by_days(days: i64, word: &str) -> String {
    if days == 0 { format!("{word} the same day") } else { format!("{} {word}", days_in_words(days)) }
}

/// How many days.
pub(super) fn days_in_words(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}
