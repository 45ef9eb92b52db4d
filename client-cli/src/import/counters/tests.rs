//! Values of counters and which of them are sent.

use super::*;
use crate::import::mapping::{self, Mapping};
use crate::times;
use fettler_proto::v1 as pb;

fn plan(more: &str, item: &str) -> Plan {
    let text = format!(
        "form = \"mtconnect\"\nsource = \"hall\"\n{more}\n[[item]]\nitem = \"op\"\nmachine = \"MC-01\"\nmeter = \"operating\"\n{item}\n"
    );
    match mapping::read("m.toml", &text) {
        Ok(Mapping::Streams(plan)) => plan,
        other => panic!("{other:?}"),
    }
}

fn time(text: &str) -> DateTime<Utc> {
    times::absolute(&format!("2026-11-24T{text}Z")).unwrap()
}

/// A value of a timer: its number, its time and its text.
fn said<'a>(number: u64, at: &str, text: &'a str) -> Said<'a> {
    Said {
        device: "u-1",
        device_name: "mill",
        item: "op",
        at: time(at),
        text,
        sort: Sort::Timer,
        units: None,
        reset: None,
        number: Some(("9", number)),
        file: "a.xml",
        line: number,
    }
}

fn deliver(plan: &Plan, values: &[Said<'_>]) -> (Delivery, Facts) {
    let mut facts = Facts::default();
    let mut counters = Counters::new(plan);
    for value in values {
        counters.take(value, &mut facts).unwrap();
    }
    (counters.deliver(None, &mut facts), facts)
}

/// What is sent: id and value.
fn sent(delivery: &Delivery) -> Vec<(String, String)> {
    let reading = |row: &Row| {
        let report = row.content.as_ref().unwrap();
        let Some(pb::shift_report::Statement::Reading(reading)) = &report.statement else { panic!() };
        (report.report_id.clone(), reading.value.clone())
    };
    delivery.rows.iter().map(reading).collect()
}

fn is(expected: &[(&str, &str)]) -> Vec<(String, String)> {
    expected.iter().map(|(id, value)| ((*id).to_owned(), (*value).to_owned())).collect()
}

#[test]
fn the_first_and_the_last_of_each_hour_are_kept_in_any_order_of_the_values() {
    let plan = plan("", "");
    let mut values = vec![
        said(1, "05:10:00", "600"),
        said(2, "05:59:59", "3600"),
        said(3, "06:00:00", "3601"),
        said(4, "06:30:00", "5400"),
    ];
    let expected = is(&[("u-1/9/1/op", "0.1666666667"), ("u-1/9/2/op", "1"), ("u-1/9/4/op", "1.5")]);
    for _ in 0..values.len() {
        let (delivery, facts) = deliver(&plan, &values);
        assert_eq!(sent(&delivery), expected);
        assert_eq!((facts.of(Fact::Values), facts.of(Fact::Thinned), facts.of(Fact::Fall)), (4, 1, 0));
        values.rotate_left(1);
    }
}

/// A shift ends at 14:00 in Berlin, which is 13:00 UTC in November.
#[test]
fn the_last_of_each_shift_is_kept() {
    let plan = plan("zone = \"Europe/Berlin\"\nkeep = [\"14:00\", \"06:00\", \"22:00\"]", "");
    let values = [
        said(1, "04:59:59", "1"),
        said(2, "05:00:00", "2"),
        said(3, "12:59:59", "36"),
        said(4, "13:00:00", "72"),
    ];
    let (delivery, _) = deliver(&plan, &values);
    let kept: Vec<String> = sent(&delivery).into_iter().map(|(id, _)| id).collect();
    assert_eq!(kept, ["u-1/9/1/op", "u-1/9/3/op", "u-1/9/4/op"]);
}

/// Where the clocks go back the hour that comes twice is two hours; a zone off by half an hour has its own.
#[test]
fn stretches_follow_the_clock_of_the_zone() {
    let hour = |zone: Tz, text: &str| Keep::Hour.stretch(Some(zone), times::absolute(text).unwrap());
    let berlin = |text| hour(Tz::Europe__Berlin, text);
    assert_ne!(berlin("2026-10-25T00:30:00Z"), berlin("2026-10-25T01:30:00Z"));
    let kolkata = |text| hour(Tz::Asia__Kolkata, text);
    assert_eq!(kolkata("2026-11-24T05:30:00Z"), kolkata("2026-11-24T06:29:59Z"));
    assert_ne!(kolkata("2026-11-24T05:29:59Z"), kolkata("2026-11-24T05:30:00Z"));
}

#[test]
fn both_sides_of_a_fall_are_sent_and_nothing_is_guessed() {
    let (delivery, facts) = deliver(
        &plan("", ""),
        &[
            said(1, "05:10:00", "7200"),
            said(2, "05:20:00", "3600"),
            said(3, "05:30:00", "3700"),
            said(4, "05:40:00", "3960"),
        ],
    );
    assert_eq!(sent(&delivery), is(&[("u-1/9/1/op", "2"), ("u-1/9/2/op", "1"), ("u-1/9/4/op", "1.1")]));
    assert_eq!((facts.of(Fact::Fall), facts.of(Fact::Thinned)), (1, 1));
    assert!(delivery.replacements.is_empty());
    let told = facts.text(false, 300);
    assert!(
        told.contains("a.xml, line 2, `op`  `op` falls from 2 h to 1 h at 2026-11-24T05:20:00+00:00"),
        "{told}"
    );
}

#[test]
fn a_reset_is_told_or_recorded_as_the_mapping_says() {
    let reset = Said { reset: Some("MAINTENANCE"), ..said(2, "05:20:00", "0") };
    let values = [said(1, "05:10:00", "7200"), reset, said(3, "05:40:00", "360")];
    let (delivery, facts) = deliver(&plan("", ""), &values);
    assert_eq!((facts.of(Fact::Reset), facts.of(Fact::Replaced), facts.of(Fact::Fall)), (1, 0, 0));
    assert_eq!(sent(&delivery).len(), 3, "both sides go to the service");
    let (delivery, facts) = deliver(&plan("by = \"Ada Kern\"", "on_reset = \"replace\""), &values);
    assert_eq!((facts.of(Fact::Reset), facts.of(Fact::Replaced)), (0, 1));
    let replacement = &delivery.replacements[0];
    assert_eq!((replacement.closing.as_str(), replacement.opening.as_str()), ("2", "0"));
    assert_eq!((replacement.at, replacement.id.as_str()), (time("05:20:00"), "u-1/9/2/op"));
    assert_eq!(sent(&delivery), is(&[("u-1/9/1/op", "2"), ("u-1/9/3/op", "0.1")]));
    // What the counter showed before is not in these values.
    let (delivery, facts) = deliver(&plan("by = \"Ada Kern\"", "on_reset = \"replace\""), &values[1..]);
    assert!(delivery.replacements.is_empty());
    assert!(facts.text(false, 300).contains("what it showed before is not known here"));
}

#[test]
fn what_is_no_value_is_never_read_as_nothing() {
    let values = [
        Said { text: "UNAVAILABLE", ..said(1, "05:10:00", "") },
        said(2, "05:20:00", "12:30"),
        Said { units: Some("HOUR"), ..said(3, "05:30:00", "1.5") },
        Said { units: Some("DEGREE"), ..said(4, "05:40:00", "1.5") },
        Said { sort: Sort::Other, ..said(5, "05:50:00", "1.5") },
        Said { item: "x", ..said(6, "05:50:00", "1.5") },
        said(3, "05:30:00", "5400"),
    ];
    let (delivery, facts) = deliver(&plan("", ""), &values);
    assert_eq!((facts.of(Fact::Unavailable), facts.of(Fact::Unmapped), facts.of(Fact::Repeated)), (1, 1, 1));
    let faults: Vec<String> =
        delivery.rows.iter().filter_map(|row| Some(row.content.as_ref().err()?[0].text.clone())).collect();
    assert_eq!(faults.len(), 3);
    assert!(faults[0].contains("`12:30` is not a number"), "{faults:?}");
    assert!(faults[1].contains("`DEGREE` is not a unit that is counted"), "{faults:?}");
    assert!(faults[2].contains("write `amounts` for the item"), "{faults:?}");
    let (delivery, _) = deliver(&plan("", "amounts = \"minutes\""), &values[2..3]);
    let fault = delivery.rows[0].content.as_ref().unwrap_err();
    assert!(fault[0].text.contains("said in hours and the mapping says minutes"), "{fault:?}");
}

/// Turn by turn the same values are sent as at once, and a fall between two turns is seen.
#[test]
fn turns_go_on_where_the_last_one_ended() {
    let plan = plan("", "");
    let turn = |last: &[Last], values: &[Said<'_>], known_to: &str| {
        let mut facts = Facts::default();
        let mut counters = Counters::new(&plan);
        counters.go_on(last);
        for value in values {
            counters.take(value, &mut facts).unwrap();
        }
        (counters.deliver(Some(time(known_to)), &mut facts), facts)
    };
    let (first, _) = turn(&[], &[said(1, "05:10:00", "600"), said(2, "05:20:00", "1200")], "05:21:00");
    assert_eq!(sent(&first), is(&[("u-1/9/1/op", "0.1666666667")]), "the hour is not over");
    let (second, facts) = turn(&first.last, &[said(3, "05:50:00", "3000")], "05:55:00");
    assert_eq!((sent(&second).len(), facts.of(Fact::Thinned)), (0, 1));
    let (third, _) = turn(&second.last, &[], "06:00:00");
    assert_eq!(sent(&third), is(&[("u-1/9/3/op", "0.8333333333")]));
    let (fourth, _) = turn(&third.last, &[], "06:10:00");
    assert_eq!(sent(&fourth), [], "it was sent");
    let (fifth, facts) = turn(&fourth.last, &[said(4, "06:20:00", "0")], "06:21:00");
    assert_eq!(facts.of(Fact::Fall), 1);
    assert_eq!(sent(&fifth), is(&[("u-1/9/4/op", "0")]));
}

#[test]
fn devices_that_name_their_items_alike_are_told_apart() {
    let text = "form = \"mtconnect\"\nsource = \"h\"\n[[item]]\nitem = \"op\"\ndevice = \"mill\"\nmachine = \"MC-01\"\n[[item]]\nitem = \
                \"op\"\ndevice = \"u-2\"\nmachine = \"MC-02\"\n";
    let Ok(Mapping::Streams(plan)) = mapping::read("m", text) else { panic!() };
    let values = [
        said(1, "05:10:00", "3600"),
        Said { device: "u-2", device_name: "lathe", ..said(2, "05:10:00", "7200") },
        Said { device: "u-3", device_name: "saw", ..said(3, "05:10:00", "1") },
    ];
    let (delivery, facts) = deliver(&plan, &values);
    let machines: Vec<&str> =
        delivery.rows.iter().map(|row| row.content.as_ref().unwrap().machine.as_str()).collect();
    assert_eq!(machines, ["MC-01", "MC-02"]);
    assert_eq!(facts.of(Fact::Unmapped), 1);
}
