//! Interval clauses as short texts: "500 h operating", "30 days", "3 months on the grid from 2026-01-01",
//! "FREQ=MONTHLY;BYDAY=1MO from 2026-01-05".

use super::models::{MODELS, Model};
use crate::render::words;
use fettler_proto::v1 as pb;
use serde::{
    Deserialize, Deserializer, Serialize, Serializer,
    de::{MapAccess, Visitor, value::MapAccessDeserializer},
};
use std::{collections::BTreeMap, fmt, str::FromStr};

/// One clause as it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Clause {
    /// What it counts.
    pub(super) counts: Counts,
    /// Whether it says itself that it counts on a grid, and from which base; empty means the usual one. Of a recurrence
    /// rule, the day it starts at.
    pub(super) grid: Option<String>,
}

/// What a clause counts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Counts {
    /// Days, weeks, months or years.
    Calendar {
        /// How many.
        every: i32,
        /// Of what.
        unit: pb::CalendarUnit,
    },
    /// What a meter accumulates.
    Meter {
        /// How much, as it was written.
        every: String,
        /// Of what.
        unit: pb::Unit,
        /// The meter's key; empty means the machine's only one.
        meter: String,
    },
    /// The days of a recurrence rule of RFC 5545, as it was written.
    Recurrence(String),
    /// A reading of a test point out of its limits.
    Reading {
        /// The test point's key.
        point: String,
        /// Whether a drift towards a limit says when it is expected.
        expects: bool,
    },
    /// What a model says, as a table.
    Model(Model),
}

const REMEDY: &str = "write it like \"500 h operating\", \"30 days\", \"3 months on the grid from 2026-01-01\", \"FREQ=MONTHLY;BYDAY=1MO \
     from 2026-01-05\" or \"p-air out of limits\"";
/// What follows a test point's key in a clause that waits for its readings.
const OUT_OF_LIMITS: &str = " out of limits";
/// The same where a drift towards a limit says when it is expected.
const REACHING: &str = " reaching its limit";

impl FromStr for Clause {
    type Err = String;

    fn from_str(text: &str) -> Result<Clause, String> {
        let bad = |what: &str| format!("the interval `{text}` {what}; {REMEDY}");
        if text.split_whitespace().next().is_some_and(|word| word.contains('=')) {
            return recurrence(text).map_err(bad);
        }
        let out = text.strip_suffix(OUT_OF_LIMITS).map(|point| (point, false));
        if let Some((point, expects)) = out.or(text.strip_suffix(REACHING).map(|point| (point, true))) {
            let point = Some(point.trim()).filter(|point| !point.is_empty() && !point.contains(' '));
            let point = point.ok_or_else(|| bad("does not name one test point by its key"))?.to_owned();
            return Ok(Clause { counts: Counts::Reading { point, expects }, grid: None });
        }
        let (head, grid) = match text.split_once(" on the grid") {
            None => (text, None),
            Some((head, "")) => (head, Some(String::new())),
            Some((head, tail)) => {
                let base =
                    tail.trim().strip_prefix("from ").map(str::trim).filter(|base| !base.contains(' '));
                (head, Some(base.ok_or_else(|| bad("does not say from where its grid counts"))?.to_owned()))
            }
        };
        let words: Vec<&str> = head.split_whitespace().collect();
        let [amount, unit, meter @ ..] = words.as_slice() else { return Err(bad("has no amount and unit")) };
        let meter = match meter {
            [] => "",
            [key] => key,
            _ => return Err(bad("has words too many")),
        };
        let counts = counts(amount, unit, meter).map_err(|what| bad(&what))?;
        Ok(Clause { counts, grid })
    }
}

/// Reads a recurrence rule, which has no blanks, and the day it starts at, which may be the task's own base.
fn recurrence(text: &str) -> Result<Clause, &'static str> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let (rule, grid) = match words.as_slice() {
        [rule] => (*rule, None),
        [rule, "from", day] => (*rule, Some((*day).to_owned())),
        _ => return Err("has words beside the rule and the day it starts at"),
    };
    if grid.as_deref().is_some_and(|day| crate::times::day(day).is_err()) {
        return Err("does not start at a day");
    }
    Ok(Clause { counts: Counts::Recurrence(rule.to_owned()), grid })
}

