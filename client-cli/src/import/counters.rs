//! Values of counters: which of them are kept, in time order, and what falls and resets among them are told.
//!
//! Everything here follows from the values alone: the same ones in any order keep the same ones, under the same ids.

mod deliver;

use self::deliver::Telling;
use super::{
    amount::{self, Signs, Written},
    facts::{Fact, Facts},
    keep::Keep,
};
use crate::{
    exit::Failure,
    push::row::{Row, problem},
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use fettler_domain::quantity::{Amount, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How many values of mapped items are looked at in one import: eleven days of one a second, twice over.
const VALUES_MAX: usize = 2_000_000;
/// How many values that cannot be read are told before the mapping is thought wrong.
const FAULTS_MAX: usize = 100_000;
/// What an agent and an adapter say where there is no value.
const UNAVAILABLE: &str = "UNAVAILABLE";

/// What a mapping says of counters.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    /// Who says it.
    pub(crate) source: String,
    /// The revision of every report.
    pub(crate) revision: u32,
    /// The zone of the times at which values are kept, and of times without an offset.
    pub(crate) zone: Option<Tz>,
    /// How often one is kept.
    pub(crate) keep: Keep,
    /// Who answers for replacements.
    pub(crate) by: Option<String>,
    /// The items by their name, each once for a device.
    pub(crate) items: BTreeMap<String, Vec<Item>>,
}

/// What a mapping says of one item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Item {
    /// The device that is meant, by its uuid or name; any.
    pub(crate) device: Option<String>,
    /// The machine.
    pub(crate) machine: String,
    /// The meter.
    pub(crate) meter: String,
    /// In which form its amounts stand; what the standard says.
    pub(crate) amounts: Option<Written>,
    /// What a reset does.
    pub(crate) on_reset: OnReset,
    /// Whether a log says it as a message, with a code before its text.
    pub(crate) message: bool,
}

/// What a reset does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub(crate) enum OnReset {
    /// It is told; the service holds what follows.
    #[default]
    #[serde(rename = "tell")]
    Tell,
    /// It is recorded as the replacement of the counter.
    #[serde(rename = "replace")]
    Replace,
}

/// What kind of thing says a value, as far as its unit follows from that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sort {
    /// A timer, whose unit is the second by the standard.
    Timer,
    /// A count.
    Count,
    /// Anything else: only a mapping knows.
    Other,
}

/// One value as it is said.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Said<'a> {
    /// The device by its uuid.
    pub(crate) device: &'a str,
    /// The device by its name.
    pub(crate) device_name: &'a str,
    /// The item.
    pub(crate) item: &'a str,
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// The value, without blanks around it.
    pub(crate) text: &'a str,
    /// What says it.
    pub(crate) sort: Sort,
    /// The unit that stands beside it.
    pub(crate) units: Option<&'a str>,
    /// Why it was reset, where it was.
    pub(crate) reset: Option<&'a str>,
    /// The agent's run and the number of the value in it.
    pub(crate) number: Option<(&'a str, u64)>,
    /// The file or agent.
    pub(crate) file: &'a str,
    /// The line.
    pub(crate) line: u64,
}

/// A value that is known of an item, to go on from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Last {
    /// The device by its uuid.
    pub(crate) device: String,
    /// The device by its name.
    pub(crate) device_name: String,
    /// The item.
    pub(crate) item: String,
    /// What is counted.
    pub(crate) unit: Unit,
    /// When, in microseconds since 1970.
    pub(crate) at_micros: i64,
    /// The amount in kept units.
    pub(crate) kept: i64,
    /// The agent's run and the number of the value.
    pub(crate) number: Option<(String, u64)>,
    /// Whether it was sent.
    pub(crate) sent: bool,
}

/// A reset that the mapping records as a replacement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Replacement {
    /// The machine.
    pub(crate) machine: String,
    /// The meter.
    pub(crate) meter: String,
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// What the counter showed last, as the service is told.
    pub(crate) closing: String,
    /// What it showed then.
    pub(crate) opening: String,
    /// What names the value that says so.
    pub(crate) id: String,
    /// Where it stands.
    pub(crate) place: String,
}

