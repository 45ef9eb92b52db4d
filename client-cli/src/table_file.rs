//! Tables that people hand in as CSV, as their programs write them: with a comma or a semicolon, with or without a byte order
//! mark, with blanks around cells and without the cells at a line's end that say nothing. What the cells mean is not known here.

use crate::exit::Failure;
use std::io::Cursor;

/// A table and its columns.
pub(crate) struct TableFile<'t> {
    name: &'t str,
    reader: csv::Reader<Cursor<String>>,
    headers: Vec<String>,
    delimiter: u8,
}

impl<'t> TableFile<'t> {
    /// Opens a table.
    pub(crate) fn open(name: &'t str, text: &str) -> Result<TableFile<'t>, Failure> {
        // The reader's line numbers are one short where a line ends in two characters.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text).replace("\r\n", "\n");
        let delimiter = if text.lines().next().unwrap_or_default().contains(';') { b';' } else { b',' };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(Cursor::new(text));
        let headers = reader.headers().map_err(|error| Failure::usage(format!("{name}: {error}")))?;
        let headers = headers.iter().map(str::to_owned).collect();
        Ok(TableFile { name, reader, headers, delimiter })
    }

    /// The columns.
    pub(crate) fn headers(&self) -> &[String] {
        &self.headers
    }

    /// Refuses columns that are none of these.
    pub(crate) fn only(&self, columns: &[&str]) -> Result<(), Failure> {
        match self.headers.iter().find(|header| !columns.contains(&header.as_str())) {
            None => Ok(()),
            Some(other) => Err(Failure::usage(format!("{} has an unknown column `{other}`", self.name))
                .with_hint(format!("the columns are {}", columns.join(", ")))),
        }
    }

    /// Where each column stands; none for one that is left out, which the first `needed` may not be.
    pub(crate) fn places<const N: usize>(
        &self,
        columns: &[&str; N],
        needed: usize,
    ) -> Result<[Option<usize>; N], Failure> {
        let places = columns.map(|column| self.headers.iter().position(|header| header == column));
        match columns.iter().zip(places).take(needed).find(|(_, place)| place.is_none()) {
            None => Ok(places),
            Some((missing, _)) => Err(Failure::usage(format!(
                "{} has no column `{missing}`; it has: {}",
                self.name,
                self.headers.join(", ")
            ))
            .with_hint(format!("{} have to be there", columns[..needed].join(", ")))),
        }
    }

    /// The lines with their numbers. One that cannot be read says why, and spoils no other.
    pub(crate) fn lines(self) -> impl Iterator<Item = (u64, Result<csv::StringRecord, String>)> {
        let (columns, delimiter) = (self.headers.len(), char::from(self.delimiter));
        self.reader.into_records().map(move |record| match record {
            // Cells too many come from a delimiter inside a value: it would be read without its end.
            Ok(record) if record.iter().skip(columns).any(|cell| !cell.is_empty()) => {
                let number = record.position().map_or(0, csv::Position::line);
                let problem = format!(
                    "has {} cells for {columns} columns; put a cell with a `{delimiter}` in it into quotes",
                    record.len()
                );
                (number, Err(problem))
            }
            Ok(record) => (record.position().map_or(0, csv::Position::line), Ok(record)),
            Err(error) => (error.position().map_or(0, csv::Position::line), Err(error.to_string())),
        })
    }
}

/// The cell at a place; empty for a column that is left out.
pub(crate) fn cell(record: &csv::StringRecord, place: Option<usize>) -> String {
    place.and_then(|place| record.get(place)).unwrap_or_default().to_owned()
}

/// A value as people write it: one comma is a decimal point.
pub(crate) fn decimal(value: &str) -> String {
    if value.matches(',').count() == 1 && !value.contains('.') {
        value.replace(',', ".")
    } else {
        value.to_owned()
    }
}

/// Reads a yes or a no; an empty cell is a no.
pub(crate) fn yes_or_no(cell: &str) -> Result<bool, String> {
    match cell.to_lowercase().as_str() {
        "" | "no" => Ok(false),
        "yes" => Ok(true),
        _ => Err(format!("`{cell}` is neither yes nor no")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_read_as_programs_write_it() {
        for text in [
            "a,b,c\nx,1,Yes\ny,2\n",
            "\u{feff}a;b;c\r\nx;1;YES\r\ny;2\r\n",
            "c, b ,a\n yes , 1 , x \n,2,y\n",
            "\u{feff}\"a\";\"b\";\"c\"\nx;1;yes\ny;2;No\n",
        ] {
            let table = TableFile::open("f.csv", text).unwrap();
            let places = table.places(&["a", "b", "c", "d"], 3).unwrap();
            let read = |record: csv::StringRecord| {
                let [a, b, c, d] = places.map(|place| cell(&record, place));
                (a, b, yes_or_no(&c).unwrap(), d)
            };
            let lines: Vec<_> =
                table.lines().map(|(number, record)| (number, read(record.unwrap()))).collect();
            let expect =
                |number, a: &str, b: &str, c| (number, (a.to_owned(), b.to_owned(), c, String::new()));
            assert_eq!(lines, [expect(2, "x", "1", true), expect(3, "y", "2", false)], "{text}");
        }
    }

    #[test]
    fn a_line_with_a_cell_too_many_is_not_cut_short() {
        let table = TableFile::open("f.csv", "a,b\nx,6,1\ny,\"6,1\",,\n").unwrap();
        let lines: Vec<_> = table.lines().collect();
        let (number, problem) = (lines[0].0, lines[0].1.clone().unwrap_err());
        assert_eq!(number, 2);
        assert_eq!(problem, "has 3 cells for 2 columns; put a cell with a `,` in it into quotes");
        assert_eq!(lines[1].1.as_ref().map(|record| record[1].to_owned()), Ok("6,1".to_owned()));
    }

    #[test]
    fn one_comma_is_a_decimal_point() {
        for (said, read) in
            [("6,2", "6.2"), ("-0,5", "-0.5"), ("6.2", "6.2"), ("1,000,5", "1,000,5"), ("1.000,5", "1.000,5")]
        {
            assert_eq!(decimal(said), read);
        }
    }

    #[test]
    fn a_column_that_is_missing_or_unknown_is_named() {
        let table = TableFile::open("f.csv", "a,colour\n").unwrap();
        let told = |result: Result<(), Failure>| match result {
            Err(Failure::Usage(complaint)) => complaint.text(),
            other => panic!("{other:?}"),
        };
        let unknown = told(table.only(&["a", "b"]));
        assert!(
            unknown.contains("f.csv has an unknown column `colour`") && unknown.contains("a, b"),
            "{unknown}"
        );
        let missing = told(table.places(&["a", "b", "c"], 2).map(|_| ()));
        assert!(
            missing.contains("no column `b`; it has: a, colour") && missing.contains("a, b have"),
            "{missing}"
        );
    }
}
