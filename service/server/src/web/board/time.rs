//! Times as the board tells and reads them: in the site's zone, the year only where it is not this one.

use chrono::{DateTime, Datelike as _, LocalResult, NaiveDate, NaiveDateTime, TimeZone as _, Utc};
use chrono_tz::Tz;
use prost_types::Timestamp;

/// Tells times of a site.
#[derive(Clone, Copy, Debug)]
pub(super) struct Teller {
    zone: Tz,
    now: DateTime<Utc>,
}

impl Teller {
    /// Tells in a zone as the answers name it, at the moment of the answer.
    pub(super) fn new(zone: &str, now: Option<&Timestamp>) -> Teller {
        let zone = zone.parse().unwrap_or(chrono_tz::UTC);
        Teller { zone, now: now.and_then(read).unwrap_or_default() }
    }

    /// The zone's name.
    pub(super) fn zone_name(self) -> &'static str {
        self.zone.name()
    }

    /// The moment of the answer: "Thu 26 Nov, 05:50".
    pub(super) fn now(self) -> String {
        self.now.with_timezone(&self.zone).format("%a %-d %b, %H:%M").to_string()
    }

    /// The moment of the answer as a field for a time takes it.
    pub(super) fn now_typed(self) -> String {
        self.now.with_timezone(&self.zone).format("%Y-%m-%dT%H:%M").to_string()
    }

    /// "Tue 3 Nov 13:20"; empty where there is none.
    pub(super) fn instant(self, time: Option<&Timestamp>) -> String {
        let Some(local) = time.and_then(read).map(|time| time.with_timezone(&self.zone)) else {
            return String::new();
        };
        format!("{} {}", self.civil(local.date_naive()), local.format("%H:%M"))
    }

    /// "Tue 3 Nov": the day of an instant; empty where there is none.
    pub(super) fn day_of(self, time: Option<&Timestamp>) -> String {
        let local = time.and_then(read).map(|time| time.with_timezone(&self.zone));
        local.map(|local| self.civil(local.date_naive())).unwrap_or_default()
    }

    /// "Tue 3 Nov" of a YYYY-MM-DD; any other text as it stands.
    pub(super) fn day(self, text: &str) -> String {
        NaiveDate::parse_from_str(text, "%Y-%m-%d").map_or_else(|_| text.to_owned(), |day| self.civil(day))
    }

    /// "05:40"; empty where there is none.
    pub(super) fn clock(self, time: Option<&Timestamp>) -> String {
        let local = time.and_then(read).map(|time| time.with_timezone(&self.zone));
        local.map(|local| local.format("%H:%M").to_string()).unwrap_or_default()
    }

    /// How long ago an instant was: "25 minutes ago", "9 hours ago", "3 days ago".
    pub(super) fn ago(self, time: Option<&Timestamp>) -> String {
        let Some(time) = time.and_then(read) else { return String::new() };
        let minutes = (self.now - time).num_minutes().max(0);
        let age = match minutes {
            0..=89 => count(minutes, "minute", "minutes"),
            90..=2_879 => count((minutes + 30) / 60, "hour", "hours"),
            _ => count((minutes + 720) / 1_440, "day", "days"),
        };
        format!("{age} ago")
    }

    fn civil(self, day: NaiveDate) -> String {
        let this_year = day.year() == self.now.with_timezone(&self.zone).year();
        day.format(if this_year { "%a %-d %b" } else { "%a %-d %b %Y" }).to_string()
    }

    /// Reads a time as a field for one gives it, or with its offset; else what is wrong with it.
    pub(super) fn typed(self, text: &str) -> Result<Timestamp, String> {
        if let Ok(time) = DateTime::parse_from_rfc3339(text) {
            return Ok(written(time.with_timezone(&Utc)));
        }
        let forms = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"];
        let local = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
        let local =
            local.ok_or_else(|| format!("“{text}” is no time; write it like {}", self.now_typed()))?;
        match self.zone.from_local_datetime(&local) {
            LocalResult::Single(time) => Ok(written(time.with_timezone(&Utc))),
            LocalResult::Ambiguous(first, second) => Err(format!(
                "the clocks go back, and that time comes twice; write {} or {}",
                first.to_rfc3339(),
                second.to_rfc3339()
            )),
            LocalResult::None => Err("the clocks jump over that time; write another".to_owned()),
        }
    }
}

fn read(time: &Timestamp) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp(time.seconds, u32::try_from(time.nanos).ok()?)
}

fn written(time: DateTime<Utc>) -> Timestamp {
    Timestamp { seconds: time.timestamp(), nanos: 0 }
}

/// "Thursday 26 November" of a YYYY-MM-DD; any other text as it stands.
pub(super) fn long_day(text: &str) -> String {
    let day = NaiveDate::parse_from_str(text, "%Y-%m-%d");
    day.map_or_else(|_| text.to_owned(), |day| day.format("%A %-d %B").to_string())
}

/// "1 machine", "3 machines".
pub(super) fn count(number: i64, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        written(DateTime::parse_from_rfc3339(text).unwrap().with_timezone(&Utc))
    }

    #[test]
    fn times_are_told_and_read_in_the_zone() {
        let teller = Teller::new("Europe/Berlin", Some(&at("2026-11-26T04:50:00Z")));
        assert_eq!(
            (teller.now(), teller.now_typed()),
            ("Thu 26 Nov, 05:50".into(), "2026-11-26T05:50".into())
        );
        assert_eq!(teller.instant(Some(&at("2026-11-17T15:30:00Z"))), "Tue 17 Nov 16:30");
        assert_eq!(teller.day("2027-01-05"), "Tue 5 Jan 2027");
        assert_eq!(teller.typed("2026-11-26T05:40"), Ok(at("2026-11-26T04:40:00Z")));
        assert_eq!(teller.typed("2026-10-25T02:30:00+02:00"), Ok(at("2026-10-25T00:30:00Z")));
        // The clocks of this zone go back on 25 October 2026 and forward on 29 March (Python's zoneinfo says the same).
        assert!(teller.typed("2026-10-25T02:30").unwrap_err().contains("2026-10-25T02:30:00+01:00"));
        assert!(teller.typed("2026-03-29T02:30").unwrap_err().contains("jump over"));
        assert!(teller.typed("ten past").unwrap_err().contains("is no time"));
    }

    #[test]
    fn ages_are_told_in_what_people_count() {
        let teller = Teller::new("UTC", Some(&at("2026-11-26T06:00:00Z")));
        let ago = |text: &str| teller.ago(Some(&at(text)));
        assert_eq!(ago("2026-11-26T05:59:00Z"), "1 minute ago");
        assert_eq!(ago("2026-11-26T04:30:00Z"), "2 hours ago");
        assert_eq!(ago("2026-11-25T06:00:00Z"), "24 hours ago");
        assert_eq!(ago("2026-11-23T06:00:00Z"), "3 days ago");
    }
}
