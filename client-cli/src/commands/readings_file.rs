//! Readings from a CSV file: machine, point, value and at, and what else a line says.

use crate::{
    exit::Failure,
    table_file::{self, TableFile},
    times,
};
use chrono_tz::Tz;
use fettler_proto::v1 as pb;

/// The columns that there may be; the first four have to be.
const COLUMNS: [&str; 9] =
    ["machine", "point", "value", "at", "unit", "by", "electrician_record", "confirmed", "note"];

/// A line of the file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Line {
    /// Its number in the file.
    pub(crate) number: u64,
    /// What it says.
    pub(crate) said: pb::ReadingSaid,
}

/// A file as read: its lines, and those that cannot be read, which spoil no other.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct File {
    /// The lines.
    pub(crate) lines: Vec<Line>,
    /// Where and why a line cannot be read.
    pub(crate) faults: Vec<(String, String)>,
}

/// Whether any time in the file may lack its offset, so that the site's zone is needed.
pub(crate) fn needs_zone(text: &str) -> bool {
    // An offset ends in Z, or stands as +hh:mm or -hh:mm behind the seconds.
    let offset = |cell: &str| times::absolute(cell.trim().trim_matches('"')).is_some();
    text.lines()
        .skip(1)
        .filter(|line| !line.trim().is_empty())
        .any(|line| !line.split([',', ';']).any(offset))
}

/// Reads the lines of a file. Times without an offset are local times of `zone`.
pub(crate) fn read(name: &str, text: &str, by: Option<&str>, zone: Option<Tz>) -> Result<File, Failure> {
    let table = TableFile::open(name, text)?;
    table.only(&COLUMNS)?;
    let places = table.places(&COLUMNS, 4)?;
    let mut file = File::default();
    for (number, record) in table.lines() {
        let said = match &record {
            Ok(record) => said(&|column| table_file::cell(record, places[column]), by, zone)
                .map_err(|(column, error)| (format!("line {number}, {column}"), error)),
            Err(error) => Err((format!("line {number}"), error.clone())),
        };
        match said {
            Ok(said) => file.lines.push(Line { number, said }),
            Err(fault) => file.faults.push(fault),
        }
    }
    if file == File::default() {
        return Err(Failure::usage(format!("{name} holds no reading; add a line for each")));
    }
    Ok(file)
}

fn said(
    cell: &dyn Fn(usize) -> String,
    by: Option<&str>,
    zone: Option<Tz>,
) -> Result<pb::ReadingSaid, (&'static str, String)> {
    let at = times::instant(&cell(3), zone).map_err(|error| ("at", error.to_string()))?;
    let confirmed = table_file::yes_or_no(&cell(7)).map_err(|error| ("confirmed", error))?;
    let own = cell(5);
    Ok(pb::ReadingSaid {
        machine: cell(0),
        point: cell(1),
        value: table_file::decimal(&cell(2)),
        unit: cell(4),
        at: Some(times::to_wire(at)),
        by: if own.is_empty() { by.unwrap_or_default().to_owned() } else { own },
        electrician_record: cell(6),
        confirmed,
        note: cell(8),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = "machine;point;value;at;unit;confirmed\nL-03;p-air;6.1;2026-11-25 06:10;bar;\nL-03;p-air;61;\
        2026-11-25T06:20:00+01:00;;yes\n";

    #[test]
    fn lines_are_read_with_their_numbers_and_times_of_the_site() {
        assert!(needs_zone(FILE));
        let file = read("f.csv", FILE, Some("Ada"), Some(chrono_tz::Europe::Berlin)).unwrap();
        assert!(file.faults.is_empty());
        let lines = file.lines;
        let seconds = |line: &Line| line.said.at.map(|at| at.seconds);
        assert_eq!((lines[0].number, lines[1].number), (2, 3));
        assert_eq!(seconds(&lines[1]).unwrap() - seconds(&lines[0]).unwrap(), 600);
        assert_eq!((lines[0].said.by.as_str(), lines[0].said.unit.as_str()), ("Ada", "bar"));
        assert!(!lines[0].said.confirmed && lines[1].said.confirmed);
        assert!(!needs_zone("machine,point,value,at\nL,p,1,2026-11-25T06:20:00Z\n"));
    }

    #[test]
    fn what_is_no_line_is_named() {
        let complaint = |text: &str| match read("f.csv", text, None, Some(chrono_tz::UTC)) {
            Err(Failure::Usage(complaint)) => complaint,
            other => panic!("{other:?}"),
        };
        assert_eq!(
            complaint("machine,point,value\n").message,
            "f.csv has no column `at`; it has: machine, point, value"
        );
        assert_eq!(
            complaint("machine,point,value,at,colour\n").message,
            "f.csv has an unknown column `colour`"
        );
        assert_eq!(
            complaint("machine,point,value,at\n").message,
            "f.csv holds no reading; add a line for each"
        );
        let text = "machine,point,value,at,confirmed\nL,p,1,yesterday,\nL,p,1,2026-11-25 06:00,perhaps\nL,p,2,2026-11-25 06:00,\n";
        let file = read("f.csv", text, None, Some(chrono_tz::UTC)).unwrap();
        let fields: Vec<&str> = file.faults.iter().map(|(field, _)| field.as_str()).collect();
        assert_eq!(fields, ["line 2, at", "line 3, confirmed"]);
        assert_eq!(file.lines.len(), 1, "a bad line spoils no other");
    }
}
