//! Lines of logs and what they are read as.

use super::*;
use crate::{
    import::mapping::{self, Mapping},
    push::row::Row,
};
use fettler_proto::v1 as pb;
use std::io::Cursor;

const MAPPING: &str = "form = \"shdr\"\nsource = \"adapter\"\nkeep = \"every\"\n[[item]]\nitem = \"cut\"\nmachine = \"L-03\"\nmeter = \
                       \"loaded\"\namounts = \"seconds\"\n[[item]]\nitem = \"run\"\nmachine = \"L-03\"\nmeter = \"operating\"\namounts = \
                       \"minutes\"\nmessage = true\n";

fn read_all(text: &str) -> (Vec<Row>, Facts) {
    let Ok(Mapping::Shdr(plan)) = mapping::read("m.toml", MAPPING) else { panic!() };
    let mut facts = Facts::default();
    let mut counters = Counters::new(&plan);
    let lines = Lines::new(Box::new(Cursor::new(text.as_bytes().to_vec()))).unwrap();
    read("a.log", lines, &mut counters, &mut facts).unwrap();
    (counters.deliver(None, &mut facts).rows, facts)
}

fn sent(rows: &[Row]) -> Vec<(String, String)> {
    let reading = |row: &Row| {
        let report = row.content.as_ref().ok()?;
        let Some(pb::shift_report::Statement::Reading(reading)) = &report.statement else { panic!() };
        Some((report.report_id.clone(), reading.value.clone()))
    };
    rows.iter().filter_map(reading).collect()
}

fn faults(rows: &[Row]) -> Vec<(u64, String)> {
    rows.iter().filter_map(|row| Some((row.line, row.content.as_ref().err()?[0].text.clone()))).collect()
}

#[test]
fn an_untidy_log_is_read_and_everything_in_it_counted() {
    let (rows, facts) = read_all(
        "* adapterVersion: 2\n\
         2026-11-24T05:00:00.1234567Z|avail|AVAILABLE|cut|3600|Xload|2\n\
         2026-11-24T05:00:01Z|system|NORMAL||||\n\
         2026-11-24T04:59:59Z|cut|1800\n\
         2026-11-24T05:00:02Z|@ASSET@|1.2|CuttingTool|--multiline--AB\n\
         <Tool>cut|1</Tool>\n\
         2026-11-24T05:00:03Z|cut|99999\n\
         --multiline--AB\n\
         2026-11-24T05:00:04Z|@REMOVE_ASSET@|1.2|CuttingTool\n\
         2026-11-24T04:59:59Z|cut|1800\n\
         2026-11-24T05:00:05Z@2.5|mill:cut|UNAVAILABLE|run|A-7|90\n\
         2026-11-24T05:00:06Z|cut|0:SHIFT\n",
    );
    assert_eq!(faults(&rows), []);
    let is = [
        ("cut/2026-11-24T04:59:59Z/0.5", "0.5"),
        ("cut/2026-11-24T05:00:00.123456Z/1", "1"),
        ("cut/2026-11-24T05:00:06Z/0", "0"),
        ("run/2026-11-24T05:00:05Z/1.5", "1.5"),
    ];
    assert_eq!(sent(&rows), is.map(|(id, value)| (id.to_owned(), value.to_owned())));
    let counts = [
        (Fact::Lines, 12),
        (Fact::Protocol, 2),
        (Fact::Body, 4),
        (Fact::StepBack, 2),
        (Fact::Values, 9),
        (Fact::Unmapped, 3),
        (Fact::Unavailable, 1),
        (Fact::Repeated, 1),
        (Fact::Reset, 1),
        (Fact::Fall, 0),
    ];
    for (fact, count) in counts {
        assert_eq!(facts.of(fact), count, "{fact:?}");
    }
}

#[test]
fn lines_that_cannot_be_read_spoil_no_other() {
    let (rows, _) = read_all(
        "nonsense\n|cut|1\nyesterday|cut|1\n2026-11-24 05:00|cut|1\n2026-11-24T05:00:00Z|cut\n2026-11-24T05:00:00Z|cut|x|run|m\n\
         2026-11-24T05:00:00Z|cut|3600\n2026-11-24T05:00:02Z|@ASSET@|1|T|--multiline--Z\nbody\n",
    );
    let told = faults(&rows);
    for ((line, text), (at, part)) in told.iter().zip([
        (1, "`nonsense` is not a line of a log"),
        (2, "no time stands before the values"),
        (3, "`yesterday` is not a time"),
        (4, "has no offset; name its zone in the mapping"),
        (5, "is empty; write an amount"),
        (6, "`x` is not a number"),
        (6, "is empty; write an amount"),
        (8, "its end, `--multiline--Z`, never comes"),
    ]) {
        assert!(*line == at && text.contains(part), "{line} {text} for {part}");
    }
    assert_eq!((told.len(), sent(&rows).len()), (8, 1));
}
