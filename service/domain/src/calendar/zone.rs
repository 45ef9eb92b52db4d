//! A site's time zone, and the way from wall time to UTC.

use crate::text::letters_apart;
use crate::time::{MICROS_PER_DAY, Ts};
use chrono::{LocalResult, NaiveDateTime, Offset, TimeDelta, TimeZone};
use chrono_tz::{TZ_VARIANTS, Tz};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A time zone by its IANA name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Zone(Tz);

/// The text is no IANA zone name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("time zone `{given}` is not known; {remedy}")]
pub struct ZoneError {
    given: String,
    remedy: String,
}

/// Which end of a stretch a wall time is: it decides which of two instants an ambiguous wall time means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// A start: the first of the two.
    Start,
    /// An end: the second of the two.
    End,
}

/// How far back the offset before a gap is looked for: no zone has ever left out more than one day.
const GAP_PROBES: i32 = 4 * 25;

impl Zone {
    /// Greenwich time without summer time.
    pub const UTC: Zone = Zone(Tz::UTC);

    /// The zone with this IANA name, such as `Europe/Berlin`.
    pub fn parse(name: &str) -> Result<Zone, ZoneError> {
        name.parse().map(Zone).map_err(|_| {
            let remedy = match nearest(name) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "give an IANA name such as `Europe/Berlin`".to_owned(),
            };
            ZoneError { given: name.chars().take(60).collect(), remedy }
        })
    }

    /// The zone's IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The instant of a wall time. In a gap the offset from before the gap holds, so 02:30 becomes 03:30 summer
    /// time; an ambiguous time is its first instant at a start and its second at an end.
    pub fn to_utc(self, wall: NaiveDateTime, edge: Edge) -> Ts {
        let offset = match self.0.offset_from_local_datetime(&wall) {
            LocalResult::Single(only) => only,
            LocalResult::Ambiguous(first, second) => match edge {
                Edge::Start => first,
                Edge::End => second,
            },
            LocalResult::None => return self.in_gap(wall),
        };
        instant(wall, offset.fix().local_minus_utc())
    }

    /// The first instant at which the wall clock shows this time or a later one: in a gap, the gap's end.
    pub fn first_showing(self, wall: NaiveDateTime) -> Ts {
        if !matches!(self.0.offset_from_local_datetime(&wall), LocalResult::None) {
            return self.to_utc(wall, Edge::Start);
        }
        // The offset before a gap leads past its end, and no gap is longer than a day.
        let mut high = self.in_gap(wall);
        let mut low = high.plus_micros(-MICROS_PER_DAY - 1);
        while low < high {
            let middle = Ts(low.0 + (high.0 - low.0) / 2);
            if self.to_wall(middle) >= wall { high = middle } else { low = middle.plus_micros(1) }
        }
        high
    }

    /// The wall time at an instant.
    pub fn to_wall(self, at: Ts) -> NaiveDateTime {
        self.0.from_utc_datetime(&at.to_utc().naive_utc()).naive_local()
    }

    fn in_gap(self, wall: NaiveDateTime) -> Ts {
        let before = (1..=GAP_PROBES)
            .filter_map(|quarter| wall.checked_sub_signed(TimeDelta::minutes(15 * i64::from(quarter))))
            .find_map(|earlier| self.0.offset_from_local_datetime(&earlier).latest());
        instant(wall, before.map_or(0, |offset| offset.fix().local_minus_utc()))
    }
}

fn instant(wall: NaiveDateTime, seconds_east: i32) -> Ts {
    Ts(wall.and_utc().timestamp_micros()).plus_micros(-i64::from(seconds_east) * 1_000_000)
}

/// The known name closest to a mistaken one: the same but for case, the same last part, or few letters apart.
fn nearest(name: &str) -> Option<&'static str> {
    let wanted = name.trim().to_lowercase().replace(' ', "_");
    if wanted.is_empty() || wanted.len() > 60 {
        return None;
    }
    TZ_VARIANTS
        .iter()
        .map(|tz| {
            let known = tz.name().to_lowercase();
            let last = known.rsplit('/').next().unwrap_or(&known);
            let apart = if last == wanted { 1 } else { letters_apart(&known, &wanted) };
            (apart, tz.name())
        })
        .min()
        .filter(|(apart, _)| *apart <= 3)
        .map(|(_, near)| near)
}

impl TryFrom<String> for Zone {
    type Error = ZoneError;
    fn try_from(name: String) -> Result<Zone, ZoneError> {
        Zone::parse(&name)
    }
}

impl From<Zone> for String {
    fn from(zone: Zone) -> String {
        zone.name().to_owned()
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mistaken_name_is_answered_with_the_nearest() {
        let check = |given: &str, remedy: &str| {
            let said = Zone::parse(given).unwrap_err().to_string();
            assert_eq!(said, format!("time zone `{given}` is not known; {remedy}"));
        };
        check("europe/berlin", "did you mean `Europe/Berlin`?");
        check("Europe/Berlim", "did you mean `Europe/Berlin`?");
        check("Berlin", "did you mean `Europe/Berlin`?");
        check("New York", "did you mean `America/New_York`?");
        check("somewhere in the hills", "give an IANA name such as `Europe/Berlin`");
        assert_eq!(Zone::parse("Europe/Berlin").unwrap().name(), "Europe/Berlin");
    }
}
