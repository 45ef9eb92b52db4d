//! An invented year as shops really send them (overlaps, two sources, corrections, moves, withdrawals, late machines,
//! counters) through the real service in two orders of arrival, held against an independent ledger.

use fettler_proto::v1::{
    HeldReason, KeptReport, ListHeldReportsRequest, LoadShopRequest, Meter, ShiftReport, Unit,
};
use fettler_tests::kill::hours_ms;
use fettler_tests::oracle;
use fettler_tests::push::push_all;
use fettler_tests::service::Service;
use fettler_tests::shuffle::Random;
use fettler_tests::story::{Story, words};
use fettler_tests::wire::Wire;
use serde_json::Value;
use std::collections::BTreeMap;

const SEED: u64 = 2_026;
const MACHINES: u32 = 27;
const DAYS: u32 = 150;

/// Source, report, revision, digest.
type Key = (String, String, u64, String);
/// Where it stands and why.
type Standing = (String, Option<String>);

/// Pushes the story: half of the reports come before the late machines are declared.
async fn push(story: &Story, reports: &[ShiftReport]) -> Service {
    let service = start(story);
    let wire = service.wire().await;
    let late = |line: &Value| line["number"].as_u64().expect("a number") % 9 == 4;
    let (first, second) = reports.split_at(reports.len() / 2);
    load(&wire, story, |line| !late(line)).await;
    push_all(&wire, first).await;
    load(&wire, story, late).await;
    for replacement in story.replacements() {
        wire.hours().replace_counter(replacement).await.expect("a replacement is recorded");
    }
    push_all(&wire, second).await;
    judged(&wire).await;
    service
}

fn start(story: &Story) -> Service {
    let as_of = chrono::DateTime::from_timestamp_micros(story.as_of()).expect("in range").to_rfc3339();
    Service::start_with(&["--clock-at", &as_of])
}

async fn load(wire: &Wire, story: &Story, wanted: impl Fn(&Value) -> bool) {
    let ask = LoadShopRequest { shop: Some(story.shop(wanted)), ..LoadShopRequest::default() };
    wire.shop().load_shop(ask).await.expect("the shop loads");
}

/// Asks until nothing waits to be judged again.
async fn judged(wire: &Wire) {
    for _ in 0..100_000 {
        let held = wire.hours().list_held_reports(ListHeldReportsRequest::default()).await;
        if held.expect("held reports").into_inner().waiting == 0 {
            return;
        }
    }
    panic!("held reports are not judged again");
}

/// Settles what the story settles; answers the lines of those that the service took.
async fn settle(wire: &Wire, story: &Story) -> Vec<Value> {
    let mut taken = Vec::new();
    for (line, ask) in story.settlements() {
        if wire.hours().settle_report(ask).await.is_ok() {
            taken.push(line.clone());
        }
    }
    judged(wire).await;
    taken
}

fn key(report: &KeptReport) -> Key {
    let reference = report.report.clone().expect("a reference");
    (reference.source, reference.report_id, reference.revision.into(), reference.digest)
}

async fn rows(wire: &Wire) -> BTreeMap<Key, Standing> {
    let kept = wire.all_reports().await.expect("reports");
    let standing =
        |r: &KeptReport| words(r.state(), r.reason.as_ref().map(HeldReason::code).unwrap_or_default());
    kept.iter().map(|report| (key(report), standing(report))).collect()
}

/// What each meter counts, in kept units.
async fn totals(wire: &Wire) -> BTreeMap<(String, String), i64> {
    let machines = wire.all_machines().await.expect("machines");
    let meters = machines.into_iter().flat_map(|machine| machine.meters);
    // The wire says hours; a thousandth of anything else is 3,600 times as many kept units as one of an hour.
    let per = |meter: &Meter| if meter.unit() == Unit::Hours { 1 } else { 3_600 };
    let kept = |meter: &Meter| hours_ms(&meter.counted) / per(meter);
    meters.map(|meter| ((meter.machine.clone(), meter.key.clone()), kept(&meter))).collect()
}

/// The oracle's ledger of the story, with only these settlements.
fn expected(story: &Story, settled: &[Value]) -> (BTreeMap<Key, Standing>, BTreeMap<(String, String), i64>) {
    let mut lines: Vec<Value> =
        story.lines.iter().filter(|line| line["line"] != "settlement").cloned().collect();
    for meter in lines
        .iter_mut()
        .filter(|l| l["line"] == "machine")
        .filter_map(|l| l["meters"].as_array_mut())
        .flatten()
    {
        let replacements = meter["replacements"].as_array_mut().expect("a list");
        replacements.retain(|one| one["at"].as_i64().expect("micros") <= story.as_of());
    }
    lines.extend(settled.iter().cloned());
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("story.jsonl");
    let text: Vec<String> = lines.iter().map(Value::to_string).collect();
    std::fs::write(&file, text.join("\n")).expect("a file");
    let answer = oracle::run("ledger.py", &[file.to_str().expect("UTF-8")], "");
    let meters: BTreeMap<i64, (String, String)> = story
        .of("machine")
        .flat_map(|machine| {
            let tag = machine["names"][0].as_str().expect("a tag").to_owned();
            let meters = machine["meters"].as_array().expect("a list").clone();
            meters.into_iter().map(move |meter| {
                let key = meter["key"].as_str().expect("a key").to_owned();
                (meter["number"].as_i64().expect("a number"), (tag.clone(), key))
            })
        })
        .collect();
    let (mut rows, mut totals) = (BTreeMap::new(), BTreeMap::new());
    for line in oracle::lines(&answer) {
        let word = |field: &str| line[field].as_str().map(str::to_owned);
        if let Some(meter) = line["meter"].as_i64() {
            totals.insert(meters[&meter].clone(), line["total"].as_i64().expect("a total"));
        } else {
            let revision = line["revision"].as_u64().expect("a revision");
            let key = |f: &str| word(f).expect("a text");
            let standing = (key("state"), word("reason"));
            rows.insert((key("source"), key("report"), revision, key("digest")), standing);
        }
    }
    (rows, totals)
}

fn assert_same<K: Ord + std::fmt::Debug, V: PartialEq + std::fmt::Debug>(
    what: &str,
    found: &BTreeMap<K, V>,
    expected: &BTreeMap<K, V>,
) {
    for (key, value) in expected {
        assert_eq!(found.get(key), Some(value), "{what} {key:?}");
    }
    assert_eq!(found.len(), expected.len(), "{what}: as many as expected");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_year_as_shops_really_send_it() {
    let story = Story::tell(SEED, MACHINES, DAYS);
    let mut reports = story.reports();
    let first = push(&story, &reports).await;
    Random::new(SEED).shuffle(&mut reports);
    let second = push(&story, &reports).await;
    let (one, two) = (first.wire().await, second.wire().await);
    assert_same("before settling, report", &rows(&two).await, &rows(&one).await);

    let settled = settle(&one, &story).await;
    assert_eq!(settle(&two, &story).await, settled);
    let (expected_rows, expected_totals) = expected(&story, &settled);
    for wire in [&one, &two] {
        assert_same("report", &rows(wire).await, &expected_rows);
        assert_same("meter", &totals(wire).await, &expected_totals);
    }
    let reasons: std::collections::BTreeSet<_> =
        expected_rows.values().filter_map(|(_, why)| why.clone()).collect();
    assert!(reasons.len() >= 8, "the story holds reports for most reasons: {reasons:?}");
    assert!(!settled.is_empty(), "the story settles");
}
