//! The table behind a plot: each cell once as it is kept, for CSV, and once as it is read, for the page.

use crate::{csvout, html::safe, report::svg::short};
use std::fmt::Write as _;

/// A column whose cells are no longer than this is not broken into lines, in letters.
const SHORT_MAX: usize = 14;

/// A cell of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Cell {
    exact: String,
    shown: String,
    is_number: bool,
}

impl Cell {
    /// A text.
    pub(crate) fn text(text: impl Into<String>) -> Cell {
        let text = text.into();
        Cell { shown: text.clone(), exact: text, is_number: false }
    }

    /// Something that has another form for people.
    pub(crate) fn told(exact: impl Into<String>, shown: impl Into<String>) -> Cell {
        Cell { exact: exact.into(), shown: shown.into(), is_number: false }
    }

    /// A number of things.
    pub(crate) fn count(number: &impl ToString) -> Cell {
        let text = number.to_string();
        Cell { shown: text.clone(), exact: text, is_number: true }
    }

    /// A number, or none.
    pub(crate) fn number(value: Option<f64>) -> Cell {
        let exact = value.map(|value| value.to_string()).unwrap_or_default();
        Cell { exact, shown: value.map(short).unwrap_or_default(), is_number: true }
    }

    /// A number with its form for people.
    pub(crate) fn number_as(value: Option<f64>, shown: String) -> Cell {
        Cell { shown, ..Cell::number(value) }
    }

    /// A share, or none.
    pub(crate) fn share(value: Option<f64>) -> Cell {
        Cell::number_as(value, value.map_or_else(|| "none".to_owned(), percent))
    }
}

/// A share as people read it.
pub(crate) fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

/// A table: its name, columns as CSV and people call them, and rows. A column that people call nothing is in the CSV alone.
#[derive(Clone, Debug)]
pub(crate) struct Sheet {
    /// The file's name without its ending.
    pub(crate) name: &'static str,
    /// What it shows, for people.
    pub(crate) caption: &'static str,
    columns: Vec<(&'static str, &'static str)>,
    rows: Vec<Vec<Cell>>,
}

impl Sheet {
    /// An empty table.
    pub(crate) fn new(
        name: &'static str,
        caption: &'static str,
        columns: &[(&'static str, &'static str)],
    ) -> Sheet {
        Sheet { name, caption, columns: columns.to_vec(), rows: Vec::new() }
    }

    /// Adds a row.
    pub(crate) fn push<const N: usize>(&mut self, cells: [Cell; N]) {
        debug_assert_eq!(N, self.columns.len(), "a row has a cell for each column");
        self.rows.push(Vec::from(cells));
    }

    /// As CSV.
    pub(crate) fn csv(&self) -> String {
        let mut out = csvout::line(self.columns.iter().map(|(name, _)| *name));
        for row in &self.rows {
            out.push_str(&csvout::line(row.iter().map(|cell| cell.exact.as_str())));
        }
        out
    }

    /// As HTML; a column is one of numbers when all its cells are.
    pub(crate) fn html(&self) -> String {
        let caption = safe(self.caption);
        if self.rows.is_empty() {
            return format!("<p class=\"rests\">{caption}: nothing is on record.</p>\n");
        }
        let class = |column: usize| {
            let all = |is_so: fn(&Cell) -> bool| self.rows.iter().all(|row| is_so(&row[column]));
            if all(|cell| cell.is_number) {
                " class=\"n\""
            } else if all(|cell| cell.shown.chars().count() <= SHORT_MAX) {
                " class=\"s\""
            } else {
                ""
            }
        };
        let mut out = format!("<details open><summary>{caption}</summary>\n<table><thead><tr>");
        let shown = || self.columns.iter().enumerate().filter(|(_, (_, title))| !title.is_empty());
        for (column, (_, title)) in shown() {
            let _ = write!(out, "<th scope=\"col\"{}>{}</th>", class(column), safe(title));
        }
        out.push_str("</tr></thead><tbody>\n");
        for row in &self.rows {
            out.push_str("<tr>");
            for (column, _) in shown() {
                let _ = write!(out, "<td{}>{}</td>", class(column), safe(&row[column].shown));
            }
            out.push_str("</tr>\n");
        }
        out.push_str("</tbody></table></details>\n");
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_and_programs_read_the_same_figures() {
        let columns = [("machine", "machine"), ("share", "in time")];
        let mut sheet = Sheet::new("compliance", "By month", &columns);
        assert!(sheet.html().contains("By month: nothing is on record"));
        sheet.push([Cell::text("L<1"), Cell::share(Some(2.0 / 3.0))]);
        sheet.push([Cell::text("L-2"), Cell::share(None)]);
        assert_eq!(sheet.csv(), "machine,share\r\nL<1,0.6666666666666666\r\nL-2,\r\n");
        let html = sheet.html();
        assert!(html.contains("<td class=\"s\">L&lt;1</td><td class=\"n\">66.7 %</td>"), "{html}");
        assert!(html.contains("<th scope=\"col\" class=\"n\">in time</th>"), "{html}");
    }
}
