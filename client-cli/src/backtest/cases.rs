//! What to forecast: cases from a file, each with what became of it where that is known.

use super::{
    every::{Problem, each, open},
    reports::{hours, instant},
};
use crate::{
    exit::Failure,
    sheet::{Column, Row},
};
use fettler_domain::{
    forecast::{Days, Hours, Outcome},
    quantity::MaxPerHour,
    time::Ts,
};
use std::collections::BTreeMap;

const CASE: usize = 0;
const DATASET: usize = 1;
const MACHINE: usize = 2;
const CUT: usize = 3;
const REMAINING: usize = 4;
const DATA_END: usize = 5;
const DUE: usize = 6;
const COLUMNS: &[Column] = &[
    Column { names: &["case_id", "case"], needed: true },
    Column { names: &["dataset"], needed: false },
    Column { names: &["machine_id", "machine"], needed: true },
    Column { names: &["cut"], needed: true },
    Column { names: &["remaining_hours"], needed: true },
    Column { names: &["data_end"], needed: false },
    Column { names: &["due"], needed: false },
];

/// A question: when will the machine have run so many hours more, as known at an instant?
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Case {
    /// Its own name.
    pub(crate) id: String,
    /// The dataset it says it belongs to; empty if it says none.
    pub(crate) dataset: String,
    /// The machine.
    pub(crate) machine: String,
    /// As of when it is asked.
    pub(crate) cut: Ts,
    /// The hours, and how they are written.
    pub(crate) remaining: (Hours, String),
    /// What became of it; none where the file does not say until when data are known.
    pub(crate) outcome: Option<Outcome>,
}

/// Reads the cases of a file.
pub(crate) fn cases(file: &str) -> Result<Vec<Case>, Failure> {
    let mut cases: Vec<Case> = Vec::new();
    let mut lines: BTreeMap<String, u64> = BTreeMap::new();
    let sheet = open(file, COLUMNS)?;
    let outcomes = sheet.has(DATA_END) && sheet.has(DUE);
    each(sheet, |row| {
        let case = case(row, outcomes)?;
        if let Some(first) = lines.insert(case.id.clone(), row.line) {
            let what = format!("`{}` stands in line {first} already; give each case its own name", case.id);
            return Err(vec![(CASE, what)]);
        }
        cases.push(case);
        Ok(())
    })?;
    if cases.is_empty() {
        return Err(Failure::usage(format!("`{file}` has no cases under its header")));
    }
    Ok(cases)
}

fn case(row: &Row<'_>, outcomes: bool) -> Result<Case, Vec<Problem>> {
    let mut problems = Vec::new();
    for (column, what) in [(CASE, "name the case"), (MACHINE, "name the machine")] {
        if row.text(column).is_empty() {
            problems.push((column, format!("is empty; {what}")));
        }
    }
    let cut = instant(row, CUT).map_err(|what| problems.push((CUT, what))).ok();
    let remaining = hours(row, REMAINING).map_err(|what| problems.push((REMAINING, what))).ok();
    let outcome = match cut {
        Some(cut) if outcomes => outcome(row, cut).map_err(|wrong| problems.extend(wrong)).ok(),
        _ => None,
    };
    match (cut, remaining) {
        (Some(cut), Some(remaining)) if problems.is_empty() => Ok(Case {
            id: row.text(CASE).to_owned(),
            dataset: row.text(DATASET).to_owned(),
            machine: row.text(MACHINE).to_owned(),
            cut,
            remaining: (Hours::of(remaining, MaxPerHour::ONE_HOUR_AN_HOUR), row.text(REMAINING).to_owned()),
            outcome,
        }),
        _ => Err(problems),
    }
}

fn outcome(row: &Row<'_>, cut: Ts) -> Result<Outcome, Vec<Problem>> {
    let after_cut = |column: usize| {
        let at = instant(row, column)?;
        if at < cut {
            return Err(format!("`{}` lies before the cut; mend one of them", row.text(column)));
        }
        Ok(Days::between(cut, at))
    };
    let data_end = after_cut(DATA_END).map_err(|what| vec![(DATA_END, what)])?;
    let due = match row.text(DUE) {
        "" => None,
        _ => Some(after_cut(DUE).map_err(|what| vec![(DUE, what)])?),
    };
    Ok(Outcome { data_end, due })
}
