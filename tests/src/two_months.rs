//! Two months of a small shop, as the whole program is told them: what figures and reports are recomputed from.

use crate::service::Service;
use serde_json::Value;
use std::fmt::Write as _;

/// The shop: UTC, every day worked, rules of one clause.
const SHOP: &str = r#"people = ["Ada Kern", "Max Berg"]

[site]
key = "north"
zone = "UTC"
day_starts_at = "00:00"

[[item]]
name = "way oil"
unit = "L"
unit_cost = 4.5

[[item]]
name = "cloth"

[[machine]]
tag = "L-03"
family = "lathe"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "bowl"
title = "Drain the bowl"
every = "10 days"
minutes = 5
last_done = "2026-08-28"

[[machine.task]]
key = "oil"
title = "Refill the way oil"
every = "100 h operating"
last_done = { day = "2026-08-28", operating = "0" }

[[machine]]
tag = "M-01"
family = "mill"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "bowl"
title = "Drain the bowl"
every = "20 days"
last_done = "2026-08-28"

[[machine.task]]
key = "belt"
title = "Look at the belt"
every = "30 days"
last_done = "2026-08-20"
"#;

/// What is done: the clock's day, then the command.
const DONE: &[(&str, &[&str])] = &[
    ("2026-09-08", &["close", "bowl", "L-03", "--as-found", "good", "--minutes", "6"]),
    ("2026-09-21", &["close", "bowl", "L-03", "--as-found", "failed", "--minutes", "9", "--used", "cloth=2"]),
    ("2026-09-24", &["close", "bowl", "M-01", "--as-found", "worn"]),
    ("2026-10-01", &["close", "bowl", "L-03", "--as-found", "good", "--minutes", "5"]),
    (
        "2026-10-03",
        &["close", "oil", "L-03", "--as-found", "good", "--minutes", "20", "--used", "way oil=2.5 L"],
    ),
    ("2026-10-04", &["close", "bowl", "L-03", "--as-found", "good", "--minutes", "4"]),
    ("2026-10-07", &["raise", "M-01", "Spindle stands still"]),
    (
        "2026-10-09",
        &["close", "raised", "M-01", "--as-found", "broke-down", "--minutes", "95", "--used", "way oil=1 L"],
    ),
    // Before its count is reached: due only by a forecast.
    ("2026-10-10", &["close", "oil", "L-03", "--as-found", "good"]),
    ("2026-10-12", &["machine", "forbid", "M-01", "--reason", "the door's interlock"]),
    ("2026-10-14", &["machine", "return", "M-01", "--reason", "replaced"]),
    ("2026-10-16", &["close", "bowl", "L-03", "--as-found", "broke-down", "--minutes", "30"]),
    ("2026-10-18", &["close", "bowl", "M-01", "--as-found", "good", "--minutes", "7"]),
    ("2026-10-30", &["close", "oil", "L-03", "--as-found", "good", "--minutes", "18"]),
    ("2026-11-02", &["close", "bowl", "L-03", "--as-found", "failed", "--minutes", "8"]),
];

/// A service that was told something.
#[derive(Debug)]
pub struct Told(pub Service);

impl Told {
    /// Runs the client, which must be done without fault.
    pub fn ok(&self, arguments: &[&str]) -> String {
        let ran = self.0.fettler(arguments);
        assert_eq!(ran.code, 0, "fettler {}\n{}", arguments.join(" "), ran.all());
        ran.stdout
    }

    /// The same, with its answer as JSON.
    pub fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.ok(&[arguments, &["--output", "json"]].concat())).expect("JSON")
    }

    /// Starts the service again with its clock at a moment.
    pub fn clock(&mut self, at: &str) {
        self.0.restart_with(&["--clock-at", at]);
    }

    /// The open order of a task on a machine, or the raised one.
    pub fn open(&self, machine: &str, task: &str) -> String {
        let orders = self.json(&["orders", "--state", "open", "--machine", machine]);
        let is_it = |order: &&Value| order["task"].as_str().unwrap_or("raised") == task;
        let found = orders["orders"].as_array().expect("orders").iter().find(is_it);
        found.unwrap_or_else(|| panic!("no open {task} in {orders}"))["number"]
            .as_str()
            .expect("a number")
            .to_owned()
    }

    /// Pushes what both machines ran until a day.
    pub fn push_until(&self, day: &str) {
        self.0.fettler_with(&["hours", "push", "-", "--source", "erp"], reports(day).as_bytes()).done();
    }

    /// Says what was done at 08:00 of a day.
    fn say(&self, day: &str, said: &[&str]) {
        let at = format!("{day}T08:00:00Z");
        if said[0] == "raise" {
            self.ok(&["raise", said[1], said[2], "--by", "Ada Kern"]);
            return;
        }
        if said[0] == "machine" {
            self.ok(&[said, &["--by", "Ada Kern"]].concat());
            return;
        }
        let order = self.open(said[2], said[1]);
        self.ok(&[&["close", &order, "--by", "Ada Kern", "--done", &at], &said[3..]].concat());
    }
}

/// The lathe runs 7.25 hours a day from 29 August on, the mill 9, up to the day before one.
fn reports(until: &str) -> String {
    let mut rows = "machine,report_id,start,end,hours\n".to_owned();
    for day in 0..66_u32 {
        let date =
            chrono::NaiveDate::from_ymd_opt(2026, 8, 29).expect("a day") + chrono::Days::new(day.into());
        if date.to_string().as_str() >= until {
            break;
        }
        for (machine, hours) in [("L-03", "7.25"), ("M-01", "9")] {
            let _ = writeln!(rows, "{machine},{machine}-{day},{date}T06:00:00Z,{date}T16:00:00Z,{hours}");
        }
    }
    rows
}

/// A shop with two months behind it, at 12:00 on 3 November 2026.
pub fn shop() -> Told {
    let service = Service::start_with(&["--clock-at", "2026-08-28T12:00:00Z"]);
    let file = service.data().join("shop.toml");
    std::fs::write(&file, SHOP).expect("a file");
    let mut told = Told(service);
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    for (day, said) in DONE {
        told.clock(&format!("{day}T12:00:00Z"));
        told.push_until(day);
        told.say(day, said);
    }
    told.clock("2026-11-03T12:00:00Z");
    told.push_until("2026-11-03");
    told
}
