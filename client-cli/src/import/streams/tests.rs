//! The traps of real documents, one a test, with totals reckoned by hand.

use super::*;
use crate::{
    import::{
        counters::Plan,
        mapping::{self, Mapping},
    },
    push::row::Row,
};
use fettler_proto::v1 as pb;

const MAPPING: &str = r#"form = "mtconnect"
source = "hall"
keep = "every"
[[item]]
item = "op"
machine = "MC-01"
meter = "operating"
[[item]]
item = "parts"
machine = "MC-01"
meter = "cycles"
"#;

fn plan(more: &str) -> Plan {
    match mapping::read("m.toml", &format!("{MAPPING}{more}")) {
        Ok(Mapping::Streams(plan)) => plan,
        other => panic!("{other:?}"),
    }
}

/// A document of one device: its head's attributes, and what stands in its samples and events.
fn document(head: &str, samples: &str, events: &str) -> String {
    format!(
        "<MTConnectStreams xmlns=\"urn:mtconnect.org:MTConnectStreams:2.7\"><Header instanceId=\"9\" {head}/><Streams>\
         <DeviceStream name=\"mill\" uuid=\"u-1\"><ComponentStream component=\"Controller\" componentId=\"c\">\
         <Samples>{samples}</Samples><Events>{events}</Events></ComponentStream></DeviceStream></Streams></MTConnectStreams>"
    )
}

fn timer(number: u64, at: &str, text: &str) -> String {
    format!(
        "<EquipmentTimer dataItemId=\"op\" subType=\"OPERATING\" sequence=\"{number}\" timestamp=\"2026-11-24T{at}Z\">{text}</EquipmentTimer>"
    )
}

struct Came {
    reads: Vec<Read>,
    rows: Vec<Row>,
    facts: Facts,
}

fn come(plan: &Plan, documents: &[String]) -> Came {
    let (mut facts, mut following, mut reads) = (Facts::default(), Following::default(), Vec::new());
    let mut counters = Counters::new(plan);
    for document in documents {
        let read = match read("a.xml", document.as_bytes(), &mut counters, &mut facts) {
            Ok(read) => read,
            Err(Unread::Fault(fault)) => panic!("{fault:?}"),
            Err(Unread::Failed(failure)) => panic!("{failure:?}"),
        };
        following.take("a.xml", &read, &mut facts);
        reads.push(read);
    }
    Came { reads, rows: counters.deliver(None, &mut facts).rows, facts }
}

fn values(rows: &[Row]) -> Vec<String> {
    let value = |row: &Row| {
        let Some(pb::shift_report::Statement::Reading(reading)) = &row.content.as_ref().ok()?.statement
        else {
            panic!("{row:?}")
        };
        Some(reading.value.clone())
    };
    rows.iter().filter_map(value).collect()
}

fn faults(rows: &[Row]) -> Vec<String> {
    let told = |row: &Row| {
        let fault = &row.content.as_ref().err()?[0];
        Some(format!("{}: {}: {}", row.whereabouts(), fault.field, fault.text))
    };
    rows.iter().filter_map(told).collect()
}

#[test]
fn padded_values_are_read_and_unavailable_is_no_zero() {
    let samples = timer(1, "05:00:00", "\n   7200.0 \n") + &timer(2, "05:10:00", " UNAVAILABLE\n");
    let came = come(&plan(""), &[document("nextSequence=\"3\"", &samples, "")]);
    assert_eq!(values(&came.rows), ["2"]);
    assert_eq!(came.facts.of(Fact::Unavailable), 1);
    let report = came.rows[0].content.as_ref().unwrap();
    assert_eq!((report.report_id.as_str(), report.machine.as_str()), ("u-1/9/1/op", "MC-01"));
}

#[test]
fn every_version_vendors_prefixes_and_no_namespace_are_read_alike() {
    let whole = document("nextSequence=\"2\"", &timer(1, "05:00:00", "3600"), "");
    let bare = whole.replace(" xmlns=\"urn:mtconnect.org:MTConnectStreams:2.7\"", "");
    let mut all = vec![bare.clone()];
    for version in [
        "1.0", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6", "1.7", "1.8", "2.0", "2.1", "2.2", "2.3", "2.4",
        "2.5", "2.6",
    ] {
        all.push(whole.replace("2.7", version));
    }
    let vendors = bare
        .replace("<MTConnectStreams>", "<m:MTConnectStreams xmlns:m=\"urn:x\" xmlns:e=\"urn:y\">")
        .replace("</MTConnectStreams>", "</m:MTConnectStreams>")
        .replace("EquipmentTimer", "e:EquipmentTimer");
    all.push(vendors);
    for text in all {
        assert_eq!(values(&come(&plan(""), std::slice::from_ref(&text)).rows), ["1"], "{text}");
    }
}