/// What is to be sent.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Delivery {
    /// Replacements, which come first: values after them would be held without.
    pub(crate) replacements: Vec<Replacement>,
    /// Values, and what could not be read.
    pub(crate) rows: Vec<Row>,
    /// What is known of each item, to go on from.
    pub(crate) last: Vec<Last>,
}

#[derive(Clone, Debug)]
struct Value {
    at: DateTime<Utc>,
    amount: Amount,
    /// The agent's run, as its place among the runs, and the number in it.
    number: Option<(u32, u64)>,
    reset: Option<Box<str>>,
    file: u32,
    line: u64,
    /// It was sent before.
    sent: bool,
}

struct Counter {
    device_name: String,
    item: Item,
    unit: Unit,
    values: Vec<Value>,
    /// Whether a turn before this one knew it: else what it shows first is sent, for hours count from there on.
    is_known: bool,
}

/// Values of counters, gathered.
pub(crate) struct Counters<'p> {
    plan: &'p Plan,
    by_name: BTreeMap<(String, String), Counter>,
    runs: Vec<String>,
    files: Vec<String>,
    rows: Vec<Row>,
    taken: usize,
}

impl Plan {
    fn item(&self, said: &Said<'_>) -> Option<&Item> {
        self.items.get(said.item)?.iter().find(|item| item.is_of(said.device, said.device_name))
    }
}

impl Item {
    fn is_of(&self, uuid: &str, name: &str) -> bool {
        self.device.as_deref().is_none_or(|device| device == uuid || device == name)
    }
}

impl<'p> Counters<'p> {
    /// None yet.
    pub(crate) fn new(plan: &'p Plan) -> Counters<'p> {
        Counters {
            plan,
            by_name: BTreeMap::new(),
            runs: Vec::new(),
            files: Vec::new(),
            rows: Vec::new(),
            taken: 0,
        }
    }

    /// Goes on from what was known.
    pub(crate) fn go_on(&mut self, last: &[Last]) {
        for known in last {
            let Some(item) =
                self.plan.items.get(&known.item).and_then(|items| {
                    items.iter().find(|item| item.is_of(&known.device, &known.device_name))
                })
            else {
                continue;
            };
            let Some(at) = DateTime::from_timestamp_micros(known.at_micros) else { continue };
            let number = known.number.as_ref().map(|(run, number)| (place_of(&mut self.runs, run), *number));
            let file = place_of(&mut self.files, "the last turn");
            let value = Value {
                at,
                amount: Amount(known.kept),
                number,
                reset: None,
                file,
                line: 0,
                sent: known.sent,
            };
            let key = (known.device.clone(), known.item.clone());
            let device_name = known.device_name.clone();
            let counter = Counter {
                device_name,
                item: item.clone(),
                unit: known.unit,
                values: vec![value],
                is_known: true,
            };
            self.by_name.insert(key, counter);
        }
    }

    /// The plan.
    pub(crate) fn plan(&self) -> &'p Plan {
        self.plan
    }

    /// Takes a value.
    pub(crate) fn take(&mut self, said: &Said<'_>, facts: &mut Facts) -> Result<(), Failure> {
        facts.count(Fact::Values);
        let Some(item) = self.plan.item(said) else {
            facts.count(Fact::Unmapped);
            return Ok(());
        };
        if said.text == UNAVAILABLE {
            facts.count(Fact::Unavailable);
            return Ok(());
        }
        let read = written(item, said)
            .and_then(|written| Ok((written.unit(), amount::read(said.text, written, Signs::XML)?)));
        let (unit, amount) = match read {
            Ok(read) => read,
            Err(why) => return self.fault(said.file, said.line, said.item, why),
        };
        self.taken += 1;
        if self.taken > VALUES_MAX {
            return Err(Failure::usage(format!(
                "there are more than {VALUES_MAX} values of the items that the mapping names; nothing was sent"
            ))
            .with_hint("import the files one by one, or cut them"));
        }
        let number = said.number.map(|(run, number)| (place_of(&mut self.runs, run), number));
        let file = place_of(&mut self.files, said.file);
        let value = Value {
            at: micros(said.at),
            amount,
            number,
            reset: said.reset.map(Into::into),
            file,
            line: said.line,
            sent: false,
        };
        let key = (said.device.to_owned(), said.item.to_owned());
        let device_name = said.device_name.to_owned();
        let counter = self.by_name.entry(key).or_insert_with(|| Counter {
            device_name,
            item: item.clone(),
            unit,
            values: Vec::new(),
            is_known: false,
        });
        counter.unit = unit;
        counter.values.push(value);
        Ok(())
    }

