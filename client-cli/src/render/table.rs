//! Plain tables: columns apart by two spaces, long cells wrapped, nothing cut off.

use super::wrap;
use crate::out::Style;
use std::fmt::Write as _;

/// The narrowest that a column is squeezed to before the table grows over its width, in characters.
const COLUMN_MIN: usize = 8;
/// The space between columns.
const GAP: usize = 2;

/// Rows under headers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Table {
    /// Lower-case words, one for each column.
    pub(crate) headers: Vec<&'static str>,
    /// As many cells as headers.
    pub(crate) rows: Vec<Vec<String>>,
}

impl Table {
    /// An empty table.
    pub(crate) fn new<const N: usize>(headers: [&'static str; N]) -> Table {
        Table { headers: headers.to_vec(), rows: Vec::new() }
    }

    /// Adds a row.
    pub(crate) fn push<const N: usize>(&mut self, cells: [String; N]) {
        debug_assert_eq!(N, self.headers.len(), "a row has a cell for each header");
        self.rows.push(Vec::from(cells));
    }

    /// The table at most `width` wide, unless it has more columns than fit.
    pub(crate) fn text(&self, width: usize, style: Style) -> String {
        let widths = self.widths(width);
        let mut out = String::new();
        let headers: Vec<String> = self.headers.iter().map(ToString::to_string).collect();
        for line in row_lines(&headers, &widths) {
            out.push_str(&style.heading(&line));
            out.push('\n');
        }
        for row in &self.rows {
            for line in row_lines(row, &widths) {
                out.push_str(&line);
                out.push('\n');
            }
        }
        out
    }

    fn widths(&self, width: usize) -> Vec<usize> {
        let longest = |column: usize| {
            let cells = self.rows.iter().map(|row| row[column].as_str());
            let lines = cells.chain([self.headers[column]]).flat_map(str::lines);
            lines.map(|line| line.chars().count()).max().unwrap_or(0).max(1)
        };
        let mut widths: Vec<usize> = (0..self.headers.len()).map(longest).collect();
        let room = width.saturating_sub(GAP * widths.len().saturating_sub(1));
        while widths.iter().sum::<usize>() > room {
            let Some(widest) = widths.iter_mut().max().filter(|widest| **widest > COLUMN_MIN) else { break };
            *widest -= 1;
        }
        widths
    }
}

fn row_lines(cells: &[String], widths: &[usize]) -> Vec<String> {
    let wrapped: Vec<Vec<String>> =
        cells.iter().zip(widths).map(|(cell, width)| wrap::lines(cell, *width)).collect();
    let height = wrapped.iter().map(Vec::len).max().unwrap_or(0);
    let line = |index: usize| {
        let mut line = String::new();
        for (lines, &width) in wrapped.iter().zip(widths) {
            let cell = lines.get(index).map_or("", String::as_str);
            let _ = write!(line, "{cell:<width$}{:GAP$}", "");
        }
        line.trim_end().to_owned()
    };
    (0..height).map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_cells_wrap_within_the_width() {
        let mut table = Table::new(["order", "what"]);
        table.push(["1042".into(), "drain the condensate bowl behind the left cover".into()]);
        table.push(["7".into(), "look".into()]);
        insta::assert_snapshot!(table.text(30, Style::PLAIN), @r"
        order  what
        1042   drain the condensate
               bowl behind the left
               cover
        7      look
        ");
    }
}