fn counts(amount: &str, unit: &str, meter: &str) -> Result<Counts, String> {
    if let Some(unit) = calendar_unit(unit) {
        let every = amount.parse().ok().filter(|every| (1..=10_000).contains(every));
        let every =
            every.ok_or_else(|| format!("has `{amount}` where a whole number from 1 to 10000 is needed"))?;
        return if meter.is_empty() {
            Ok(Counts::Calendar { every, unit })
        } else {
            Err(format!("names the meter `{meter}`, but counts the calendar"))
        };
    }
    let unit = meter_unit(unit).ok_or_else(|| format!("has the unknown unit `{unit}`"))?;
    let plain =
        amount.bytes().all(|b| b.is_ascii_digit() || b == b'.') && amount.bytes().any(|b| b.is_ascii_digit());
    if !plain || amount.matches('.').count() > 1 {
        return Err(format!("has `{amount}` where a plain decimal number is needed"));
    }
    if let Some(other) = unit_of_key(meter).filter(|other| *other != unit) {
        return Err(format!(
            "counts {}, but the meter `{meter}` counts {}",
            words::unit(unit),
            words::unit(other)
        ));
    }
    // The contract states no unit with the amount, so a count that is not in hours must name a meter that counts so:
    // left open, it could be taken as hours.
    let meter = match unit {
        pb::Unit::Cycles if meter.is_empty() => "cycles",
        pb::Unit::Litres if meter.is_empty() => "litres",
        pb::Unit::Unspecified | pb::Unit::Hours | pb::Unit::Cycles | pb::Unit::Litres => meter,
    };
    Ok(Counts::Meter { every: amount.to_owned(), unit, meter: meter.to_owned() })
}

fn calendar_unit(word: &str) -> Option<pb::CalendarUnit> {
    Some(match word {
        "day" | "days" => pb::CalendarUnit::Day,
        "week" | "weeks" => pb::CalendarUnit::Week,
        "month" | "months" => pb::CalendarUnit::Month,
        "year" | "years" => pb::CalendarUnit::Year,
        _ => return None,
    })
}

pub(super) fn meter_unit(word: &str) -> Option<pb::Unit> {
    Some(match word {
        "h" | "hour" | "hours" => pb::Unit::Hours,
        "cycle" | "cycles" => pb::Unit::Cycles,
        "L" | "litre" | "litres" => pb::Unit::Litres,
        _ => return None,
    })
}

/// The unit of a meter whose key is the word of a kind.
fn unit_of_key(key: &str) -> Option<pb::Unit> {
    Some(match key {
        "powered" | "operating" | "working" | "loaded" | "coolant_pump" => pb::Unit::Hours,
        "cycles" => pb::Unit::Cycles,
        "litres" => pb::Unit::Litres,
        _ => return None,
    })
}

impl fmt::Display for Clause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.counts {
            Counts::Calendar { every, unit } => {
                let word = match unit {
                    pb::CalendarUnit::Unspecified | pb::CalendarUnit::Day => "day",
                    pb::CalendarUnit::Week => "week",
                    pb::CalendarUnit::Month => "month",
                    pb::CalendarUnit::Year => "year",
                };
                write!(f, "{every} {word}{}", if *every == 1 { "" } else { "s" })?;
            }
            Counts::Meter { every, unit, meter } => {
                write!(f, "{every} {}", words::unit(*unit))?;
                if !meter.is_empty() {
                    write!(f, " {meter}")?;
                }
            }
            Counts::Recurrence(rule) => {
                let from = self.grid.as_ref().map(|day| format!(" from {day}")).unwrap_or_default();
                return write!(f, "{rule}{from}");
            }
            Counts::Reading { point, expects } => {
                return write!(f, "{point}{}", if *expects { REACHING } else { OUT_OF_LIMITS });
            }
            Counts::Model(model) => return write!(f, "{{ {} = {{ … }} }}", model.word()),
        }
        match self.grid.as_deref() {
            None => Ok(()),
            Some("") => f.write_str(" on the grid"),
            Some(base) => write!(f, " on the grid from {base}"),
        }
    }
}

impl TryFrom<String> for Clause {
    type Error = String;

    fn try_from(text: String) -> Result<Clause, String> {
        text.parse()
    }
}

impl From<Model> for Clause {
    fn from(model: Model) -> Clause {
        Clause { counts: Counts::Model(model), grid: None }
    }
}

struct ClauseVisitor;

impl<'de> Visitor<'de> for ClauseVisitor {
    type Value = Clause;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "an interval in quotes, or a table of {}", MODELS.join(" or "))
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Clause, E> {
        text.parse().map_err(E::custom)
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Clause, A::Error> {
        // An enum with a value is a table with one key: its word.
        Model::deserialize(MapAccessDeserializer::new(map)).map(Model::into)
    }
}

impl<'de> Deserialize<'de> for Clause {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Clause, D::Error> {
        deserializer.deserialize_any(ClauseVisitor)
    }
}

impl Serialize for Clause {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match &self.counts {
            Counts::Model(model) => model.serialize(serializer),
            Counts::Calendar { .. }
            | Counts::Meter { .. }
            | Counts::Recurrence(_)
            | Counts::Reading { .. } => serializer.collect_str(self),
        }
    }
}

impl Clause {
    /// The clause for the wire. `grid` is the base of a task that counts on a grid as a whole; the clause's own wins.
    pub(super) fn to_wire(&self, grid: Option<&str>) -> pb::Clause {
        let base = self.grid.as_deref().or(grid);
        let counts_from =
            if base.is_some() { pb::CountsFrom::Grid } else { pb::CountsFrom::Unspecified }.into();
        let base = base.unwrap_or_default().to_owned();
        let counts = match &self.counts {
            Counts::Calendar { every, unit } => pb::clause::Counts::Calendar(pb::CalendarClause {
                every: *every,
                unit: (*unit).into(),
                counts_from,
                base_day: base,
            }),
            Counts::Meter { every, meter, .. } => pb::clause::Counts::Meter(pb::MeterClause {
                meter: meter.clone(),
                every: every.clone(),
                counts_from,
                base_count: base,
            }),
            Counts::Recurrence(rule) => {
                pb::clause::Counts::Recurrence(pb::RecurrenceClause { rule: rule.clone(), from_day: base })
            }
            Counts::Reading { point, expects } => {
                pb::clause::Counts::Reading(pb::ReadingClause { point: point.clone(), expects: *expects })
            }
            Counts::Model(model) => model.to_wire(),
        };
        pb::Clause { counts: Some(counts) }
    }