    /// Takes what cannot be read: where, of which field, and why.
    pub(crate) fn fault(&mut self, file: &str, line: u64, field: &str, why: String) -> Result<(), Failure> {
        if self.rows.len() == FAULTS_MAX {
            return Err(Failure::usage(format!(
                "more than {FAULTS_MAX} values cannot be read, the last in {file}, line {line}, {field}: {why}"
            ))
            .with_hint("look whether the mapping is that of this file; nothing was sent"));
        }
        let place = Some(format!("{file}, line {line}").into());
        self.rows.push(Row { line, place, content: Err(vec![problem(field, why)]) });
        Ok(())
    }

    /// What is to be sent of all that was taken. Values of a stretch that is not over at `known_to` wait for the next
    /// turn; without it none waits.
    pub(crate) fn deliver(self, known_to: Option<DateTime<Utc>>, facts: &mut Facts) -> Delivery {
        let mut delivery = Delivery { rows: self.rows, ..Delivery::default() };
        let telling = Telling { plan: self.plan, runs: &self.runs, files: &self.files };
        for ((device, item), counter) in self.by_name {
            telling.deliver(&device, &item, counter, known_to, facts, &mut delivery);
        }
        delivery
    }
}

/// The form of a value: what stands beside it, what the mapping says, what the standard says, in this order; the first
/// two may not disagree.
fn written(item: &Item, said: &Said<'_>) -> Result<Written, String> {
    let stated = match said.units {
        None => None,
        Some(units) => Some(units_of(units).ok_or_else(|| {
            format!("`{units}` is not a unit that is counted; SECOND, MINUTE, HOUR, MILLISECOND, COUNT and LITER are")
        })?),
    };
    match (stated, item.amounts) {
        (Some(stated), Some(mapped)) if stated != mapped => Err(format!(
            "it is said in {} and the mapping says {}; mend `amounts` of the item",
            stated.word(),
            mapped.word()
        )),
        (Some(form), _) | (None, Some(form)) => Ok(form),
        (None, None) => match said.sort {
            Sort::Timer => Ok(Written::Seconds),
            Sort::Count => Ok(Written::Cycles),
            Sort::Other => {
                Err("no unit stands beside it and no standard names one; write `amounts` for the item"
                    .to_owned())
            }
        },
    }
}

/// Units of the standard (MTConnect Part 2, units of data items).
fn units_of(text: &str) -> Option<Written> {
    Some(match text {
        "SECOND" => Written::Seconds,
        "MINUTE" => Written::Minutes,
        "HOUR" => Written::Hours,
        "MILLISECOND" => Written::Milliseconds,
        "COUNT" => Written::Cycles,
        "LITER" => Written::Litres,
        "MILLILITER" => Written::Millilitres,
        _ => return None,
    })
}

fn place_of(names: &mut Vec<String>, name: &str) -> u32 {
    // The last one is looked at first: values come file by file.
    let at = names.iter().rposition(|other| other == name).unwrap_or_else(|| {
        names.push(name.to_owned());
        names.len() - 1
    });
    u32::try_from(at).unwrap_or(u32::MAX)
}

/// The ledger counts in microseconds; what names a value must be what it keeps.
fn micros(at: DateTime<Utc>) -> DateTime<Utc> {
    DateTime::from_timestamp_micros(at.timestamp_micros()).unwrap_or(at)
}

#[cfg(test)]
mod tests;
