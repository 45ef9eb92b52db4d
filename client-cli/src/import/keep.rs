//! How often a counter's value is kept: of each stretch of the clock the last one.

use chrono::{DateTime, Datelike as _, NaiveTime, Offset as _, Utc};
use chrono_tz::Tz;
use serde::Deserialize;

/// The most times of day at which a value is kept.
const TIMES_MAX: usize = 96;

/// How often a value is kept, as a mapping writes it.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum KeepFile {
    Word(String),
    Times(Vec<String>),
}

impl Default for KeepFile {
    fn default() -> KeepFile {
        KeepFile::Word("hour".to_owned())
    }
}

/// How often a value is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Keep {
    /// Every one.
    Every,
    /// The last of each hour of the clock.
    Hour,
    /// The last before each of these times of day, in rising order: the ends of shifts.
    Before(Vec<NaiveTime>),
}

impl Keep {
    pub(super) fn of(file: KeepFile, zone: Option<Tz>) -> Result<Keep, String> {
        let texts = match file {
            KeepFile::Word(word) if word == "hour" => return Ok(Keep::Hour),
            KeepFile::Word(word) if word == "every" => return Ok(Keep::Every),
            KeepFile::Word(word) => {
                return Err(format!(
                    "keep `{word}` is not known; write \"hour\", \"every\" or times such as [\"06:00\"]"
                ));
            }
            KeepFile::Times(texts) => texts,
        };
        if texts.is_empty() || texts.len() > TIMES_MAX {
            return Err(format!("keep names {} times of day; write 1 to {TIMES_MAX}", texts.len()));
        }
        let mut times = Vec::new();
        for text in texts {
            let time = NaiveTime::parse_from_str(&text, "%H:%M")
                .map_err(|_| format!("keep: `{text}` is not a time of day; write it like 06:00"))?;
            times.push(time);
        }
        if zone.is_none() {
            return Err(
                "keep names times of day, and the mapping names no zone; write zone = \"Europe/Berlin\""
                    .to_owned(),
            );
        }
        times.sort_unstable();
        times.dedup();
        Ok(Keep::Before(times))
    }

    /// The number of the stretch that an instant lies in; of each stretch the last value is kept.
    pub(super) fn stretch(&self, zone: Option<Tz>, at: DateTime<Utc>) -> i64 {
        const HOUR_SECONDS: i64 = 3_600;
        let local = at.with_timezone(&zone.unwrap_or(Tz::UTC));
        match self {
            Keep::Every => at.timestamp_micros(),
            Keep::Hour => {
                // Zones off by half an hour have hours of their own; where clocks go back each hour stays one.
                let part = i64::from(local.offset().fix().local_minus_utc()).rem_euclid(HOUR_SECONDS);
                (at.timestamp() + part).div_euclid(HOUR_SECONDS)
            }
            Keep::Before(times) => {
                let time = local.time();
                let passed = times.iter().filter(|start| **start <= time).count();
                let count = i64::try_from(times.len()).unwrap_or(i64::MAX);
                i64::from(local.num_days_from_ce()) * count + i64::try_from(passed).unwrap_or(0)
            }
        }
    }
}
