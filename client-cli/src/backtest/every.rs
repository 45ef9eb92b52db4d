//! Every row of a file; those that cannot be read are told, the first ones by name.

use crate::{
    exit::{Complaint, Failure},
    sheet::{Column, Form, Row, Sheet},
};

/// How many wrong fields are told.
const TOLD_MAX: usize = 20;

/// What is wrong with a field: the column's number in the list of columns, and the value and the remedy in words.
pub(super) type Problem = (usize, String);

/// Opens a file.
pub(super) fn open(file: &str, columns: &[Column]) -> Result<Sheet, Failure> {
    Sheet::open(file, columns, Form { leaves_comments_out: false, tells_case_apart: false })
}

/// Reads every row. What cannot be read is gathered, so that a file is mended once.
pub(super) fn each(
    mut sheet: Sheet,
    mut read: impl FnMut(&Row<'_>) -> Result<(), Vec<Problem>>,
) -> Result<(), Failure> {
    let (mut wrong, mut wrong_rows) = (Vec::new(), 0_u64);
    while let Some(row) = sheet.next_row()? {
        let problems: Vec<(&str, String)> = match &row.wrong {
            Some(what) => vec![("line", what.clone())],
            None => match read(&row) {
                Ok(()) => continue,
                Err(problems) => {
                    problems.into_iter().map(|(column, what)| (row.header(column), what)).collect()
                }
            },
        };
        wrong_rows += 1;
        let room = TOLD_MAX.saturating_sub(wrong.len());
        let told = |(field, what): (&str, String)| (format!("line {}, {field}", row.line), what);
        wrong.extend(problems.into_iter().map(told).take(room));
    }
    if wrong_rows == 0 {
        return Ok(());
    }
    let rows = if wrong_rows == 1 { "1 row".to_owned() } else { format!("{wrong_rows} rows") };
    let message = format!("{rows} of `{}` cannot be used, so nothing was forecast", sheet.name());
    Err(Failure::Usage(Complaint { fields: wrong, ..Complaint::new(message) }))
}
