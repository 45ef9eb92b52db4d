//! Times as people write and read them: local time of a zone, shop days, and how far ahead.

use crate::exit::Failure;
use chrono::{
    DateTime, Datelike as _, Days, LocalResult, NaiveDate, NaiveDateTime, Offset as _, TimeZone as _, Utc,
};
use chrono_tz::Tz;
use prost_types::Timestamp;

/// The furthest that `--within` may look, in days: as far as the service's due list.
const WITHIN_DAYS_MAX: u64 = 3_653;

/// Why a text is not a time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum TimeError {
    /// Neither form.
    #[error("`{0}` is not a time; write 2026-11-25 05:40, or with its offset 2026-11-25T05:40:00+01:00")]
    Unreadable(String),
    /// A local time, and no zone to read it in.
    #[error("`{0}` has no offset; add one such as +01:00, or name the zone with --zone Europe/Berlin")]
    NoZone(String),
    /// The clocks jump over it.
    #[error("`{text}` does not exist in {zone}, where the clocks jump over it; {remedy}")]
    Skipped {
        /// What was written.
        text: String,
        /// The zone's name.
        zone: &'static str,
        /// What to write.
        remedy: String,
    },
    /// The clocks pass it twice.
    #[error("`{text}` happens twice in {zone}, where the clocks go back; write {first} or {second}")]
    Twice {
        /// What was written.
        text: String,
        /// The zone's name.
        zone: &'static str,
        /// The first of the two.
        first: String,
        /// The second.
        second: String,
    },
}

/// The zone that the service names. Without it no time can be told, for another zone's would be told as the site's.
pub(crate) fn zone(name: &str) -> Result<Tz, Failure> {
    name.parse().map_err(|_| {
        Failure::usage(format!(
            "this client does not know the time zone `{name}` of the site; upgrade `fettler`"
        ))
    })
}

/// Reads a time that carries its own offset.
pub(crate) fn absolute(text: &str) -> Option<DateTime<Utc>> {
    DateTime::parse_from_rfc3339(text).ok().map(|time| time.with_timezone(&Utc))
}

/// Reads a time with its offset, or a local time of `zone`.
pub(crate) fn instant(text: &str, zone: Option<Tz>) -> Result<DateTime<Utc>, TimeError> {
    if let Some(time) = absolute(text) {
        return Ok(time);
    }
    let local = civil(text).ok_or_else(|| TimeError::Unreadable(text.to_owned()))?;
    let zone = zone.ok_or_else(|| TimeError::NoZone(text.to_owned()))?;
    wall(text, local, zone)
}

/// A local time of `zone`, which was written as `text`.
pub(crate) fn wall(text: &str, local: NaiveDateTime, zone: Tz) -> Result<DateTime<Utc>, TimeError> {
    match zone.from_local_datetime(&local) {
        LocalResult::Single(time) => Ok(time.with_timezone(&Utc)),
        LocalResult::Ambiguous(first, second) => Err(TimeError::Twice {
            text: text.to_owned(),
            zone: zone.name(),
            first: first.to_rfc3339(),
            second: second.to_rfc3339(),
        }),
        LocalResult::None => Err(TimeError::Skipped {
            text: text.to_owned(),
            zone: zone.name(),
            remedy: after_gap(local, zone),
        }),
    }
}

pub(crate) fn civil(text: &str) -> Option<NaiveDateTime> {
    const FORMS: [&str; 4] =
        ["%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S%.f"];
    // The parser reads any number of digits for a year; a shop means four.
    if text.as_bytes().get(4) != Some(&b'-') {
        return None;
    }
    FORMS.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
}

/// Names the same wall clock in the offset before the gap, which is what the person most likely meant.
fn after_gap(local: NaiveDateTime, zone: Tz) -> String {
    match past_gap(local, zone) {
        Some(time) => {
            let meant = time.with_timezone(&zone);
            format!("perhaps {} is meant", meant.format("%Y-%m-%d %H:%M"))
        }
        None => "write another, or one with its offset".to_owned(),
    }
}

/// The instant that a clock which had not been moved would show so.
pub(crate) fn past_gap(local: NaiveDateTime, zone: Tz) -> Option<DateTime<Utc>> {
    let earlier = local.checked_sub_days(Days::new(1))?;
    let before = zone.from_local_datetime(&earlier).earliest()?.offset().fix();
    Some(before.from_local_datetime(&local).single()?.with_timezone(&Utc))
}

