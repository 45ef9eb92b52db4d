//! A file with named columns, read to its end; every row that cannot be read is told, the first ones by name.

use crate::{
    exit::{Complaint, Failure},
    push::{
        input::{self, Line, Lines},
        row::cut,
    },
};
use std::ops::Range;

/// How many wrong fields are told.
const TOLD_MAX: usize = 20;

/// A column by the names it may have.
pub(super) struct Column {
    /// Its names, the usual one first.
    pub(super) names: &'static [&'static str],
    /// Whether the file has to have it.
    pub(super) needed: bool,
}

/// What is wrong with a field: the column's number in the list of columns, and the value and the remedy in words.
pub(super) type Problem = (usize, String);

/// An open file whose header has been read.
pub(super) struct Sheet {
    name: String,
    lines: Lines,
    places: Vec<Option<Place>>,
    width: usize,
}

/// Where a column stands, and its header there.
struct Place {
    at: usize,
    header: String,
}

/// One row.
pub(super) struct Row<'a> {
    text: &'a str,
    ranges: &'a [Range<usize>],
    places: &'a [Option<Place>],
}

impl Row<'_> {
    /// The text of a column; empty where the file does not have it.
    pub(super) fn text(&self, column: usize) -> &str {
        let range = self.places[column].as_ref().and_then(|place| self.ranges.get(place.at));
        range.map_or("", |range| self.text[range.clone()].trim())
    }
}

impl Sheet {
    /// Opens a file and finds its columns.
    pub(super) fn open(name: &str, columns: &[Column]) -> Result<Sheet, Failure> {
        let mut lines = input::open(name)?;
        let found = lines.header(b',', |headers| Ok((places(name, headers, columns)?, headers.len())));
        let (places, width) = found.map_err(|failure| failure.with_hint(format!("the file is `{name}`")))?;
        Ok(Sheet { name: name.to_owned(), lines, places, width })
    }

    /// Whether the file has a column.
    pub(super) fn has(&self, column: usize) -> bool {
        self.places[column].is_some()
    }

    /// Reads every row. What cannot be read is gathered, so that a file is mended once.
    pub(super) fn each(
        mut self,
        mut read: impl FnMut(u64, &Row<'_>) -> Result<(), Vec<Problem>>,
    ) -> Result<(), Failure> {
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        let mut wrong = Vec::new();
        let mut wrong_rows = 0_u64;
        loop {
            let broken = |error| Failure::usage(format!("`{}` breaks off: {error}", self.name));
            let Some((number, line)) = self.lines.next_line().map_err(broken)? else { break };
            let problems = match fields(&line, self.width, &mut ranges, &mut scratch) {
                Ok(text) => {
                    let row = Row { text, ranges: &ranges, places: &self.places };
                    let header =
                        |column: usize| self.places[column].as_ref().map_or("", |place| &place.header);
                    let named = |(column, what): Problem| (header(column), what);
                    match read(number, &row) {
                        Ok(()) => continue,
                        Err(problems) => problems.into_iter().map(named).collect(),
                    }
                }
                Err(what) => vec![("line", what)],
            };
            wrong_rows += 1;
            let room = TOLD_MAX.saturating_sub(wrong.len());
            let told = |(field, what): (&str, String)| (format!("line {number}, {field}"), what);
            wrong.extend(problems.into_iter().map(told).take(room));
        }
        if wrong_rows == 0 {
            return Ok(());
        }
        let rows = if wrong_rows == 1 { "1 row".to_owned() } else { format!("{wrong_rows} rows") };
        let message = format!("{rows} of `{}` cannot be used, so nothing was forecast", self.name);
        Err(Failure::Usage(Complaint { fields: wrong, ..Complaint::new(message) }))
    }
}

fn fields<'a>(
    line: &Line<'a>,
    width: usize,
    ranges: &mut Vec<Range<usize>>,
    scratch: &'a mut String,
) -> Result<&'a str, String> {
    let broken = |what: &str| format!("the line {what}");
    let text = match line {
        Line::Text(text) => *text,
        Line::Unreadable(what) => return Err(broken(what)),
    };
    let text = cut(text, b',', ranges, scratch).map_err(broken)?;
    if ranges.len() != width {
        return Err(format!("the line has {} of the header's {width} fields; mend it", ranges.len()));
    }
    Ok(text)
}

fn places(name: &str, headers: &[&str], columns: &[Column]) -> Result<Vec<Option<Place>>, Failure> {
    let place = |column: &Column| {
        let is_it = |header: &str| column.names.iter().any(|name| header.eq_ignore_ascii_case(name));
        let mut at = headers.iter().enumerate().filter(|(_, header)| is_it(header)).map(|(at, _)| at);
        match (at.next(), at.next()) {
            (Some(_), Some(_)) => Err(Failure::usage(format!(
                "`{name}` has the column `{}` twice; rename one",
                column.names.join("` or `")
            ))),
            (None, _) if column.needed => Err(Failure::usage(format!(
                "`{name}` has no column `{}`; it has: {}",
                column.names.join("` or `"),
                headers.join(", ")
            ))),
            (at, _) => Ok(at.map(|at| Place { at, header: headers[at].to_owned() })),
        }
    };
    columns.iter().map(place).collect()
}
