//! The ledger held against an independent one, written in Python from the rules: an invented, seeded stretch of
//! reports is judged by both, and every statement and every total must agree.

mod python;

use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::ledger::declare::{Declarations, Meter, Source};
use fettler_domain::ledger::judge::{Settlements, judge_all};
use fettler_domain::ledger::report::{Content, Digest, Received, ReportId, ReportKey, Statement};
use fettler_domain::ledger::row::{Reason, Settlement};
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind, Unit};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::Ts;
use python::python;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::Path;

fn field<T: DeserializeOwned>(line: &Value, name: &str) -> T {
    let value = line.get(name).cloned().unwrap_or(Value::Null);
    serde_json::from_value(value).unwrap_or_else(|e| panic!("{name} in {line}: {e}"))
}

#[derive(Default)]
struct Site {
    declarations: Declarations,
    received: Vec<Received>,
    settlements: Settlements,
    as_of: Option<Ts>,
}

impl Site {
    fn take(&mut self, line: &Value) {
        match field::<String>(line, "line").as_str() {
            "source" => {
                let source = Source { rank: field(line, "rank"), feeds: field(line, "feeds") };
                self.declarations.source(field(line, "name"), source);
            }
            "machine" => self.machine(line),
            "report" => self.received.push(report(line)),
            "settlement" => {
                let key = ReportKey {
                    source: field(line, "source"),
                    report: field(line, "report"),
                    revision: field(line, "revision"),
                    digest: field(line, "digest"),
                };
                self.settlements.insert(key, field::<Settlement>(line, "settlement"));
            }
            "as_of" => self.as_of = Some(field(line, "at")),
            other => panic!("unknown line {other}"),
        }
    }

    fn machine(&mut self, line: &Value) {
        let machine = MachineId(field(line, "number"));
        let names: Vec<String> = field(line, "names");
        self.declarations.machine(machine, names.iter().map(String::as_str)).expect("names are free");
        for meter in field::<Vec<Value>>(line, "meters") {
            let kind: String = field(&meter, "kind");
            self.declarations.meter(Meter {
                id: MeterId(field(&meter, "number")),
                machine,
                key: field::<Key>(&meter, "key"),
                kind: MeterKind::from_word(&kind).expect("a kind of meter"),
                feed: field(&meter, "feed"),
                max: MaxPerHour(field(&meter, "max_per_hour")),
                replacements: field(&meter, "replacements"),
            });
        }
    }
}

fn report(line: &Value) -> Received {
    let unit = || field::<Unit>(line, "unit");
    let statement = if field::<Option<bool>>(line, "withdrawn").unwrap_or(false) {
        Statement::Withdrawn
    } else if let Some(value) = field::<Option<Amount>>(line, "value") {
        Statement::Absolute { at: field(line, "at"), unit: unit(), value }
    } else {
        let (start, end) = (field(line, "start"), field(line, "end"));
        Statement::Interval { start, end, unit: unit(), amount: field(line, "amount") }
    };
    let meter: Option<ForeignName> = field(line, "meter");
    let id = ReportId { source: field(line, "source"), report: field(line, "report") };
    Received::new(
        id,
        field(line, "revision"),
        Content { machine: field(line, "machine"), meter, statement },
        Ts(0),
    )
}

/// Both ledgers of one invented stretch, as the lines that the Python one prints.
fn compare(seed: u32, machines: u32, days: u32) -> BTreeMap<String, usize> {
    let text = python(
        "second_year.py",
        &["--seed", &seed.to_string(), "--machines", &machines.to_string(), "--days", &days.to_string()],
    );
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("ledger-{seed}-{machines}-{days}.jsonl"));
    std::fs::write(&file, &text).expect("the folder for test files can be written to");
    let expected = python("ledger.py", &[file.to_str().expect("a UTF-8 path")]);
    let mut expected = expected.lines().map(|line| serde_json::from_str::<Value>(line).expect("a JSON line"));

    let mut site = Site::default();
    for line in text.lines() {
        site.take(&serde_json::from_str(line).expect("a JSON line"));
    }
    let as_of = site.as_of.expect("a line says as_of");
    let ledger = judge_all(&site.received, &site.settlements, &site.declarations, as_of);
    let mut met = BTreeMap::new();
    for (ReportKey { source, report, revision, digest }, row) in &ledger.rows {
        let reason = row.reason.as_ref().map(Reason::word);
        let ours = json!({"source": source, "report": report, "revision": revision,
            "digest": digest as &Digest, "state": row.state, "reason": reason});
        assert_eq!(expected.next(), Some(ours), "{row:#?}");
        *met.entry(reason.map_or_else(|| format!("{:?}", row.state), str::to_owned)).or_default() += 1;
    }
    for meter in site.declarations.meters() {
        let total: Amount = ledger.segments_of(meter.id).map(|segment| segment.amount).sum();
        assert_eq!(expected.next(), Some(json!({"meter": meter.id, "total": total})));
    }
    assert_eq!(expected.next(), None, "the Python ledger knows more");
    met
}

#[test]
fn both_ledgers_agree_on_two_months_of_sixteen_machines() {
    let met = compare(7, 16, 60);
    assert!(met.values().sum::<usize>() >= 2_000, "{met:?}");
    for one in
        ["Counted", "Superseded", "Withdrawn", "conflict", "overlap", "same_revision", "future", "fell"]
    {
        assert!(met.get(one).is_some_and(|times| *times > 0), "no {one}: {met:?}");
    }
}

#[test]
fn both_ledgers_agree_on_other_small_shops() {
    for seed in 100..106 {
        compare(seed, 4, 21);
    }
}
