//! Many rows: the lines of a CSV file as inputs of a calculator. A line that cannot be computed spoils no other.

use super::Calculator;
use super::found::Found;
use super::given::{Given, Input, Missing, Problem};
use crate::exit::Failure;
use crate::sheet::{self, Column, Form, Sheet};

/// The column that names a row; those of the inputs follow it.
const ID: usize = 0;

/// What was typed for each input, in their order; it stands for a column that a file lacks.
pub(crate) type Typed = [Option<String>];

/// A row of the file.
pub(crate) struct Row {
    /// Its line in the file.
    pub(crate) line: u64,
    /// Its name, or the number of its line where the file names no rows.
    pub(crate) id: String,
    /// The results, or every fault.
    pub(crate) found: Result<Found, Vec<Problem>>,
}

/// A file of rows, open behind its header.
pub(crate) struct Rows<'a> {
    calculator: &'static Calculator,
    typed: &'a Typed,
    sheet: Sheet,
}

/// The column of the calculator's n-th input.
const fn column_of(input: usize) -> usize {
    input + 1
}

impl<'a> Rows<'a> {
    /// Opens a file, `-` for stdin, and finds the columns of the inputs in its header. Lines that start with `#` are
    /// left out.
    pub(crate) fn open(
        calculator: &'static Calculator,
        typed: &'a Typed,
        file: &str,
    ) -> Result<Rows<'a>, Failure> {
        let inputs = || calculator.inputs.iter().enumerate();
        let columns: Vec<Column> = std::iter::once(&["id"][..])
            .chain(inputs().map(|(_, input)| std::slice::from_ref(&input.name)))
            .map(|names| Column { names, needed: false })
            .collect();
        let form = Form { leaves_comments_out: true, tells_case_apart: true };
        let sheet = Sheet::open(file, &columns, form)?;
        let has = |index: usize| sheet.has(column_of(index));
        if let Some((_, input)) = inputs().find(|(index, _)| has(*index) && typed[*index].is_some()) {
            return Err(Failure::usage(format!(
                "--{} is given, and the file has a column {}; leave one of them out",
                input.flag(),
                input.name
            )));
        }
        let lacks = |(index, input): (usize, &'static Input)| {
            let given = has(index) || typed[index].is_some();
            (!given && input.missing == Missing::Needed).then_some(input.name)
        };
        let lacking: Vec<&str> = inputs().filter_map(lacks).collect();
        if !lacking.is_empty() {
            return Err(Failure::usage(format!(
                "the file has no column {}; it has: {}",
                lacking.join(", "),
                sheet.headers().join(", ")
            ))
            .with_hint("a flag stands for a column that is the same in every row"));
        }
        Ok(Rows { calculator, typed, sheet })
    }

    /// The next row; none at the end of the file.
    pub(crate) fn next_row(&mut self) -> Result<Option<Row>, Failure> {
        let Rows { calculator, typed, sheet } = self;
        let Some(row) = sheet.next_row()? else { return Ok(None) };
        let id = match row.text(ID) {
            "" => row.line.to_string(),
            id => id.to_owned(),
        };
        let found = match &row.wrong {
            Some(what) => Err(vec![Problem { field: "line", value: String::new(), text: what.clone() }]),
            None => compute(calculator, typed, &row),
        };
        Ok(Some(Row { line: row.line, id, found }))
    }
}

/// Computes a row. A file that lacks a column has it by a flag, if at all.
fn compute(
    calculator: &'static Calculator,
    typed: &Typed,
    row: &sheet::Row<'_>,
) -> Result<Found, Vec<Problem>> {
    let text_of = |input: &Input| {
        let index = calculator.inputs.iter().position(|other| other.name == input.name)?;
        typed[index].clone().or_else(|| Some(row.text(column_of(index)).to_owned()))
    };
    let given = Given::read(calculator, text_of)?;
    (calculator.compute)(&given).map_err(|problem| vec![problem])
}
