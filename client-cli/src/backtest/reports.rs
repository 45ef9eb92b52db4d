//! A fleet from a file of reports.

use super::every::{Problem, each, open};
use crate::{
    exit::Failure,
    sheet::{Column, Row},
    times,
};
use fettler_domain::{
    forecast::{Hours, Reported, Usage},
    quantity::{Amount, MaxPerHour, Unit},
    time::Ts,
};
use std::collections::BTreeMap;

const MACHINE: usize = 0;
const START: usize = 1;
const END: usize = 2;
const HOURS: usize = 3;
const COLUMNS: &[Column] = &[
    Column { names: &["machine_id", "machine"], needed: true },
    Column { names: &["start"], needed: false },
    Column { names: &["end"], needed: true },
    Column { names: &["run_hours", "hours"], needed: true },
];

/// The machines of a file, by their names.
pub(crate) struct Fleet {
    /// The file.
    pub(crate) file: String,
    /// What each machine ran.
    pub(crate) machines: BTreeMap<String, Usage>,
}

/// Reads a fleet.
pub(crate) fn fleet(file: &str) -> Result<Fleet, Failure> {
    let mut machines: BTreeMap<String, Vec<Reported>> = BTreeMap::new();
    each(open(file, COLUMNS)?, |row| {
        let (machine, reported) = report(row)?;
        if let Some(of_machine) = machines.get_mut(machine) {
            of_machine.push(reported);
        } else {
            machines.insert(machine.to_owned(), vec![reported]);
        }
        Ok(())
    })?;
    if machines.is_empty() {
        return Err(Failure::usage(format!("`{file}` has no reports under its header")));
    }
    let machines = machines.into_iter().map(|(name, reports)| (name, Usage::of(reports))).collect();
    Ok(Fleet { file: file.to_owned(), machines })
}

fn report<'a>(row: &'a Row<'_>) -> Result<(&'a str, Reported), Vec<Problem>> {
    let mut problems = Vec::new();
    let mut note = |column: usize, what: String| problems.push((column, what));
    let machine = row.text(MACHINE);
    if machine.is_empty() {
        note(MACHINE, "is empty; name the machine".to_owned());
    }
    let end = instant(row, END).map_err(|what| note(END, what)).ok();
    let start = match row.text(START) {
        "" => None,
        _ => instant(row, START).map_err(|what| note(START, what)).ok(),
    };
    let amount = hours(row, HOURS).map_err(|what| note(HOURS, what)).ok();
    if let Some(amount) = amount.filter(|amount| *amount < Amount::ZERO) {
        note(HOURS, format!("`{}` is below 0; write what was run", amount.to_text(Unit::Hours, 2)));
    }
    if let (Some(start), Some(end)) = (start, end) {
        let most = MaxPerHour::ONE_HOUR_AN_HOUR;
        let held = most.capacity(end.micros_since(start)) + most.grace();
        if end < start {
            note(END, format!("`{}` lies before the start; swap the two", row.text(END)));
        } else if let Some(amount) = amount.filter(|amount| *amount > held) {
            let (hours, length) = (amount.to_text(Unit::Hours, 2), held - most.grace());
            let length = length.to_text(Unit::Hours, 2);
            note(HOURS, format!("`{hours}` is more than the {length} h from start to end; mend one of them"));
        }
    }
    match (end, amount) {
        (Some(end), Some(amount)) if problems.is_empty() => {
            Ok((machine, Reported { end, hours: Hours::of(amount, MaxPerHour::ONE_HOUR_AN_HOUR) }))
        }
        _ => Err(problems),
    }
}

/// An instant with its offset.
pub(super) fn instant(row: &Row<'_>, column: usize) -> Result<Ts, String> {
    let text = row.text(column);
    match times::absolute(text).map(Ts::from_utc).filter(|at| (Ts::MIN..=Ts::MAX).contains(at)) {
        Some(at) => Ok(at),
        None => Err(format!(
            "`{text}` is not a time from 1970 to 2199 with its offset; write it like 2026-11-25T05:40:00Z"
        )),
    }
}

/// An amount of hours, of either sign.
pub(super) fn hours(row: &Row<'_>, column: usize) -> Result<Amount, String> {
    Amount::parse(row.text(column), Unit::Hours).map_err(|error| error.to_string())
}
