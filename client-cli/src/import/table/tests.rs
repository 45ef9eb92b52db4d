//! Tables as programs of shops write them, and what they are read as.

use super::*;
use crate::import::mapping::{self, Mapping};
use std::io::Cursor;

/// A German export: three lines above its header, local times, a decimal comma, a sum at its end.
const EXPORT: &str = "\u{feff}Report of shifts\r\nfrom 2.11.\r\n\r\nDatum;Schicht;Anlage;Lauf;Beleg\r\n02.11.2026;F;4711;7,25;1\r\n\
                      02.11.2026;N;4711;1.007,5;2\r\n03.11.2026;F;9999;6,5;3\r\n03.11.2026;S;4711;x;4\r\nSumme;;;14,5;\r\n";
const EXPORT_MAPPING: &str = r#"form = "csv"
source = "erp"
zone = "Europe/Berlin"
skip_lines = 3
delimiter = ";"
decimal = ","
thousands = "."
days = "%d.%m.%Y"
other_machines = "leave out"

[columns]
machine = "Anlage"
day = "Datum"
shift = "Schicht"
amount = "Lauf"
report = ["Datum", "Beleg"]

[constant]
meter = "operating"

[machines]
4711 = "L-03"

[shifts]
F = { starts = "06:00", ends = "14:00" }
N = { starts = "22:00", ends = "06:00" }

[[skip]]
column = "Datum"
is = "Summe"
"#;

fn form(mapping: &str) -> TableForm {
    match mapping::read("m.toml", mapping) {
        Ok(Mapping::Table(form)) => *form,
        other => panic!("{other:?}"),
    }
}

#[track_caller]
fn rows(mapping: &str, text: &str) -> (Vec<Row>, Shared) {
    let lines = Lines::new(Box::new(Cursor::new(text.as_bytes().to_vec()))).unwrap();
    let table = open(&form(mapping), "t.csv", lines).unwrap();
    let facts = Shared::default();
    let mut receiver = table.rows(facts.clone());
    let mut rows = Vec::new();
    while let Some(batch) = receiver.blocking_recv() {
        match batch {
            Batch::Rows(more) => rows.extend(more),
            Batch::Broken(why) => panic!("{why}"),
        }
    }
    (rows, facts)
}

fn interval(row: &Row) -> (String, String, String, String) {
    let report = row.content.as_ref().unwrap_or_else(|problems| panic!("{problems:?}"));
    let Some(pb::shift_report::Statement::Interval(interval)) = &report.statement else { panic!() };
    let time = |at: &Option<prost_types::Timestamp>| times::rfc3339(at.as_ref());
    (report.report_id.clone(), time(&interval.start), time(&interval.end), interval.amount.clone())
}

fn faults(row: &Row) -> Vec<(String, String)> {
    let problems = row.content.as_ref().unwrap_err();
    problems.iter().map(|problem| (problem.field.clone(), problem.text.clone())).collect()
}

#[test]
fn an_export_by_day_and_shift_is_read_whole() {
    let (rows, facts) = rows(EXPORT_MAPPING, EXPORT);
    let told = |id: &str, start: &str, end: &str, amount: &str| {
        (id.to_owned(), start.to_owned(), end.to_owned(), amount.to_owned())
    };
    // Berlin is an hour ahead of UTC in November; the night shift ends on the next day.
    assert_eq!(
        interval(&rows[0]),
        told("02.11.2026/1", "2026-11-02T05:00:00Z", "2026-11-02T13:00:00Z", "7.25")
    );
    assert_eq!(
        interval(&rows[1]),
        told("02.11.2026/2", "2026-11-02T21:00:00Z", "2026-11-03T05:00:00Z", "1007.5")
    );
    assert_eq!(rows[0].place.as_deref(), Some("t.csv, line 5"));
    let report = rows[0].content.as_ref().unwrap();
    assert_eq!(
        (report.machine.as_str(), report.meter.as_str(), report.source.as_str()),
        ("L-03", "operating", "erp")
    );
    assert_eq!(
        faults(&rows[2]),
        [
            (
                "Lauf".into(),
                "`x` is not a number such as 7,25; `decimal` and `thousands` name its signs".into()
            ),
            ("Schicht".into(), "`S` is no shift of the mapping; [shifts] names: F, N".into()),
        ]
    );
    assert_eq!(rows.len(), 3);
    let facts = facts.lock();
    let counted = [Fact::Lines, Fact::Skipped, Fact::OtherMachine].map(|fact| facts.of(fact));
    assert_eq!(counted, [5, 1, 1]);
}

const STRETCHES: &str = r#"form = "csv"
source = "erp"
zone = "Europe/Berlin"
when_twice = "second"
times = "%d.%m.%Y %H:%M"
amounts = "h:min"
ends_next_day = true
ends_at = "TOTAL"
headers = ["machine", "day", "from", "to", "ran"]

[columns]
machine = "machine"
start = ["day", "from"]
end = ["day", "to"]
amount = "ran"
"#;