/// 7,200 s, 90 min, 1.5 h, 360 s and 5 parts: each in the unit that stands beside it, or that the standard names.
#[test]
fn units_beside_a_value_count_and_missing_ones_are_the_standards() {
    let with = |number, at, text, units: &str| {
        timer(number, at, text).replacen(" sub", &format!(" units=\"{units}\" sub"), 1)
    };
    let samples = with(1, "05:00:00", "7200", "SECOND")
        + &with(2, "05:01:00", "90", "MINUTE")
        + &with(3, "05:02:00", "1.5", "HOUR")
        + &timer(4, "05:03:00", "360").replace("EquipmentTimer", "AccumulatedTime");
    let parts =
        "<PartCount dataItemId=\"parts\" sequence=\"5\" timestamp=\"2026-11-24T05:04:00Z\">5</PartCount>";
    let came = come(&plan(""), &[document("nextSequence=\"6\"", &samples, parts)]);
    assert_eq!(values(&came.rows), ["2", "1.5", "1.5", "0.1", "5"]);
    assert_eq!(came.facts.of(Fact::Fall), 2);
}

/// Hours that a control says in a message: 764930 s are 212.4805… h. Without the unit in the mapping nobody knows.
#[test]
fn hours_in_messages_need_the_mappings_unit() {
    let message = "<Message dataItemId=\"run\" sequence=\"1\" timestamp=\"2026-11-24T05:00:00Z\" nativeCode=\"7\">764930</Message>";
    let item = "[[item]]\nitem = \"run\"\nmachine = \"MC-01\"\nmeter = \"powered\"\n";
    let whole = [document("nextSequence=\"2\"", "", message)];
    let came = come(&plan(&format!("{item}amounts = \"seconds\"\n")), &whole);
    assert_eq!(values(&came.rows), ["212.4805555556"]);
    let came = come(&plan(item), &whole);
    let told = faults(&came.rows);
    assert_eq!((values(&came.rows).len(), told.len()), (0, 1));
    assert!(told[0].starts_with("a.xml, line 1: run: no unit stands beside it"), "{told:?}");
}

#[test]
fn several_devices_in_one_document_are_told_apart() {
    let one = document("nextSequence=\"3\"", &timer(1, "05:00:00", "3600"), "");
    let (head, rest) = one.split_once("<Streams>").unwrap();
    let (stream, _) = rest.split_once("</Streams>").unwrap();
    let second =
        stream.replace("u-1", "u-2").replace("sequence=\"1\"", "sequence=\"2\"").replace("3600", "7200");
    let nameless = stream.replace("name=\"mill\" uuid=\"u-1\"", "name=\"saw\"").replace("3600", "1");
    let both = format!("{head}<Streams>{stream}{second}{nameless}</Streams></MTConnectStreams>");
    let came = come(&plan(""), &[both]);
    let ids: Vec<String> =
        came.rows.iter().map(|row| row.content.as_ref().unwrap().report_id.clone()).collect();
    assert_eq!(ids, ["saw/9/1/op", "u-1/9/1/op", "u-2/9/2/op"]);
}

#[test]
fn a_heartbeat_is_no_gap() {
    let first = document(
        "nextSequence=\"2\" firstSequence=\"1\" lastSequence=\"1\"",
        &timer(1, "05:00:00", "3600"),
        "",
    );
    let beat = "<MTConnectStreams><Header instanceId=\"9\" nextSequence=\"2\" firstSequence=\"1\" lastSequence=\"1\"/><Streams/>\
                </MTConnectStreams>";
    let later = document("nextSequence=\"3\" firstSequence=\"1\"", &timer(2, "06:00:00", "7200"), "");
    let came = come(&plan(""), &[first, beat.to_owned(), later]);
    let counted = [Fact::Documents, Fact::Heartbeats, Fact::Gap].map(|fact| came.facts.of(fact));
    assert_eq!((counted, values(&came.rows).len()), ([3, 1, 0], 2));
}

