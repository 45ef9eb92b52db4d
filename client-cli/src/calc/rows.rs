//! Many rows: the lines of a CSV file as inputs of a calculator. A line that cannot be computed spoils no other.

use super::Calculator;
use super::found::Found;
use super::given::{Given, Input, Missing, Problem};
use crate::exit::Failure;
use crate::push::input::{Line, Lines};
use crate::push::row::cut;
use std::ops::Range;

/// The column that names a row.
const ID: &str = "id";

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
    lines: Lines,
    /// How many cells a line has.
    width: usize,
    id: Option<usize>,
    /// For each input the cell that holds it.
    cells: Vec<Option<usize>>,
}

impl<'a> Rows<'a> {
    /// Opens a file, `-` for stdin, and finds the columns of the inputs in its header. Lines that start with `#` are
    /// left out.
    pub(crate) fn open(
        calculator: &'static Calculator,
        typed: &'a Typed,
        file: &str,
    ) -> Result<Rows<'a>, Failure> {
        let mut lines = crate::push::input::open(file)?;
        let (ranges, header) = header(&mut lines)?;
        let headers: Vec<&str> = ranges.into_iter().map(|range| header[range].trim()).collect();
        let place = |name: &str| {
            let mut at = headers.iter().enumerate().filter(|(_, header)| **header == name).map(|(at, _)| at);
            match (at.next(), at.next()) {
                (Some(_), Some(_)) => {
                    Err(Failure::usage(format!("the header `{name}` stands twice in the file; rename one")))
                }
                (found, _) => Ok(found),
            }
        };
        let id = place(ID)?;
        let cells: Vec<Option<usize>> =
            calculator.inputs.iter().map(|input| place(input.name)).collect::<Result<_, _>>()?;
        let twice = (0..cells.len()).find(|index| cells[*index].is_some() && typed[*index].is_some());
        if let Some(index) = twice {
            let input = &calculator.inputs[index];
            return Err(Failure::usage(format!(
                "--{} is given, and the file has a column {}; leave one of them out",
                input.flag(),
                input.name
            )));
        }
        let lacks = |(index, input): (usize, &Input)| {
            let given = cells[index].is_some() || typed[index].is_some();
            (!given && input.missing == Missing::Needed).then_some(input.name)
        };
        let lacking: Vec<&str> = calculator.inputs.iter().enumerate().filter_map(lacks).collect();
        if !lacking.is_empty() {
            return Err(Failure::usage(format!(
                "the file has no column {}; it has: {}",
                lacking.join(", "),
                headers.join(", ")
            ))
            .with_hint("a flag stands for a column that is the same in every row"));
        }
        Ok(Rows { calculator, typed, width: headers.len(), id, cells, lines })
    }

    /// The next row; none at the end of the file.
    pub(crate) fn next_row(&mut self) -> Result<Option<Row>, Failure> {
        loop {
            let (line, text) = match self.lines.next_line() {
                Ok(Some((line, Line::Text(text)))) if text.starts_with('#') => {
                    let _ = (line, text);
                    continue;
                }
                Ok(Some((line, Line::Text(text)))) => (line, Ok(text.to_owned())),
                Ok(Some((line, Line::Unreadable(what)))) => (line, Err(what)),
                Ok(None) => return Ok(None),
                Err(error) => return Err(Failure::usage(format!("the file breaks off: {error}"))),
            };
            return Ok(Some(match text {
                Ok(text) => self.row(line, &text),
                Err(what) => Row { line, id: line.to_string(), found: Err(vec![broken(what)]) },
            }));
        }
    }

    fn row(&self, line: u64, text: &str) -> Row {
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        let cells = match cut(text, b',', &mut ranges, &mut scratch) {
            Ok(whole) => ranges.into_iter().map(|range| whole[range].trim().to_owned()).collect::<Vec<_>>(),
            Err(what) => return Row { line, id: line.to_string(), found: Err(vec![broken(what)]) },
        };
        let named = self.id.and_then(|at| cells.get(at)).filter(|id| !id.is_empty());
        let id = named.cloned().unwrap_or_else(|| line.to_string());
        if cells.len() != self.width {
            let what = format!("has {} cells, the header {}; mend the commas", cells.len(), self.width);
            return Row { line, id, found: Err(vec![broken(&what)]) };
        }
        Row { line, id, found: self.compute(&cells) }
    }

    fn compute(&self, cells: &[String]) -> Result<Found, Vec<Problem>> {
        let text_of = |input: &Input| {
            let index = self.calculator.inputs.iter().position(|other| other.name == input.name)?;
            match self.cells[index] {
                Some(at) => cells.get(at).cloned(),
                None => self.typed[index].clone(),
            }
        };
        let given = Given::read(self.calculator, text_of)?;
        (self.calculator.compute)(&given).map_err(|problem| vec![problem])
    }
}

/// The header line, which may stand behind comments, with the places of its cells.
fn header(lines: &mut Lines) -> Result<(Vec<Range<usize>>, String), Failure> {
    loop {
        let text = match lines.next_line() {
            Ok(Some((_, Line::Text(text)))) if text.starts_with('#') => continue,
            Ok(Some((_, Line::Text(text)))) => text.to_owned(),
            Ok(Some((number, Line::Unreadable(what)))) => {
                return Err(Failure::usage(format!("line {number} should be the header, but it {what}")));
            }
            Ok(None) => {
                return Err(Failure::usage("the file is empty; its first line names the columns"));
            }
            Err(error) => return Err(Failure::usage(format!("cannot read the file: {error}"))),
        };
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        let whole = cut(&text, b',', &mut ranges, &mut scratch)
            .map_err(|what| Failure::usage(format!("the header line {what}")))?
            .to_owned();
        return Ok((ranges, whole));
    }
}

fn broken(what: &str) -> Problem {
    Problem { field: "line", value: String::new(), text: format!("the line {what}") }
}