#[test]
fn columns_are_put_together_and_local_times_settled() {
    let text = "L-03,02.11.2026,22:00,06:00,7:15\nL-03,24.10.2026,22:30,02:30,4:00\nL-03,29.03.2026,02:30,05:00,1:00\nTOTAL,,,,\n\
                and more,,,,\n";
    let (rows, facts) = rows(STRETCHES, text);
    let (id, start, end, amount) = interval(&rows[0]);
    assert_eq!(
        (start.as_str(), end.as_str(), amount.as_str()),
        ("2026-11-02T21:00:00Z", "2026-11-03T05:00:00Z", "7.25")
    );
    assert_eq!(id, "L-03//2026-11-02T21:00:00Z");
    // The clocks of Berlin went back on 25 October 2026: the second 02:30 is 01:30 UTC.
    assert_eq!(interval(&rows[1]).2, "2026-10-25T01:30:00Z");
    let found = faults(&rows[2]);
    assert_eq!(found[0].0, "day + from");
    assert!(found[0].1.contains("does not exist in Europe/Berlin"), "{found:?}");
    assert_eq!(rows.len(), 3);
    let facts = facts.lock();
    assert_eq!((facts.of(Fact::Settled), facts.of(Fact::Skipped)), (1, 2));
    let told = facts.text(false, 200);
    assert!(
        told.contains("t.csv, line 2, day + to") && told.contains("is taken as 2026-10-25T02:30:00+01:00"),
        "{told}"
    );
}

#[test]
fn counters_revisions_and_withdrawals_are_read() {
    let mapping = r#"form = "csv"
source = "rounds"
revision = 1
amounts = "cycles"
delimiter = "tab"

[columns]
report = "id"
reading = "strokes"
at = "read at"
revision = "rev"
withdrawn = "void"

[constant]
machine = "P-1"
"#;
    let text = "id\tstrokes\tread at\trev\tvoid\nA\t120000\t2026-11-24T05:00:00Z\t\t\nB\t\t\t3\tx\nC\t5\tnever\tz\tperhaps\n";
    let (rows, _) = rows(mapping, text);
    let report = rows[0].content.as_ref().unwrap();
    let Some(pb::shift_report::Statement::Reading(reading)) = &report.statement else { panic!() };
    assert_eq!((reading.value.as_str(), reading.unit(), report.revision), ("120000", pb::Unit::Cycles, 1));
    let report = rows[1].content.as_ref().unwrap();
    assert_eq!((report.revision, report.report_id.as_str()), (3, "B"));
    assert!(matches!(report.statement, Some(pb::shift_report::Statement::Withdrawal(_))));
    let fields: Vec<String> = faults(&rows[2]).into_iter().map(|(field, _)| field).collect();
    assert_eq!(fields, ["rev", "void", "read at"]);
}

#[track_caller]
fn refused(mapping: &str, part: &str) {
    match mapping::read("m.toml", mapping) {
        Err(Failure::Usage(complaint)) => assert!(complaint.text().contains(part), "{}", complaint.text()),
        other => panic!("{part}: {other:?}"),
    }
}

#[test]
fn what_a_mapping_of_a_table_lacks_is_named() {
    let without = |part: &str| EXPORT_MAPPING.replacen(part, "", 1);
    refused(&without("machine = \"Anlage\"\n"), "nothing says the machine");
    refused(&without("shift = \"Schicht\"\n"), "`day` and `shift` go together");
    refused(&without("amount = \"Lauf\"\n"), "names neither a stretch");
    refused(&without("starts = \"06:00\", "), "missing key `starts`");
    refused(&EXPORT_MAPPING.replace("06:00", "6 h"), "is not a time of day");
    refused(&EXPORT_MAPPING.replace("thousands = \".\"", "thousands = \",\""), "are both `,`");
    refused(&EXPORT_MAPPING.replace("decimal = \",\"", "decimal = \"x\""), "decimal `x` is not one sign");
    refused(
        &EXPORT_MAPPING.replace("delimiter = \";\"", "delimiter = \";;\""),
        "delimiter `;;` is not one sign",
    );
    refused(&EXPORT_MAPPING.replace("is = \"Summe\"", ""), "a [[skip]] says either");
    refused(&EXPORT_MAPPING.replace("%d.%m.%Y", "%d.%m."), "days `%d.%m.` is not a form");
    refused(&EXPORT_MAPPING.replace("\n4711 = \"L-03\"", ""), "leaves out every machine");
    refused(
        &EXPORT_MAPPING.replace("meter = \"operating\"", "machine = \"L\""),
        "machine stands in [columns] and in [constant]",
    );
    refused(&EXPORT_MAPPING.replace("Europe/Berlin", "Berlin"), "zone `Berlin` is not a time zone");
}

#[test]
fn a_missing_column_names_those_that_are_there() {
    let open = |text: &str| {
        let lines = Lines::new(Box::new(Cursor::new(text.as_bytes().to_vec()))).unwrap();
        match open(&form(EXPORT_MAPPING), "t.csv", lines) {
            Err(Failure::Usage(complaint)) => complaint.text(),
            _ => panic!("it is opened"),
        }
    };
    let told = open("\n\n\nDatum;Schicht;Machine\n");
    assert!(
        told.contains("t.csv: there is no column `Anlage`; there are: Datum, Schicht, Machine"),
        "{told}"
    );
    assert!(open("\n\n\nDatum;Datum;Anlage\n").contains("stands twice"));
    assert!(open("only one line\n").contains("t.csv: the file is empty"));
}

#[test]
fn a_line_that_does_not_fit_the_header_is_refused_alone() {
    let text = EXPORT.replace("02.11.2026;F;4711;7,25;1", "02.11.2026;F;4711").replace(";2\r\n", ";\"2\r\n");
    let (rows, _) = rows(EXPORT_MAPPING, &text);
    assert!(faults(&rows[0])[0].1.contains("has 3 of the header's 5 cells"));
    assert!(faults(&rows[1])[0].1.contains("never closed"));
}
