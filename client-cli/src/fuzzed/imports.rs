//! Mapping files, and what they read: tables, documents and logs.

use super::{CELLS, KEYS, fuzz, lines};
use crate::import::counters::{Counters, Plan};
use crate::import::facts::{Facts, Shared};
use crate::import::mapping::{self, Mapping};
use crate::import::{shdr, streams, table};
use crate::push::input::Batch;
use std::fmt::Write as _;

const CLOCK: &str = include_str!("../../../docs/example/import/clock.toml");
const AGENT: &str = include_str!("../../../docs/example/import/agent.toml");
const ADAPTER: &str = include_str!("../../../docs/example/import/adapter.toml");

/// Words of mappings beside those of every TOML file.
const MAPPING_KEYS: &[&str] = &[
    "form = \"csv\"\n",
    "form = \"shdr\"\n",
    "form = \"mtconnect\"\n",
    "[columns]\n",
    "[constant]\n",
    "[machines]\n",
    "[shifts]\n",
    "[[skip]]\n",
    "[[item]]\n",
    "keep = ",
    "times = ",
    "days = ",
    "decimal = ",
    "thousands = ",
    "amounts = ",
    "on_reset = ",
    "\"%d.%m.%Y %H:%M\"",
    "\"%",
    "%+",
    "%Z",
    "%-",
    "%9f",
    "\"h:min\"",
    "\"06:00\"",
];

const MARKUP: &[&str] = &[
    "<",
    ">",
    "/>",
    "</",
    "<!DOCTYPE a [<!ENTITY x \"y\">]>",
    "<![CDATA[",
    "]]>",
    "<!--",
    "-->",
    "<?",
    "?>",
    "&amp;",
    "&#0;",
    "&#x110000;",
    "&x;",
    "&",
    "<MTConnectStreams>",
    "<Header instanceId=\"1\" nextSequence=\"2\"/>",
    "<DeviceStream uuid=\"north.mc-07\">",
    "<Samples>",
    "<EquipmentTimer dataItemId=\"op-time\" sequence=\"1\" timestamp=\"2026-11-02T05:00:00Z\">1</EquipmentTimer>",
    " resetTriggered=\"DAY\"",
    " units=\"HOUR\"",
    " timestamp=\"9999-12-31T23:59:60Z\"",
    " sequence=\"18446744073709551615\"",
    "UNAVAILABLE",
    "1E12",
    "x:",
    "\u{feff}",
];

const LOG: &[&str] = &[
    "|",
    "\n",
    "cut_time",
    "|cut_time|1",
    ":",
    ":DAY",
    "@",
    "@ASSET@",
    "--multiline--A",
    "*",
    "UNAVAILABLE",
    "2026-11-02T06:40:00.1Z",
    "9999-12-31T23:59:60Z",
    "0001-01-01T00:00:00Z",
    "1E12",
    "-",
];

fn plan(text: &str) -> Plan {
    match mapping::read("m", text) {
        Ok(Mapping::Streams(plan) | Mapping::Shdr(plan)) => plan,
        other => panic!("{other:?}"),
    }
}

#[test]
fn mappings() {
    let words = [KEYS, MAPPING_KEYS].concat();
    fuzz("import-toml", &words, |bytes| match mapping::read("m", &String::from_utf8_lossy(bytes)) {
        Ok(Mapping::Table(_)) => "table".into(),
        Ok(Mapping::Streams(_)) => "streams".into(),
        Ok(Mapping::Shdr(_)) => "log".into(),
        Err(failure) => format!("{failure:?}"),
    });
}

#[test]
fn tables() {
    let Ok(Mapping::Table(form)) = mapping::read("m", CLOCK) else { panic!("it is a table") };
    fuzz("import-csv", CELLS, |bytes| {
        let table = match table::open(&form, "t", lines(bytes)) {
            Ok(table) => table,
            Err(failure) => return format!("{failure:?}"),
        };
        let facts = Shared::default();
        let (mut told, mut batches) = (String::new(), table.rows(facts.clone()));
        while let Some(batch) = batches.blocking_recv() {
            match batch {
                Batch::Rows(rows) => {
                    for problems in rows.iter().filter_map(|row| row.content.as_ref().err()) {
                        // Writing to a string cannot fail.
                        let _ = write!(told, "{problems:?}");
                    }
                }
                Batch::Broken(why) => told += &why,
            }
        }
        told + &facts.lock().text(true, 80)
    });
}

#[test]
fn documents() {
    let plan = plan(AGENT);
    fuzz("streams-xml", MARKUP, |bytes| {
        let mut facts = Facts::default();
        let mut counters = Counters::new(&plan);
        let read = streams::read("d", bytes, &mut counters, &mut facts);
        let delivery = counters.deliver(None, &mut facts);
        let kinds: Vec<bool> = delivery.rows.iter().map(|row| row.content.is_ok()).collect();
        format!("{read:?} {kinds:?} {}", facts.text(true, 80))
    });
}

#[test]
fn logs() {
    let plan = plan(ADAPTER);
    fuzz("shdr-log", LOG, |bytes| {
        let mut facts = Facts::default();
        let mut counters = Counters::new(&plan);
        let read = shdr::read("l", lines(bytes), &mut counters, &mut facts);
        let delivery = counters.deliver(None, &mut facts);
        let faults: Vec<_> = delivery.rows.iter().filter_map(|row| row.content.as_ref().err()).collect();
        format!("{read:?} {faults:?} {}", facts.text(true, 80))
    });
}
