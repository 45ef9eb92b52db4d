//! A CSV file of planned shifts: read as a whole, its rows put together by machine and meter.

use crate::exit::{Complaint, Failure};
use crate::push::input::{Line, Lines, open};
use crate::push::row::cut;
use crate::times;
use chrono_tz::Tz;
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;
use std::ops::Range;

/// The most rows of a file: a year of three shifts on 180 machines.
const ROWS_MAX: usize = 200_000;
/// The most faults that are told of one file.
const TOLD_MAX: usize = 20;

/// What a file plans of one meter.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Planned {
    /// The shifts in the order of the file.
    pub(crate) shifts: Vec<pb::PlannedShift>,
    /// For each the line on which it stands.
    pub(crate) lines: Vec<u64>,
}

/// A machine and a meter of it; an empty one means the machine's only one.
type Named = (String, String);
/// Plans by machine and meter.
pub(crate) type Plans = BTreeMap<Named, Planned>;
/// What is wrong with a cell: its column, and the value with its remedy.
type Problem = (&'static str, String);

/// Where the columns stand.
struct Columns {
    machine: usize,
    meter: Option<usize>,
    start: usize,
    end: usize,
    hours: usize,
}

/// Reads a file, `-` for stdin. Times without an offset are read in the site's zone. A file with a
/// line that cannot be read plans nothing, and every such line is told.
pub(crate) fn read(file: &str, zone: Tz) -> Result<Plans, Failure> {
    rows(open(file)?, zone)
}

/// The same for lines that are open already.
pub(crate) fn rows(mut lines: Lines, zone: Tz) -> Result<Plans, Failure> {
    let columns = lines.header(b',', Columns::find)?;
    let (mut plans, mut faults) = (Plans::new(), Vec::new());
    let (mut ranges, mut scratch) = (Vec::new(), String::new());
    let mut count = 0;
    loop {
        let (number, line) = match lines.next_line() {
            Ok(Some(found)) => found,
            Ok(None) => break,
            Err(error) => return Err(Failure::usage(format!("cannot read the file: {error}"))),
        };
        count += 1;
        if count > ROWS_MAX {
            return Err(Failure::usage(format!("the file has more than {ROWS_MAX} rows; plan it in parts")));
        }
        let text = match line {
            Line::Text(text) => cut(text, b',', &mut ranges, &mut scratch),
            Line::Unreadable(what) => Err(what),
        };
        match text {
            Err(what) => faults.push((format!("line {number}"), format!("the line {what}"))),
            Ok(text) => match columns.row(text, &ranges, zone) {
                Err(problems) => {
                    faults.extend(
                        problems.into_iter().map(|(column, text)| (format!("line {number}, {column}"), text)),
                    );
                }
                Ok((meter, shift)) => {
                    let planned = plans.entry(meter).or_default();
                    planned.shifts.push(shift);
                    planned.lines.push(number);
                }
            },
        }
    }
    if !faults.is_empty() {
        let count = faults.len();
        let mut complaint =
            Complaint::new(format!("{count} of the file's cells cannot be read; nothing was planned"));
        complaint.fields = faults;
        complaint.fields.truncate(TOLD_MAX);
        return Err(Failure::Usage(complaint));
    }
    if plans.is_empty() {
        return Err(Failure::usage("the file plans nothing; it has a header and no row")
            .with_hint("say that a machine stands with --stands, or take its plan back with --withdraw"));
    }
    Ok(plans)
}

impl Columns {
    fn find(headers: &[&str]) -> Result<Columns, Failure> {
        let place = |name: &str| headers.iter().position(|header| *header == name);
        let needed = |name: &str| {
            place(name).ok_or_else(|| {
                let has = headers.join(", ");
                Failure::usage(format!("the file has no column {name}; it has: {has}"))
            })
        };
        Ok(Columns {
            machine: needed("machine")?,
            meter: place("meter"),
            start: needed("start")?,
            end: needed("end")?,
            hours: needed("hours")?,
        })
    }

    /// A row: whose meter, and the shift.
    fn row(
        &self,
        text: &str,
        ranges: &[Range<usize>],
        zone: Tz,
    ) -> Result<(Named, pb::PlannedShift), Vec<Problem>> {
        let cell = |at: usize| ranges.get(at).map_or("", |range| text[range.clone()].trim());
        let mut problems = Vec::new();
        let mut time = |column: &'static str, at: usize| match times::instant(cell(at), Some(zone)) {
            Ok(time) => Some(times::to_wire(time)),
            Err(error) => {
                problems.push((column, error.to_string()));
                None
            }
        };
        let (start, end) = (time("start", self.start), time("end", self.end));
        let machine = cell(self.machine);
        if machine.is_empty() {
            problems.push(("machine", "is empty; give the machine's tag".to_owned()));
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        let meter = self.meter.map_or("", cell);
        let shift = pb::PlannedShift { start, end, amount: cell(self.hours).to_owned() };
        Ok(((machine.to_owned(), meter.to_owned()), shift))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn plans(text: &str) -> Result<Plans, String> {
        let lines = Lines::new(Box::new(Cursor::new(text.as_bytes().to_vec()))).unwrap();
        rows(lines, chrono_tz::Europe::Berlin).map_err(|failure| {
            let Failure::Usage(complaint) = failure else { panic!("{failure:?}") };
            complaint.text()
        })
    }

    #[test]
    fn rows_are_put_together_by_machine_and_meter() {
        let text = "machine,start,end,hours,meter\nL-1,2026-11-25 06:00,2026-11-25 14:00,7.5,\n\
                    L-2,2026-11-25 06:00,2026-11-25 14:00,8,spindle\nL-1,2026-11-26T06:00:00Z,2026-11-26T14:00:00Z,7,\n";
        let plans = plans(text).unwrap();
        let named: Vec<_> = plans.keys().map(|(machine, meter)| (machine.as_str(), meter.as_str())).collect();
        assert_eq!(named, [("L-1", ""), ("L-2", "spindle")]);
        let first = &plans[&("L-1".to_owned(), String::new())];
        assert_eq!(first.lines, [2, 4]);
        assert_eq!(times::rfc3339(first.shifts[0].start.as_ref()), "2026-11-25T05:00:00Z");
        assert_eq!(first.shifts[1].amount, "7");
    }

    #[test]
    fn every_cell_that_cannot_be_read_is_told_with_its_line() {
        let text =
            "machine,start,end,hours\n,2026-11-25 06:00,2026-11-25 14:00,8\nL-1,soon,2026-03-29 02:30,8\n";
        let told = plans(text).unwrap_err();
        assert!(
            told.contains("3 of the file's cells") && told.contains("line 2, machine: is empty"),
            "{told}"
        );
        assert!(
            told.contains("line 3, start: `soon` is not a time") && told.contains("line 3, end"),
            "{told}"
        );
    }

    #[test]
    fn a_file_without_its_columns_or_without_rows_is_refused() {
        assert!(
            plans("machine,start,end\n")
                .unwrap_err()
                .contains("no column hours; it has: machine, start, end")
        );
        assert!(plans("machine,start,end,hours\n").unwrap_err().contains("plans nothing"));
    }
}
