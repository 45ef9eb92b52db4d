//! A CSV file with named columns, row by row.

use crate::{
    exit::Failure,
    push::{
        input::{self, Line, Lines},
        row::cut,
    },
};
use std::ops::Range;

/// A column by the names it may have.
pub(crate) struct Column {
    /// Its names, the usual one first.
    pub(crate) names: &'static [&'static str],
    /// Whether the file has to have it.
    pub(crate) needed: bool,
}

/// How a file is read.
#[derive(Clone, Copy)]
pub(crate) struct Form {
    /// Whether lines that start with `#` are left out, before the header and after it.
    pub(crate) leaves_comments_out: bool,
    /// Whether `D_mm` and `d_mm` are two columns.
    pub(crate) tells_case_apart: bool,
}

/// An open file whose header has been read.
pub(crate) struct Sheet {
    name: String,
    lines: Lines,
    headers: Vec<String>,
    /// For each column where it stands.
    places: Vec<Option<usize>>,
    ranges: Vec<Range<usize>>,
    scratch: String,
}

/// One row.
pub(crate) struct Row<'a> {
    /// Its line in the file.
    pub(crate) line: u64,
    /// What is wrong with the line as a whole.
    pub(crate) wrong: Option<String>,
    text: &'a str,
    ranges: &'a [Range<usize>],
    headers: &'a [String],
    places: &'a [Option<usize>],
}

impl Row<'_> {
    /// The text of a column; empty where the file or the line does not have it.
    pub(crate) fn text(&self, column: usize) -> &str {
        let range = self.places[column].and_then(|at| self.ranges.get(at));
        range.map_or("", |range| self.text[range.clone()].trim())
    }

    /// What the file calls a column.
    pub(crate) fn header(&self, column: usize) -> &str {
        self.places[column].map_or("", |at| &self.headers[at])
    }
}

impl Sheet {
    /// Opens a file, `-` for stdin, and finds its columns.
    pub(crate) fn open(name: &str, columns: &[Column], form: Form) -> Result<Sheet, Failure> {
        let mut lines = input::open(name)?;
        if form.leaves_comments_out {
            lines = lines.without_comments();
        }
        let found = lines.header(b',', |headers| {
            Ok((places(name, headers, columns, form)?, headers.iter().map(ToString::to_string).collect()))
        });
        let (places, headers) =
            found.map_err(|failure| failure.with_hint(format!("the file is `{name}`")))?;
        let (ranges, scratch) = (Vec::new(), String::new());
        Ok(Sheet { name: name.to_owned(), lines, headers, places, ranges, scratch })
    }

    /// The file.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// Every column that the file has.
    pub(crate) fn headers(&self) -> &[String] {
        &self.headers
    }

    /// Whether the file has a column.
    pub(crate) fn has(&self, column: usize) -> bool {
        self.places[column].is_some()
    }

    /// The next row; none at the end of the file.
    pub(crate) fn next_row(&mut self) -> Result<Option<Row<'_>>, Failure> {
        let Sheet { name, lines, headers, places, ranges, scratch } = self;
        let found = lines.next_line();
        let found = found.map_err(|error| Failure::usage(format!("`{name}` breaks off: {error}")))?;
        let Some((line, found)) = found else { return Ok(None) };
        let text = match found {
            Line::Text(text) => cut(text, b',', ranges, scratch),
            Line::Unreadable(what) => Err(what),
        };
        let (text, wrong) = match text {
            Ok(text) if ranges.len() == headers.len() => (text, None),
            Ok(text) => {
                let (has, width) = (ranges.len(), headers.len());
                (text, Some(format!("the line has {has} of the header's {width} fields; mend the commas")))
            }
            Err(what) => {
                ranges.clear();
                ("", Some(format!("the line {what}")))
            }
        };
        Ok(Some(Row { line, wrong, text, ranges, headers, places }))
    }
}

fn places(
    name: &str,
    headers: &[&str],
    columns: &[Column],
    form: Form,
) -> Result<Vec<Option<usize>>, Failure> {
    let same = |header: &str, name: &str| {
        header == name || (!form.tells_case_apart && header.eq_ignore_ascii_case(name))
    };
    let place = |column: &Column| {
        let is_it = |header: &str| column.names.iter().any(|name| same(header, name));
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
            (at, _) => Ok(at),
        }
    };
    columns.iter().map(place).collect()
}
