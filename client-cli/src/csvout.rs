//! Tables as CSV (RFC 4180, header row, UTF-8), safe to open in a spreadsheet.

use crate::render::table::Table;

/// A table as CSV.
pub(crate) fn text(table: &Table) -> String {
    let mut text = line(table.headers.iter().copied());
    for row in &table.rows {
        text.push_str(&line(row.iter().map(String::as_str)));
    }
    text
}

/// One record with its line end.
pub(crate) fn line<'a>(cells: impl IntoIterator<Item = &'a str>) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for cell in cells {
        writer.write_field(guarded(cell)).expect("writing to memory does not fail");
    }
    writer.write_record(None::<&[u8]>).expect("writing to memory does not fail");
    let bytes = writer.into_inner().expect("writing to memory does not fail");
    String::from_utf8(bytes).expect("cells are UTF-8")
}

/// A spreadsheet runs a cell that starts like a formula; an apostrophe keeps it a text. Numbers stay as they are.
fn guarded(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
    if formula { format!("'{cell}") } else { cell.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_quoted_and_formulas_kept_as_text() {
        assert_eq!(
            line(["a,b", "say \"x\"", "=1+1", "-2.5", "-x"]),
            "\"a,b\",\"say \"\"x\"\"\",'=1+1,-2.5,'-x\r\n"
        );
    }
}
