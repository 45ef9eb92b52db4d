//! Files that people hand in, bent by chance: reading them tells what is wrong, and never breaks, stands still or grows.
//! The proof `fuzz-files` does more of it.

mod imports;

use crate::args::{Args, Command, hours::HoursCommand};
use crate::calc;
use crate::calc::rows::Rows;
use crate::commands::readings_file;
use crate::fuzz::{Target, run_as_told};
use crate::planfile;
use crate::push::input::{Batch, Lines};
use crate::push::row::{Columns, Form};
use crate::shopfile::{self, last_done};
use chrono_tz::Europe::Berlin;
use clap::Parser as _;
use fettler_proto::v1 as pb;
use std::fmt::{Debug, Write as _};
use std::io::Cursor;
use std::path::Path;

/// Runs a target as long as the environment says, or briefly.
fn fuzz(name: &str, words: &[&str], mut read: impl FnMut(&[u8]) -> String) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    run_as_told(&mut Target { name, words, read: &mut read }, &root);
}

/// An answer as text, of which only the refusal is told apart by its words.
fn told<T: Debug, E: Debug>(answer: Result<T, E>) -> String {
    match answer {
        Ok(_) => "read".into(),
        Err(error) => format!("{error:?}"),
    }
}

const CELLS: &[&str] = &[
    "machine",
    "report_id",
    "start",
    "end",
    "hours",
    "reading",
    "at",
    "withdrawn",
    "yes",
    "L-03",
    "\"",
    "\"\"",
    ";",
    ",",
    "\n",
    "\r\n",
    "\u{feff}",
    "#",
    "2026-02-30",
    "2026-03-29T02:30:00",
    "2026-10-25T02:30:00",
    "+14:00",
    "9999-12-31T23:59:60Z",
    "0001-01-01T00:00:00Z",
    "1,5",
    ".5",
    "5.",
    "ü",
    "\u{0}",
    "\u{1f}\u{8b}",
];

fn lines(bytes: &[u8]) -> Lines {
    Lines::new(Box::new(Cursor::new(bytes.to_vec()))).expect("bytes can be read")
}

#[test]
fn reports() {
    let args = Args::try_parse_from("fettler hours push - --source e".split(' ')).expect("arguments");
    let Command::Hours(HoursCommand::Push(args)) = args.command else { panic!("it is a push") };
    fuzz("reports-csv", CELLS, |bytes| {
        let mut lines = lines(bytes);
        let columns = match lines.header(b',', |headers| Columns::find(headers, &args.columns)) {
            Ok(columns) => columns,
            Err(failure) => return format!("{failure:?}"),
        };
        let unit = pb::Unit::Hours;
        let form = Form { source: "erp".into(), unit, zone: Some(Berlin), delimiter: b',', columns };
        let (mut told, mut batches) = (String::new(), lines.rows(form));
        while let Some(batch) = batches.blocking_recv() {
            match batch {
                Batch::Rows(rows) => {
                    // Writing to a string cannot fail, here and below.
                    for problems in rows.iter().filter_map(|row| row.content.as_ref().err()) {
                        let _ = write!(told, "{problems:?}");
                    }
                }
                Batch::Broken(why) => told += &why,
            }
        }
        told
    });
}

#[test]
fn readings() {
    fuzz("readings-csv", CELLS, |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let zone = readings_file::needs_zone(&text).then_some(Berlin);
        match readings_file::read("file", &text, None, zone) {
            Ok(file) => format!("{:?}", file.faults),
            Err(failure) => format!("{failure:?}"),
        }
    });
}

#[test]
fn plans() {
    fuzz("plan-csv", CELLS, |bytes| told(planfile::rows(lines(bytes), Berlin)));
}

#[test]
fn last_done_days() {
    fuzz("last-done-csv", CELLS, |bytes| told(last_done::read("file", &String::from_utf8_lossy(bytes))));
}

/// The first line of an input names the calculator.
#[test]
fn calculations() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("rows.csv");
    fuzz("calc-csv", CELLS, |bytes| {
        let (name, rows) =
            bytes.split_at(bytes.iter().position(|&byte| byte == b'\n').map_or(0, |at| at + 1));
        let name = String::from_utf8_lossy(name);
        let asked = calc::ALL.iter().find(|calculator| calculator.name == name.trim());
        let calculator = asked.unwrap_or(&calc::ALL[name.len() % calc::ALL.len()]);
        std::fs::write(&file, rows).expect("a file");
        let typed = vec![None; calculator.inputs.len()];
        let mut rows = match Rows::open(calculator, &typed, &file.to_string_lossy()) {
            Ok(rows) => rows,
            Err(failure) => return format!("{failure:?}"),
        };
        let mut told = calculator.name.to_owned();
        loop {
            match rows.next_row() {
                Ok(Some(row)) => {
                    for problem in row.found.err().unwrap_or_default() {
                        let _ = write!(told, "{} {}", problem.field, problem.text);
                    }
                }
                Ok(None) => return told,
                Err(failure) => return format!("{told} {failure:?}"),
            }
        }
    });
}

const KEYS: &[&str] = &[
    "[site]\n",
    "[[machine]]\n",
    "[[machine.meter]]\n",
    "[[machine.task]]\n",
    "[[machine.point]]\n",
    "[[machine.check]]\n",
    "[[sheet]]\n",
    "[[sheet.task]]\n",
    "[[source]]\n",
    "[[item]]\n",
    "[[machine.task.clause]]\n",
    "every = ",
    "key = ",
    "tag = ",
    "zone = ",
    "title = ",
    "kind = ",
    "feed = ",
    "rule = ",
    "cautions = ",
    "readings = ",
    "kit = ",
    "covers = ",
    "window = ",
    "last_done = ",
    "limits = ",
    "\"60 hours or 30 days\"",
    "\"400 operating hours\"",
    "\"2 weeks\"",
    "\"RRULE:FREQ=DAILY\"",
    "\"operating\"",
    "true",
    "1979-05-27",
    "{ ",
    " }",
    "[",
    "]",
    "\"\"\"",
    "\\u0000",
    "# ",
    "= ",
    "\n",
];

/// What is read well is written again, and reads as it was.
#[test]
fn shops() {
    fuzz("shop-toml", KEYS, |bytes| match shopfile::read("file", &String::from_utf8_lossy(bytes)) {
        Ok(shop) => {
            let written = shopfile::write(&shop);
            let again = shopfile::read("again", &written);
            assert!(again.is_ok_and(|again| again == shop), "it is written as it was read: {written}");
            format!("read {} {}", shop.machines.len(), shop.sheets.len())
        }
        Err(failure) => format!("{failure:?}"),
    });
}