#[test]
fn gaps_in_the_numbers_are_told_and_not_filled() {
    let first = document("nextSequence=\"5\" firstSequence=\"1\"", &timer(4, "05:00:00", "3600"), "");
    let gone = document("nextSequence=\"21\" firstSequence=\"9\"", &timer(20, "06:00:00", "7200"), "");
    let came = come(&plan(""), &[first.clone(), gone]);
    assert!(came.facts.text(false, 300).contains("values 5 to 8 are gone"));
    let apart = document("nextSequence=\"21\" firstSequence=\"1\"", &timer(20, "06:00:00", "7200"), "");
    let came = come(&plan(""), &[first, apart]);
    assert!(came.facts.text(false, 300).contains("values 5 to 19 stand in no document"));
    assert_eq!((came.facts.of(Fact::Gap), values(&came.rows).len()), (1, 2));
}

/// The numbers begin again at 1, and 1 is not the 1 of the run before.
#[test]
fn an_agent_started_anew_is_told_and_its_numbers_are_others() {
    let first = document("nextSequence=\"2\"", &timer(1, "05:00:00", "3600"), "");
    let anew = document("nextSequence=\"2\"", &timer(1, "06:00:00", "7200"), "")
        .replace("instanceId=\"9\"", "instanceId=\"10\"");
    let came = come(&plan(""), &[first, anew]);
    let ids: Vec<String> =
        came.rows.iter().map(|row| row.content.as_ref().unwrap().report_id.clone()).collect();
    assert_eq!(ids, ["u-1/9/1/op", "u-1/10/1/op"]);
    assert_eq!((came.facts.of(Fact::Restarted), came.facts.of(Fact::Gap)), (1, 0));
    assert!(came.facts.text(false, 300).contains("its instanceId is 10 and was 9"));
}

#[test]
fn what_the_agent_refuses_is_told_in_its_words() {
    let refusal = "<MTConnectError><Header instanceId=\"9\"/><Errors><Error errorCode=\"OUT_OF_RANGE\">'from' must be at least 8</Error>\
                   </Errors></MTConnectError>";
    let came = come(&plan(""), &[refusal.to_owned()]);
    assert_eq!(came.reads[0].refusals, [("OUT_OF_RANGE".to_owned(), "'from' must be at least 8".to_owned())]);
    assert_eq!(came.facts.of(Fact::Heartbeats), 0);
}

#[test]
fn resets_are_told_with_their_reason() {
    let reset = timer(2, "06:00:00", "0").replacen(" sub", " resetTriggered=\"MAINTENANCE\" sub", 1);
    let came =
        come(&plan(""), &[document("nextSequence=\"3\"", &(timer(1, "05:00:00", "3600") + &reset), "")]);
    assert_eq!((came.facts.of(Fact::Reset), came.facts.of(Fact::Fall)), (1, 0));
    assert!(came.facts.text(false, 300).contains("`op` was reset (MAINTENANCE) from 1 h to 0 h"));
}

/// Elements of no standard, entries instead of a value, values without a number or a time.
#[test]
fn unknown_elements_and_missing_attributes_cost_only_themselves() {
    let samples = format!(
        "<New dataItemId=\"n\" timestamp=\"never\">x</New><Deep><a><b dataItemId=\"op\">9</b></a></Deep>{}{}{}",
        timer(1, "05:00:00", "3600").replace(" sequence=\"1\"", ""),
        timer(2, "05:30:00", "1").replace("2026-11-24T05:30:00Z", "soon"),
        timer(3, "06:00:00", "<Entry key=\"a\">7</Entry>"),
    );
    let came = come(&plan(""), &[document("nextSequence=\"4\"", &samples, "")]);
    assert_eq!(values(&came.rows), ["1"]);
    let report = came.rows.iter().find_map(|row| row.content.as_ref().ok()).unwrap();
    assert_eq!(report.report_id, "u-1/op/2026-11-24T05:00:00Z/1");
    let told = faults(&came.rows);
    assert!(told[0].contains("EquipmentTimer `op`, timestamp: `soon` is not a time"), "{told:?}");
    assert!(told[1].contains("op: is empty"), "{told:?}");
}

#[test]
fn a_document_that_breaks_off_or_is_another_gives_nothing() {
    let mut facts = Facts::default();
    let plan = plan("");
    let mut counters = Counters::new(&plan);
    let whole = document("nextSequence=\"2\"", &timer(1, "05:00:00", "3600"), "");
    for (text, part) in [
        (&whole[..whole.len() - 4], "not well-formed"),
        ("<MTConnectDevices/>", "it is a document `MTConnectDevices`"),
        ("", "no element"),
    ] {
        match read("a.xml", text.as_bytes(), &mut counters, &mut facts) {
            Err(Unread::Fault(fault)) => assert!(fault.why.contains(part), "{fault:?} for {part}"),
            other => panic!("{part}: {other:?}"),
        }
    }
    assert_eq!(counters.deliver(None, &mut facts).rows, []);
}