    /// The clause from the wire; `units` says what each meter of the shop counts.
    pub(super) fn from_wire(clause: &pb::Clause, units: &BTreeMap<String, pb::Unit>) -> Option<Clause> {
        let grid = |from: pb::CountsFrom, base: &str| (from == pb::CountsFrom::Grid).then(|| base.to_owned());
        Some(match clause.counts.as_ref()? {
            pb::clause::Counts::Calendar(calendar) => Clause {
                counts: Counts::Calendar { every: calendar.every, unit: calendar.unit() },
                grid: grid(calendar.counts_from(), &calendar.base_day),
            },
            pb::clause::Counts::Meter(meter) => Clause {
                counts: Counts::Meter {
                    every: meter.every.clone(),
                    unit: units
                        .get(&meter.meter)
                        .copied()
                        .or(unit_of_key(&meter.meter))
                        .unwrap_or(pb::Unit::Hours),
                    meter: meter.meter.clone(),
                },
                grid: grid(meter.counts_from(), &meter.base_count),
            },
            pb::clause::Counts::Recurrence(recurrence) => Clause {
                counts: Counts::Recurrence(recurrence.rule.clone()),
                grid: Some(recurrence.from_day.clone()),
            },
            counts @ (pb::clause::Counts::Level(_)
            | pb::clause::Counts::Fill(_)
            | pb::clause::Counts::Element(_)
            | pb::clause::Counts::Coolant(_)
            | pb::clause::Counts::NeatOil(_)
            | pb::clause::Counts::IdleAir(_)) => Model::from_wire(counts)?.into(),
            pb::clause::Counts::Reading(reading) => Clause {
                counts: Counts::Reading { point: reading.point.clone(), expects: reading.expects },
                grid: None,
            },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clauses_are_read_and_written_back() {
        for (text, written) in [
            ("500 h operating", "500 h operating"),
            ("250 hours", "250 h"),
            ("30 days", "30 days"),
            ("1 day", "1 day"),
            ("2 weeks", "2 weeks"),
            ("3 months on the grid from 2026-01-01", "3 months on the grid from 2026-01-01"),
            ("1 year on the grid", "1 year on the grid"),
            ("20000 cycles", "20000 cycles cycles"),
            ("1000 L coolant", "1000 L coolant"),
            ("12.5 h loaded on the grid from 100", "12.5 h loaded on the grid from 100"),
            ("FREQ=MONTHLY;BYDAY=1MO from 2026-01-05", "FREQ=MONTHLY;BYDAY=1MO from 2026-01-05"),
            ("RRULE:FREQ=WEEKLY  from 2026-01-05", "RRULE:FREQ=WEEKLY from 2026-01-05"),
            ("FREQ=DAILY", "FREQ=DAILY"),
            ("p-air out of limits", "p-air out of limits"),
            ("p-air reaching its limit", "p-air reaching its limit"),
        ] {
            let clause: Clause = text.parse().unwrap();
            assert_eq!(clause.to_string(), written, "{text}");
            assert_eq!(written.parse::<Clause>().unwrap(), clause, "{text}");
        }
    }

    #[test]
    fn what_is_no_clause_names_the_text_and_the_remedy() {
        for (text, told) in [
            ("500", "has no amount and unit"),
            ("often", "has no amount and unit"),
            ("500 furlongs", "has the unknown unit `furlongs`"),
            ("1.5 days", "has `1.5` where a whole number"),
            ("0 days", "has `0` where a whole number"),
            ("30 days operating", "names the meter `operating`, but counts the calendar"),
            ("500 h operating twice", "has words too many"),
            ("5e2 h", "has `5e2` where a plain decimal number"),
            ("-5 h", "has `-5` where a plain decimal number"),
            ("500 h cycles", "counts h, but the meter `cycles` counts cycles"),
            ("30 days on the grid since 2026-01-01", "does not say from where"),
            ("FREQ=DAILY since 2026-01-01", "has words beside the rule and the day it starts at"),
            ("FREQ=DAILY on the grid from 2026-01-01", "has words beside the rule"),
            ("FREQ=DAILY from Monday", "does not start at a day"),
            ("line air out of limits", "does not name one test point"),
            (" out of limits", "does not name one test point"),
        ] {
            let error = text.parse::<Clause>().unwrap_err();
            assert!(error.starts_with(&format!("the interval `{text}` {told}")), "{error}");
            assert!(error.ends_with(REMEDY), "{error}");
        }
    }
}
