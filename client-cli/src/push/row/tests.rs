//! Lines and what they are read as.

use super::*;
use crate::args::{Args, Command, hours::HoursCommand};
use clap::Parser as _;

fn names(flags: &str) -> ColumnArgs {
    let line = format!("fettler hours push - --source erp {flags}");
    let Command::Hours(HoursCommand::Push(args)) =
        Args::try_parse_from(line.split_whitespace()).unwrap().command
    else {
        panic!()
    };
    args.columns
}

fn form(header: &str, zone: Option<Tz>) -> Form {
    let headers: Vec<&str> = header.split(',').collect();
    let columns = Columns::find(&headers, &names("")).unwrap();
    Form { source: "erp".into(), unit: pb::Unit::Hours, zone, delimiter: b',', columns }
}

fn read(form: &Form, line: &str) -> Result<pb::ShiftReport, Vec<pb::FieldProblem>> {
    let (mut ranges, mut scratch) = (Vec::new(), String::new());
    let text = cut(line, b',', &mut ranges, &mut scratch).unwrap();
    form.read(&Fields { text, ranges: &ranges })
}

#[track_caller]
fn refused(form: &Form, line: &str, expected: &[(&str, &str)]) {
    let problems = read(form, line).unwrap_err();
    let found: Vec<(&str, &str)> = problems.iter().map(|p| (p.field.as_str(), p.text.as_str())).collect();
    assert_eq!(found, expected, "{line}");
}

const INTERVALS: &str = "machine,report_id,start,end,hours";

#[test]
fn a_stretch_is_read() {
    let report =
        read(&form(INTERVALS, None), "L-03,R-1,2026-11-24T05:00:00Z,2026-11-24T14:00:00+01:00, 7.25 ")
            .unwrap();
    let Some(pb::shift_report::Statement::Interval(interval)) = report.statement else { panic!() };
    assert_eq!((report.machine.as_str(), report.report_id.as_str(), report.revision), ("L-03", "R-1", 0));
    assert_eq!(interval.amount, "7.25");
    assert_eq!(interval.unit(), pb::Unit::Hours);
    assert_eq!(times::rfc3339(interval.end.as_ref()), "2026-11-24T13:00:00Z");
}

#[test]
fn a_reading_a_withdrawal_and_a_unit_are_read() {
    let form = form("machine,report_id,revision,meter,reading,at,unit,withdrawn", None);
    let report = read(&form, "P-1,R-9,2,strokes,120000,2026-11-24T05:00:00Z,cycles,no").unwrap();
    let Some(pb::shift_report::Statement::Reading(reading)) = report.statement else { panic!() };
    assert_eq!((report.meter.as_str(), report.revision, reading.value.as_str()), ("strokes", 2, "120000"));
    assert_eq!(reading.unit(), pb::Unit::Cycles);
    let report = read(&form, "P-1,R-9,3,,,,,yes").unwrap();
    assert_eq!(report.statement, Some(pb::shift_report::Statement::Withdrawal(pb::WithdrawalStatement {})));
}

#[test]
fn local_times_need_a_zone_and_a_clock_that_shows_them() {
    let line = "L-03,R-1,2026-03-29 02:30,2026-03-29 05:00,2";
    refused(
        &form(INTERVALS, None),
        line,
        &[
            (
                "start",
                "`2026-03-29 02:30` has no offset; add one such as +01:00, or name the zone with --zone Europe/Berlin",
            ),
            (
                "end",
                "`2026-03-29 05:00` has no offset; add one such as +01:00, or name the zone with --zone Europe/Berlin",
            ),
        ],
    );
    refused(
        &form(INTERVALS, Some(Tz::Europe__Berlin)),
        line,
        &[(
            "start",
            "`2026-03-29 02:30` does not exist in Europe/Berlin, where the clocks jump over it; \
             perhaps 2026-03-29 03:30 is meant",
        )],
    );
}

#[test]
fn every_field_that_cannot_be_read_is_named() {
    let form = form("machine,report_id,revision,start,end,hours,unit,withdrawn", None);
    refused(
        &form,
        "L-03,R-1,x,never,2026-11-24T05:00:00Z,7,days,perhaps",
        &[
            ("revision", "`x` is not a revision; write a whole number from 0 on"),
            ("withdrawn", "`perhaps` is neither yes nor no; write one of them, or nothing"),
            ("unit", "`days` is not a unit; write hours, cycles or litres"),
            (
                "start",
                "`never` is not a time; write 2026-11-25 05:40, or with its offset 2026-11-25T05:40:00+01:00",
            ),
        ],
    );
    refused(
        &form,
        "L-03,R-1",
        &[("line", "the line has 2 of the header's 8 fields; mend it, or give the right --delimiter")],
    );
    refused(&form, "L-03,R-1,,,,,,", &[("hours", "is empty; write an amount such as 7.25")]);
}

#[test]
fn amounts_are_left_to_the_service_to_judge() {
    let report =
        read(&form(INTERVALS, None), "L-03,R-1,2026-11-24T05:00:00Z,2026-11-24T06:00:00Z,NaN").unwrap();
    let Some(pb::shift_report::Statement::Interval(interval)) = report.statement else { panic!() };
    assert_eq!(interval.amount, "NaN");
}

#[test]
fn quotes_are_taken_off() {
    let (mut ranges, mut scratch) = (Vec::new(), String::new());
    let text = cut("\"a,b\",plain,\"say \"\"x\"\"\",", b',', &mut ranges, &mut scratch).unwrap();
    let fields: Vec<&str> = ranges.iter().map(|range| &text[range.clone()]).collect();
    assert_eq!(fields, ["a,b", "plain", "say \"x\"", ""]);
}

#[test]
fn broken_quotes_are_told() {
    for (line, told) in [("\"a,b", "never closed"), ("\"a\"b,c", "after a closing quote")] {
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        let error = cut(line, b',', &mut ranges, &mut scratch).unwrap_err();
        assert!(error.contains(told), "{error}");
    }
}

#[test]
fn columns_are_found_by_their_headers() {
    let headers = ["machine_id", "report_id", "start", "end", "run_hours"];
    let found = Columns::find(&headers, &names("--machine-col machine_id --hours-col run_hours")).unwrap();
    assert_eq!(found.place(Column::Hours), Some(4));
    assert_eq!(found.place(Column::Meter), None);
}

#[test]
fn missing_columns_name_what_is_there_and_the_flag() {
    let told = |headers: &[&str], flags: &str| match Columns::find(headers, &names(flags)) {
        Err(Failure::Usage(complaint)) => complaint.text(),
        other => panic!("{other:?}"),
    };
    let text = told(&["machine_id", "report_id"], "");
    assert!(text.contains("no column `machine`; it has: machine_id, report_id"), "{text}");
    assert!(text.contains("--machine-col HEADER"), "{text}");
    let text = told(&["machine", "report_id", "start", "end", "hours"], "--meter-col gauge");
    assert!(text.contains("no column `gauge`"), "{text}");
    let text = told(&["machine", "report_id", "start"], "");
    assert!(text.contains("says neither start, end and hours, nor reading and at"), "{text}");
    let text = told(&["machine", "report_id", "start", "start", "end", "hours"], "");
    assert!(text.contains("stands twice"), "{text}");
}
