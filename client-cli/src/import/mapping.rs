//! Mapping files: how the files of one source are read, in TOML. `docs/importing.md` describes them; its examples are
//! among this module's tests.

use super::{
    amount::Written,
    counters::{Item, OnReset, Plan},
    keep::{Keep, KeepFile},
    table_form::{self, TableForm},
};
use crate::{
    exit::{Complaint, Failure},
    shopfile::fault,
};
use chrono_tz::Tz;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The largest mapping, in bytes: thousands of machines stay far below.
const BYTES_MAX: usize = 1 << 20;
/// The most characters of a name, as the contract bounds machines, meters and sources.
pub(super) const NAME_CHARS_MAX: usize = 120;

/// How a source's files are read.
#[derive(Clone, Debug)]
pub(crate) enum Mapping {
    /// Tables as CSV.
    Table(Box<TableForm>),
    /// Streams documents of MTConnect.
    Streams(Plan),
    /// Logs of an adapter in SHDR.
    Shdr(Plan),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CountersFile {
    #[expect(dead_code, reason = "it was read before, to tell which form this is")]
    form: String,
    source: String,
    #[serde(default)]
    revision: u32,
    zone: Option<String>,
    #[serde(default)]
    keep: KeepFile,
    by: Option<String>,
    #[serde(default)]
    item: Vec<ItemFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ItemFile {
    device: Option<String>,
    item: String,
    machine: String,
    #[serde(default)]
    meter: String,
    amounts: Option<Written>,
    #[serde(default)]
    on_reset: OnReset,
    #[serde(default)]
    message: bool,
}

/// Reads a mapping file.
pub(crate) fn open(path: &str) -> Result<Mapping, Failure> {
    let text = std::fs::read_to_string(path)
        .map_err(|error| Failure::usage(format!("cannot read the mapping `{path}`: {error}")))?;
    read(path, &text)
}

/// Reads a mapping. `name` is what messages call it.
pub(crate) fn read(name: &str, text: &str) -> Result<Mapping, Failure> {
    if text.len() > BYTES_MAX {
        return Err(Failure::usage(format!("{name} is larger than 1 MiB; no mapping is")));
    }
    let broken = |error: toml::de::Error| Failure::Usage(fault::told(name, text, &error));
    let whole: toml::Table = toml::from_str(text).map_err(broken)?;
    let form = whole.get("form").and_then(toml::Value::as_str).unwrap_or_default();
    let wrong = |why: String| Failure::usage(format!("{name}: {why}"));
    match form {
        "csv" => {
            let file: table_form::TableFile = toml::from_str(text).map_err(broken)?;
            Ok(Mapping::Table(Box::new(file.checked().map_err(wrong)?)))
        }
        "mtconnect" | "shdr" => {
            let file: CountersFile = toml::from_str(text).map_err(broken)?;
            let is_log = form == "shdr";
            let plan = file.checked(is_log).map_err(wrong)?;
            Ok(if is_log { Mapping::Shdr(plan) } else { Mapping::Streams(plan) })
        }
        other => {
            let given = if other.is_empty() {
                "says no `form`".to_owned()
            } else {
                format!("has the form `{other}`")
            };
            Err(Failure::Usage(
                Complaint::new(format!("{name} {given}, which nothing reads"))
                    .hint("write form = \"csv\", \"mtconnect\" or \"shdr\""),
            ))
        }
    }
}

/// Refuses a name that the service cannot keep.
pub(super) fn check_name(key: &str, name: &str, may_be_empty: bool) -> Result<(), String> {
    if name.trim().is_empty() && !may_be_empty {
        return Err(format!("{key} is empty; write a name"));
    }
    if name.chars().count() > NAME_CHARS_MAX {
        return Err(format!("{key} is longer than {NAME_CHARS_MAX} characters"));
    }
    Ok(())
}

/// A zone by its name.
pub(super) fn zone(name: &str) -> Result<Tz, String> {
    name.parse()
        .map_err(|_| format!("zone `{name}` is not a time zone; write an IANA name such as Europe/Berlin"))
}

impl CountersFile {
    fn checked(self, is_log: bool) -> Result<Plan, String> {
        check_name("source", &self.source, false)?;
        let zone = self.zone.as_deref().map(zone).transpose()?;
        let keep = Keep::of(self.keep, zone)?;
        if self.item.is_empty() {
            return Err("there is no [[item]]; name at least one, with its machine and meter".to_owned());
        }
        let mut items: BTreeMap<String, Vec<Item>> = BTreeMap::new();
        for item in self.item {
            let (key, item) = item.checked(is_log, self.by.as_deref())?;
            let others = items.entry(key.clone()).or_default();
            let overlaps = |other: &&Item| {
                other.device.is_none() || item.device.is_none() || other.device == item.device
            };
            if others.iter().any(|other| overlaps(&other)) {
                return Err(format!("item `{key}` stands twice; say of which `device` each is"));
            }
            others.push(item);
        }
        Ok(Plan { source: self.source, revision: self.revision, zone, keep, by: self.by, items })
    }
}

impl ItemFile {
    fn checked(self, is_log: bool, by: Option<&str>) -> Result<(String, Item), String> {
        let key = self.item;
        check_name("an item's `item`", &key, false)?;
        check_name(&format!("machine of item `{key}`"), &self.machine, false)?;
        check_name(&format!("meter of item `{key}`"), &self.meter, true)?;
        if self.amounts == Some(Written::Clock) {
            return Err(format!(
                "amounts of item `{key}`: a counter says no `h:min`; write seconds, minutes or hours"
            ));
        }
        if is_log && self.amounts.is_none() {
            return Err(format!(
                "item `{key}` says no `amounts`; a log names no unit, so write seconds, minutes, hours or cycles"
            ));
        }
        if !is_log && self.message {
            return Err(format!(
                "item `{key}`: `message` is for logs; a document says itself what is a message"
            ));
        }
        if self.on_reset == OnReset::Replace && by.is_none_or(|by| by.trim().is_empty()) {
            return Err(format!(
                "item `{key}` records replacements; name with `by`, before the first [[item]], who answers for them"
            ));
        }
        let item = Item {
            device: self.device,
            machine: self.machine,
            meter: self.meter,
            amounts: self.amounts,
            on_reset: self.on_reset,
            message: self.message,
        };
        Ok((key, item))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: &str = "form = \"shdr\"\nsource = \"adapter\"\n\n[[item]]\nitem = \"cut\"\nmachine = \"L-03\"\namounts = \
                       \"seconds\"\n";

    #[track_caller]
    fn refused(text: &str, part: &str) {
        match read("m.toml", text) {
            Err(Failure::Usage(complaint)) => {
                assert!(complaint.text().contains(part), "{}", complaint.text());
            }
            other => panic!("{part}: {other:?}"),
        }
    }

    #[test]
    fn a_mapping_of_counters_is_read() {
        let Ok(Mapping::Shdr(plan)) = read("m.toml", LOG) else { panic!() };
        assert_eq!((plan.source.as_str(), plan.keep.clone()), ("adapter", Keep::Hour));
        assert_eq!(plan.items["cut"][0].machine, "L-03");
    }

    #[test]
    fn what_a_mapping_lacks_is_named_with_the_remedy() {
        refused("", "says no `form`");
        refused("form = \"xls\"\n", "has the form `xls`, which nothing reads");
        refused("form = \"shdr\"\nsource = \"a\"\n", "there is no [[item]]");
        refused(&LOG.replace("amounts = \"seconds\"", ""), "a log names no unit");
        refused(&LOG.replace("seconds", "furlongs"), "line 7: unknown word `furlongs`");
        refused(&LOG.replace("machine = ", "machien = "), "did you mean `machine`?");
        refused(&LOG.replace("source = \"adapter\"", "source = \"\""), "source is empty");
        refused(&format!("{LOG}{}", LOG.split_once("\n\n").unwrap().1), "item `cut` stands twice");
        refused(&LOG.replace("amounts", "on_reset = \"replace\"\namounts"), "who answers for them");
        refused(&LOG.replace("source", "zone = \"Mars\"\nsource"), "zone `Mars` is not a time zone");
        refused(&LOG.replace("source", "keep = [\"25:00\"]\nsource"), "`25:00` is not a time of day");
        refused(&LOG.replace("source", "keep = [\"06:00\"]\nsource"), "names no zone");
        refused(&LOG.replace("seconds", "h:min"), "a counter says no `h:min`");
        refused("form = ", "m.toml, line 1");
        refused(&"#".repeat(BYTES_MAX + 1), "larger than 1 MiB");
    }

    /// The description's mappings, whole.
    #[test]
    fn the_examples_of_the_description_are_read() {
        let text = include_str!("../../../docs/importing.md");
        let blocks: Vec<&str> =
            text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next()).collect();
        let whole: Vec<&&str> = blocks.iter().filter(|block| block.starts_with("form = ")).collect();
        assert!(whole.len() >= 3, "one for each form");
        for block in whole {
            if let Err(failure) = read("docs/importing.md", block) {
                panic!("{failure:?}\n{block}");
            }
        }
    }
}