/// Checks a shop day.
pub(crate) fn day(text: &str) -> Result<String, String> {
    match NaiveDate::parse_from_str(text, "%Y-%m-%d") {
        Ok(day) if text.len() == 10 => Ok(day.format("%Y-%m-%d").to_string()),
        Ok(_) | Err(_) => Err(format!("`{text}` is not a day; write it like 2026-11-25")),
    }
}

/// Reads a span such as 7d or 2w as a number of days.
pub(crate) fn span_days(text: &str) -> Result<u64, String> {
    let bad = || format!("`{text}` is not a span of 0 to {WITHIN_DAYS_MAX} days; write it like 7d or 2w");
    let (digits, days) = match text.strip_suffix('d') {
        Some(digits) => (digits, 1),
        None => (text.strip_suffix('w').ok_or_else(bad)?, 7),
    };
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err(bad());
    }
    let count: u64 = digits.parse().map_err(|_| bad())?;
    count.checked_mul(days).filter(|days| *days <= WITHIN_DAYS_MAX).ok_or_else(bad)
}

/// The day so many days after a shop day.
pub(crate) fn days_after(day: &str, days: u64) -> Option<String> {
    let day = NaiveDate::parse_from_str(day, "%Y-%m-%d").ok()?;
    Some(day.checked_add_days(Days::new(days))?.format("%Y-%m-%d").to_string())
}

/// An instant for the wire.
pub(crate) fn to_wire(time: DateTime<Utc>) -> Timestamp {
    Timestamp {
        seconds: time.timestamp(),
        // A leap second counts past the second's end; the wire knows none.
        nanos: i32::try_from(time.timestamp_subsec_nanos().min(999_999_999)).unwrap_or(0),
    }
}

/// An instant from the wire; `None` when it is out of every calendar's range.
pub(crate) fn from_wire(time: &Timestamp) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp(time.seconds, u32::try_from(time.nanos).ok()?)
}

/// How instants and days are told: in a zone, with the year only where it is not this one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Teller {
    zone: Tz,
    year: i32,
}

impl Teller {
    /// Tells in `zone`, with `now` saying which year needs no word.
    pub(crate) fn new(zone: Tz, now: DateTime<Utc>) -> Teller {
        Teller { zone, year: now.with_timezone(&zone).year() }
    }

    /// The same with the year on every day, for what is kept on paper.
    pub(crate) fn with_years(self) -> Teller {
        Teller { year: i32::MIN, ..self }
    }

    /// "Tue 3 Nov 13:20".
    pub(crate) fn instant(self, time: Option<&Timestamp>) -> Option<String> {
        let local = from_wire(time?)?.with_timezone(&self.zone);
        let form = if local.year() == self.year { "%a %-d %b %H:%M" } else { "%a %-d %b %Y %H:%M" };
        Some(local.format(form).to_string())
    }

    /// "Tue 3 Nov": the civil day of an instant.
    pub(crate) fn day_of(self, time: Option<&Timestamp>) -> Option<String> {
        let local = from_wire(time?)?.with_timezone(&self.zone);
        Some(self.civil(local.date_naive()))
    }

    /// "Tue 3 Nov" of a YYYY-MM-DD; any other text as it stands.
    pub(crate) fn day(self, text: &str) -> String {
        NaiveDate::parse_from_str(text, "%Y-%m-%d").map_or_else(|_| text.to_owned(), |day| self.civil(day))
    }

    /// "05:40".
    pub(crate) fn clock(self, time: Option<&Timestamp>) -> Option<String> {
        Some(from_wire(time?)?.with_timezone(&self.zone).format("%H:%M").to_string())
    }

    /// The zone's name.
    pub(crate) fn zone_name(self) -> &'static str {
        self.zone.name()
    }

    fn civil(self, day: NaiveDate) -> String {
        day.format(if day.year() == self.year { "%a %-d %b" } else { "%a %-d %b %Y" }).to_string()
    }
}

