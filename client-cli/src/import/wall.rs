//! Times of a table: written as its program writes them, in a named zone, with what is meant where the clocks jump.

use crate::times::{self, TimeError};
use chrono::{
    DateTime, Datelike as _, Days, NaiveDate, NaiveDateTime, Utc,
    format::{Item, StrftimeItems},
};
use chrono_tz::Tz;
use serde::Deserialize;

/// The years that a shop's tables may speak of, as the service bounds them.
const YEARS: std::ops::RangeInclusive<i32> = 1970..=2200;

/// What is meant by a local time that the clocks jump over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub(crate) enum WhenSkipped {
    /// Nobody can know: the row is refused.
    #[default]
    #[serde(rename = "refuse")]
    Refuse,
    /// What a clock showed that had not been moved.
    #[serde(rename = "as before")]
    AsBefore,
}

/// What is meant by a local time that the clocks pass twice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub(crate) enum WhenTwice {
    /// Nobody can know: the row is refused.
    #[default]
    #[serde(rename = "refuse")]
    Refuse,
    /// The first of the two.
    #[serde(rename = "first")]
    First,
    /// The second.
    #[serde(rename = "second")]
    Second,
}

/// How a table's times are read.
#[derive(Clone, Debug, Default)]
pub(crate) struct Wall {
    /// The zone of times without an offset.
    pub(crate) zone: Option<Tz>,
    /// How a time is written, unless it is as everywhere here.
    pub(crate) pattern: Option<String>,
    /// What is meant where the clocks jump.
    pub(crate) skipped: WhenSkipped,
    /// What is meant where they go back.
    pub(crate) twice: WhenTwice,
}

/// A time as it stands in a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Said {
    /// With its offset.
    At(DateTime<Utc>),
    /// What a clock on the wall showed.
    Local(NaiveDateTime),
}

/// An instant, and how it was settled where the clocks showed it twice or never.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Instant {
    /// The instant.
    pub(crate) at: DateTime<Utc>,
    /// What was settled, in words.
    pub(crate) settled: Option<String>,
}

/// Refuses a pattern that is none, or that lacks what a time or a day needs.
pub(crate) fn check_pattern(key: &str, pattern: &str, needs_time: bool) -> Result<(), String> {
    const PROBE: &str = "2026-11-25T05:40:00+01:00";
    let broken = StrftimeItems::new(pattern).any(|item| matches!(item, Item::Error));
    let probe = DateTime::parse_from_rfc3339(PROBE).map_err(|error| error.to_string())?;
    let read = (!broken).then(|| probe.format(pattern).to_string()).and_then(|written| {
        if needs_time { said(&written, pattern).map(|_| ()) } else { day_by(&written, pattern).map(|_| ()) }
    });
    let example = if needs_time { "%d.%m.%Y %H:%M" } else { "%d.%m.%Y" };
    read.ok_or_else(|| {
        format!("{key} `{pattern}` is not a form that can be read back; write one such as `{example}`")
    })
}

fn said(text: &str, pattern: &str) -> Option<Said> {
    if let Ok(time) = DateTime::parse_from_str(text, pattern) {
        return Some(Said::At(time.with_timezone(&Utc)));
    }
    NaiveDateTime::parse_from_str(text, pattern).ok().map(Said::Local)
}

fn day_by(text: &str, pattern: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(text, pattern).ok()
}

/// Reads a day.
pub(crate) fn day(text: &str, pattern: Option<&str>) -> Result<NaiveDate, String> {
    let pattern = pattern.unwrap_or("%Y-%m-%d");
    let day = day_by(text, pattern).ok_or_else(|| {
        format!("`{text}` is not a day written as `{pattern}`; mend it, or `days` in the mapping")
    })?;
    in_years(text, day.year())?;
    Ok(day)
}

fn in_years(text: &str, year: i32) -> Result<(), String> {
    if YEARS.contains(&year) {
        return Ok(());
    }
    Err(format!("`{text}` is read as the year {year}; years have four digits with %Y, and two with %y"))
}

impl Wall {
    /// Reads what stands in a row.
    pub(crate) fn read(&self, text: &str) -> Result<Said, String> {
        let read = match &self.pattern {
            Some(pattern) => said(text, pattern).ok_or_else(|| {
                format!("`{text}` is not a time written as `{pattern}`; mend it, or `times` in the mapping")
            })?,
            None => match times::absolute(text) {
                Some(at) => Said::At(at),
                None => Said::Local(
                    times::civil(text).ok_or_else(|| TimeError::Unreadable(text.to_owned()).to_string())?,
                ),
            },
        };
        let year = match read {
            Said::At(at) => at.year(),
            Said::Local(local) => local.year(),
        };
        in_years(text, year)?;
        Ok(read)
    }

