//! When tasks were last done, from a CSV file: machine, task, day, and a column for each meter's count.

use crate::{
    exit::{Complaint, Failure},
    table_file::{TableFile, cell},
    times,
};
use fettler_proto::v1 as pb;

/// How many statements one request may carry.
const STATEMENTS_MAX: usize = 10_000;
/// How many broken lines are named.
const FAULTS_MAX: usize = 20;

/// Reads the statements of a file. All are taken or none, so every broken line is named.
pub(crate) fn read(name: &str, text: &str) -> Result<Vec<pb::LastDone>, Failure> {
    let table = TableFile::open(name, text)?;
    let places = table.places(&["machine", "task", "day"], 3)?;
    let meters: Vec<(usize, String)> =
        table.headers().iter().cloned().enumerate().filter(|(at, _)| !places.contains(&Some(*at))).collect();
    let mut statements = Vec::new();
    let mut faults = Vec::new();
    for (line, record) in table.lines() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                faults.push((format!("line {line}"), error));
                continue;
            }
        };
        let [machine, task, day] = places.map(|place| cell(&record, place));
        let counts = meters.iter().map(|(at, meter)| (meter, cell(&record, Some(*at))));
        match times::day(&day) {
            Ok(_) if machine.is_empty() || task.is_empty() => {
                faults.push((format!("line {line}"), "names no machine or no task; fill both".to_owned()));
            }
            Ok(day) => statements.push(pb::LastDone {
                machine,
                task,
                day,
                counts: counts
                    .filter(|(_, count)| !count.is_empty())
                    .map(|(meter, count)| pb::MeterCount { meter: meter.clone(), count })
                    .collect(),
            }),
            Err(error) => faults.push((format!("line {line}, day"), error)),
        }
    }
    checked(name, statements, faults)
}

fn checked(
    name: &str,
    statements: Vec<pb::LastDone>,
    mut faults: Vec<(String, String)>,
) -> Result<Vec<pb::LastDone>, Failure> {
    if !faults.is_empty() {
        let count = faults.len();
        faults.truncate(FAULTS_MAX);
        let mut complaint =
            Complaint::new(format!("{name}: {count} lines cannot be read, so none was stated"));
        complaint.fields = faults;
        return Err(Failure::Usage(complaint));
    }
    if statements.is_empty() {
        return Err(Failure::usage(format!("{name} states nothing; add a line for each task")));
    }
    if statements.len() > STATEMENTS_MAX {
        return Err(Failure::usage(format!(
            "{name} states {} tasks; split it into files of at most {STATEMENTS_MAX}",
            statements.len()
        )));
    }
    Ok(statements)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statements_are_read_with_the_counts_that_are_there() {
        let text = "\u{feff}machine;task;day;operating;cycles\nL-03;drain-bowl;2026-10-01;2900;\nM-07;belt;2026-09-30;;\n";
        let read = read("f.csv", text).unwrap();
        assert_eq!(read.len(), 2);
        assert_eq!(read[0].counts, [pb::MeterCount { meter: "operating".into(), count: "2900".into() }]);
        assert_eq!(
            (read[1].machine.as_str(), read[1].day.as_str(), read[1].counts.len()),
            ("M-07", "2026-09-30", 0)
        );
    }

    #[test]
    fn every_broken_line_is_named() {
        let text = "machine,task,day\nL-03,drain,1 October\n,drain,2026-10-01\nL-03,drain\n";
        let Err(Failure::Usage(complaint)) = read("f.csv", text) else { panic!() };
        let lines: Vec<&str> = complaint.fields.iter().map(|(field, _)| field.as_str()).collect();
        assert_eq!(lines, ["line 2, day", "line 3", "line 4, day"]);
        assert!(matches!(read("f.csv", "machine,task\n"), Err(Failure::Usage(_))));
        assert!(matches!(read("f.csv", "machine,task,day\n"), Err(Failure::Usage(_))));
    }
}