/// RFC 3339 in UTC, for CSV; empty when absent.
pub(crate) fn rfc3339(time: Option<&Timestamp>) -> String {
    time.and_then(from_wire)
        .map(|time| time.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    const BERLIN: Tz = Tz::Europe__Berlin;

    #[track_caller]
    fn check(text: &str, expected: &str) {
        assert_eq!(instant(text, Some(BERLIN)).unwrap().to_rfc3339(), expected, "{text}");
    }

    // Expected values: Python's zoneinfo, `datetime(..., tzinfo=ZoneInfo("Europe/Berlin")).astimezone(timezone.utc)`.
    #[test]
    fn local_times_are_read_in_the_zone() {
        check("2026-11-25 05:40", "2026-11-25T04:40:00+00:00");
        check("2026-07-01 05:40:30", "2026-07-01T03:40:30+00:00");
        check("2026-07-01T05:40", "2026-07-01T03:40:00+00:00");
        check("2026-03-29 01:59", "2026-03-29T00:59:00+00:00");
        check("2026-03-29 03:00", "2026-03-29T01:00:00+00:00");
        check("2024-02-29 12:00", "2024-02-29T11:00:00+00:00");
    }

    #[test]
    fn an_offset_wins_over_the_zone() {
        check("2026-11-25T05:40:00Z", "2026-11-25T05:40:00+00:00");
        check("2026-10-25T02:30:00+02:00", "2026-10-25T00:30:00+00:00");
    }

    #[test]
    fn a_time_that_the_clocks_jump_over_is_refused_with_the_likely_one() {
        assert_eq!(
            instant("2026-03-29 02:30", Some(BERLIN)).unwrap_err().to_string(),
            "`2026-03-29 02:30` does not exist in Europe/Berlin, where the clocks jump over it; \
             perhaps 2026-03-29 03:30 is meant"
        );
    }

    #[test]
    fn a_time_that_happens_twice_is_refused_with_both() {
        assert_eq!(
            instant("2026-10-25 02:30", Some(BERLIN)).unwrap_err().to_string(),
            "`2026-10-25 02:30` happens twice in Europe/Berlin, where the clocks go back; \
             write 2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00"
        );
    }

    #[test]
    fn without_a_zone_only_offsets_are_read() {
        assert!(matches!(instant("2026-11-25 05:40", None), Err(TimeError::NoZone(_))));
        assert!(instant("2026-11-25T05:40:00Z", None).is_ok());
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for bad in ["", "yesterday", "2026-02-30 05:40", "25.11.2026 05:40", "2026-11-25", "2026-11-25 25:00"]
        {
            assert!(matches!(instant(bad, Some(BERLIN)), Err(TimeError::Unreadable(_))), "{bad}");
        }
    }

    #[test]
    fn a_zone_that_is_not_known_is_told_and_none_takes_its_place() {
        assert_eq!(zone("Europe/Berlin").unwrap(), BERLIN);
        for name in ["", "Mars/Olympus"] {
            let Err(Failure::Usage(complaint)) = zone(name) else { panic!("{name}") };
            assert!(complaint.message.contains(&format!("`{name}`")), "{}", complaint.message);
        }
    }

    #[test]
    fn spans_and_days() {
        assert_eq!(span_days("7d"), Ok(7));
        assert_eq!(span_days("2w"), Ok(14));
        assert_eq!(span_days("3653d"), Ok(3_653));
        for bad in ["", "d", "7", "-1d", "+1d", "1m", "3654d", "99999999999999999999d"] {
            assert!(span_days(bad).is_err(), "{bad}");
        }
        assert_eq!(days_after("2028-02-28", 1).as_deref(), Some("2028-02-29"));
        assert!(day("2026-11-31").is_err());
        assert!(day("2026-1-3").is_err());
    }

    #[test]
    fn a_span_reaches_as_far_as_the_service_looks() {
        let wire = include_str!("../../proto/fettler/v1/due.proto");
        let line = wire.lines().find(|line| line.contains("last shop day of the horizon")).unwrap();
        assert!(line.contains(" 3,653 days"), "{line}");
        assert_eq!(WITHIN_DAYS_MAX, 3_653);
    }

    #[test]
    fn the_year_is_told_only_where_it_is_another() {
        let now = absolute("2026-11-25T05:00:00Z").unwrap();
        let teller = Teller::new(BERLIN, now);
        let tell = |text: &str| teller.instant(Some(&to_wire(absolute(text).unwrap()))).unwrap();
        assert_eq!(tell("2026-11-03T12:20:00Z"), "Tue 3 Nov 13:20");
        assert_eq!(tell("2025-12-31T23:30:00Z"), "Thu 1 Jan 00:30");
        assert_eq!(tell("2025-12-31T22:30:00Z"), "Wed 31 Dec 2025 23:30");
        assert_eq!(teller.day("2027-01-01"), "Fri 1 Jan 2027");
    }
}