    /// The instant that is meant.
    pub(crate) fn settle(&self, text: &str, said: Said) -> Result<Instant, String> {
        let local = match said {
            Said::At(at) => return Ok(Instant { at, settled: None }),
            Said::Local(local) => local,
        };
        let zone = self.zone.ok_or_else(|| {
            format!("`{text}` has no offset; name its zone in the mapping, as zone = \"Europe/Berlin\"")
        })?;
        let error = match times::wall(text, local, zone) {
            Ok(at) => return Ok(Instant { at, settled: None }),
            Err(error) => error,
        };
        let meant = match (&error, self.skipped, self.twice) {
            (TimeError::Skipped { .. }, WhenSkipped::AsBefore, _) => times::past_gap(local, zone),
            (TimeError::Twice { first, .. }, _, WhenTwice::First) => times::absolute(first),
            (TimeError::Twice { second, .. }, _, WhenTwice::Second) => times::absolute(second),
            _ => None,
        };
        let remedy = match &error {
            TimeError::Skipped { .. } => "when_skipped = \"as before\"",
            TimeError::Twice { .. } | TimeError::Unreadable(_) | TimeError::NoZone(_) => {
                "when_twice = \"first\""
            }
        };
        let at =
            meant.ok_or_else(|| format!("{error}; or settle all such times with {remedy} in the mapping"))?;
        let settled = format!("`{text}` is taken as {}", at.with_timezone(&zone).to_rfc3339());
        Ok(Instant { at, settled: Some(settled) })
    }
}

/// The end of a stretch. One that is not after its start is one of the next day, where the mapping says so.
pub(crate) fn stretch(start: Said, end: Said, ends_next_day: bool) -> Said {
    match (start, end) {
        (Said::Local(from), Said::Local(to)) if ends_next_day && to <= from => {
            Said::Local(to.checked_add_days(Days::new(1)).unwrap_or(to))
        }
        _ => end,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wall(skipped: WhenSkipped, twice: WhenTwice) -> Wall {
        Wall { zone: Some(Tz::Europe__Berlin), pattern: Some("%d.%m.%Y %H:%M".into()), skipped, twice }
    }

    #[track_caller]
    fn at(wall: &Wall, text: &str) -> Result<String, String> {
        let said = wall.read(text)?;
        wall.settle(text, said).map(|instant| instant.at.to_rfc3339())
    }

    /// The clocks of Berlin went forward on 29 March 2026 at 02:00 and back on 25 October 2026 at 03:00 (IANA tz).
    #[test]
    fn jumps_of_the_clock_are_refused_or_settled_as_the_mapping_says() {
        let strict = wall(WhenSkipped::Refuse, WhenTwice::Refuse);
        assert_eq!(at(&strict, "25.11.2026 05:40").as_deref(), Ok("2026-11-25T04:40:00+00:00"));
        assert_eq!(
            at(&strict, "29.03.2026 02:30").unwrap_err(),
            "`29.03.2026 02:30` does not exist in Europe/Berlin, where the clocks jump over it; perhaps 2026-03-29 \
             03:30 is meant; or settle all such times with when_skipped = \"as before\" in the mapping"
        );
        assert_eq!(
            at(&strict, "25.10.2026 02:30").unwrap_err(),
            "`25.10.2026 02:30` happens twice in Europe/Berlin, where the clocks go back; write \
             2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00; or settle all such times with when_twice = \
             \"first\" in the mapping"
        );
        let mild = wall(WhenSkipped::AsBefore, WhenTwice::First);
        assert_eq!(at(&mild, "29.03.2026 02:30").as_deref(), Ok("2026-03-29T01:30:00+00:00"));
        assert_eq!(at(&mild, "25.10.2026 02:30").as_deref(), Ok("2026-10-25T00:30:00+00:00"));
        let late = wall(WhenSkipped::Refuse, WhenTwice::Second);
        assert_eq!(at(&late, "25.10.2026 02:30").as_deref(), Ok("2026-10-25T01:30:00+00:00"));
        let told = late.settle("x", late.read("25.10.2026 02:30").unwrap()).unwrap().settled.unwrap();
        assert_eq!(told, "`x` is taken as 2026-10-25T02:30:00+01:00");
    }

    #[test]
    fn other_forms_are_refused_with_the_pattern() {
        let wall = wall(WhenSkipped::Refuse, WhenTwice::Refuse);
        assert!(wall.read("2026-11-25 05:40").unwrap_err().contains("written as `%d.%m.%Y %H:%M`"));
        assert!(wall.read("25.11.26 05:40").unwrap_err().contains("read as the year 26"));
        assert!(Wall::default().read("25.11.2026").unwrap_err().contains("is not a time"));
        let zoneless = Wall::default();
        let said = zoneless.read("2026-11-25 05:40").unwrap();
        assert!(zoneless.settle("2026-11-25 05:40", said).unwrap_err().contains("zone = \"Europe/Berlin\""));
        assert_eq!(day("25.11.2026", Some("%d.%m.%Y")), Ok(NaiveDate::from_ymd_opt(2026, 11, 25).unwrap()));
        assert!(day("25/11/2026", Some("%d.%m.%Y")).unwrap_err().contains("written as"));
    }

    #[test]
    fn patterns_that_cannot_be_read_back_are_refused() {
        for (pattern, needs_time, good) in [
            ("%d.%m.%Y %H:%M", true, true),
            ("%Y-%m-%dT%H:%M:%S%:z", true, true),
            ("%d.%m.%Y", true, false),
            ("%d.%m.%Y", false, true),
            ("%H:%M", true, false),
            ("%Q", true, false),
            ("", true, false),
            ("%m.%Y", false, false),
        ] {
            assert_eq!(check_pattern("times", pattern, needs_time).is_ok(), good, "{pattern}");
        }
    }
}
