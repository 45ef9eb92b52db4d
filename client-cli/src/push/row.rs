//! One line of a file as a shift report.

use crate::{
    args::hours::{ColumnArgs, UnitWord},
    exit::Failure,
    times,
};
use chrono_tz::Tz;
use fettler_proto::v1 as pb;
use std::ops::Range;

/// A line of the file that says something.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Row {
    /// Its number in the file; the header is line 1.
    pub(crate) line: u64,
    /// Where it stands, where the number alone does not say it: the file and what in it.
    pub(crate) place: Option<Box<str>>,
    /// The report, or every field that cannot be read.
    pub(crate) content: Result<pb::ShiftReport, Vec<pb::FieldProblem>>,
}

impl Row {
    /// Where it stands, in words.
    pub(crate) fn whereabouts(&self) -> String {
        self.place.as_deref().map_or_else(|| format!("line {}", self.line), str::to_owned)
    }
}

/// How the lines of a file are read.
#[derive(Clone, Debug)]
pub(crate) struct Form {
    /// The source of every report.
    pub(crate) source: String,
    /// The unit of amounts in rows that name none.
    pub(crate) unit: pb::Unit,
    /// The zone of times without an offset.
    pub(crate) zone: Option<Tz>,
    /// The character between columns.
    pub(crate) delimiter: u8,
    /// Where each column stands.
    pub(crate) columns: Columns,
}

/// Where each column stands in the file, with its header.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Columns {
    /// How many columns a line has.
    pub(crate) width: usize,
    places: Vec<(Column, usize, String)>,
}

/// What a column says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Column {
    /// The machine's tag or other name.
    Machine,
    /// The source's own name for the report.
    Report,
    /// The revision.
    Revision,
    /// The meter.
    Meter,
    /// The first instant of a stretch.
    Start,
    /// The first instant after it.
    End,
    /// How much was run.
    Hours,
    /// The unit of the amount.
    Unit,
    /// What a counter showed.
    Reading,
    /// When it was read.
    At,
    /// Whether the report is taken back.
    Withdrawn,
}

/// The unit that a word means.
pub(crate) const fn unit_of(word: UnitWord) -> pb::Unit {
    match word {
        UnitWord::Hours => pb::Unit::Hours,
        UnitWord::Cycles => pb::Unit::Cycles,
        UnitWord::Litres => pb::Unit::Litres,
    }
}

impl Columns {
    /// Finds the columns in a header line. A header that was named by a flag has to be there; those with their usual
    /// names may be missing, as long as machine, report and one kind of statement are there.
    pub(crate) fn find(headers: &[&str], named: &ColumnArgs) -> Result<Columns, Failure> {
        let wanted = [
            (Column::Machine, &named.machine_col, "machine", "--machine-col"),
            (Column::Report, &named.report_col, "report_id", "--report-col"),
            (Column::Revision, &named.revision_col, "revision", "--revision-col"),
            (Column::Meter, &named.meter_col, "meter", "--meter-col"),
            (Column::Start, &named.start_col, "start", "--start-col"),
            (Column::End, &named.end_col, "end", "--end-col"),
            (Column::Hours, &named.hours_col, "hours", "--hours-col"),
            (Column::Unit, &named.unit_col, "unit", "--unit-col"),
            (Column::Reading, &named.reading_col, "reading", "--reading-col"),
            (Column::At, &named.at_col, "at", "--at-col"),
            (Column::Withdrawn, &named.withdrawn_col, "withdrawn", "--withdrawn-col"),
        ];
        let present = || headers.join(", ");
        let mut columns = Columns { width: headers.len(), places: Vec::new() };
        for (column, header, usual, flag) in wanted {
            let mut at = headers.iter().enumerate().filter(|(_, h)| h.trim().eq_ignore_ascii_case(header));
            let needed = matches!(column, Column::Machine | Column::Report) || header != usual;
            match (at.next(), at.next()) {
                (Some((index, _)), None) => columns.places.push((column, index, header.clone())),
                (Some(_), Some(_)) => {
                    return Err(Failure::usage(format!(
                        "the header `{header}` stands twice in the file; rename one"
                    )));
                }
                (None, _) if needed => {
                    return Err(Failure::usage(format!(
                        "the file has no column `{header}`; it has: {}",
                        present()
                    ))
                    .with_hint(format!(
                        "name the right one with {flag} HEADER, or the character with --delimiter"
                    )));
                }
                (None, _) => {}
            }
        }
        let has = |column| columns.place(column).is_some();
        let interval = has(Column::Start) && has(Column::End) && has(Column::Hours);
        if interval || (has(Column::Reading) && has(Column::At)) || has(Column::Withdrawn) {
            return Ok(columns);
        }
        Err(Failure::usage(format!(
            "the file says neither start, end and hours, nor reading and at; it has: {}",
            present()
        ))
        .with_hint(
            "name the columns with --start-col, --end-col and --hours-col, or --reading-col and --at-col",
        ))
    }

    /// Columns of which only the headers matter: the lines are read elsewhere.
    pub(crate) fn headed(headers: Vec<(Column, String)>) -> Columns {
        let places = headers.into_iter().map(|(column, header)| (column, 0, header)).collect();
        Columns { width: 0, places }
    }

    fn place(&self, column: Column) -> Option<usize> {
        self.places.iter().find(|(other, _, _)| *other == column).map(|(_, at, _)| *at)
    }

    /// The header of a column, for messages.
    pub(crate) fn header(&self, column: Column) -> &str {
        self.places.iter().find(|(other, _, _)| *other == column).map_or("", |(_, _, header)| header)
    }
}

/// A line cut into its fields.
pub(crate) struct Fields<'a> {
    /// The text that the ranges point into.
    pub(crate) text: &'a str,
    /// The fields in order.
    pub(crate) ranges: &'a [Range<usize>],
}

impl Form {
    /// Reads a line that was cut into fields.
    pub(crate) fn read(&self, fields: &Fields<'_>) -> Result<pb::ShiftReport, Vec<pb::FieldProblem>> {
        if fields.ranges.len() != self.columns.width {
            let text = format!(
                "the line has {} of the header's {} fields; mend it, or give the right --delimiter",
                fields.ranges.len(),
                self.columns.width
            );
            return Err(vec![problem("line", text)]);
        }
        let mut problems = Vec::new();
        let report = pb::ShiftReport {
            source: self.source.clone(),
            report_id: self.text(fields, Column::Report).to_owned(),
            revision: self.revision(fields, &mut problems),
            machine: self.text(fields, Column::Machine).to_owned(),
            meter: self.text(fields, Column::Meter).to_owned(),
            statement: self.statement(fields, &mut problems),
        };
        if problems.is_empty() { Ok(report) } else { Err(problems) }
    }

    fn text<'a>(&self, fields: &Fields<'a>, column: Column) -> &'a str {
        let range = self.columns.place(column).and_then(|at| fields.ranges.get(at));
        range.map_or("", |range| fields.text[range.clone()].trim())
    }

    fn revision(&self, fields: &Fields<'_>, problems: &mut Vec<pb::FieldProblem>) -> u32 {
        match self.text(fields, Column::Revision) {
            "" => 0,
            text => text.parse().unwrap_or_else(|_| {
                let text = format!("`{text}` is not a revision; write a whole number from 0 on");
                problems.push(problem(self.columns.header(Column::Revision), text));
                0
            }),
        }
    }

    fn statement(
        &self,
        fields: &Fields<'_>,
        problems: &mut Vec<pb::FieldProblem>,
    ) -> Option<pb::shift_report::Statement> {
        use pb::shift_report::Statement;
        if self.withdrawn(fields, problems) {
            return Some(Statement::Withdrawal(pb::WithdrawalStatement {}));
        }
        let unit = self.unit(fields, problems).into();
        let (amount, value) = (self.text(fields, Column::Hours), self.text(fields, Column::Reading));
        if !amount.is_empty() && !value.is_empty() {
            let text =
                "the line states both a stretch and a counter reading; leave one of them empty".to_owned();
            problems.push(problem(self.columns.header(Column::Reading), text));
            None
        } else if !value.is_empty() {
            let at = self.time(fields, Column::At, problems);
            Some(Statement::Reading(pb::ReadingStatement { at, value: value.to_owned(), unit }))
        } else if amount.is_empty() {
            let column =
                if self.columns.place(Column::Hours).is_some() { Column::Hours } else { Column::Reading };
            problems.push(problem(
                self.columns.header(column),
                "is empty; write an amount such as 7.25".to_owned(),
            ));
            None
        } else {
            let start = self.time(fields, Column::Start, problems);
            let end = self.time(fields, Column::End, problems);
            Some(Statement::Interval(pb::IntervalStatement { start, end, amount: amount.to_owned(), unit }))
        }
    }

    fn withdrawn(&self, fields: &Fields<'_>, problems: &mut Vec<pb::FieldProblem>) -> bool {
        let text = self.text(fields, Column::Withdrawn);
        let is = |words: &[&str]| words.iter().any(|word| text.eq_ignore_ascii_case(word));
        if is(&["yes", "true", "1"]) {
            return true;
        }
        if !is(&["", "no", "false", "0"]) {
            let text = format!("`{text}` is neither yes nor no; write one of them, or nothing");
            problems.push(problem(self.columns.header(Column::Withdrawn), text));
        }
        false
    }

    fn unit(&self, fields: &Fields<'_>, problems: &mut Vec<pb::FieldProblem>) -> pb::Unit {
        match self.text(fields, Column::Unit) {
            "" => self.unit,
            "h" | "hours" => pb::Unit::Hours,
            "cycles" => pb::Unit::Cycles,
            "L" | "litres" => pb::Unit::Litres,
            text => {
                let text = format!("`{text}` is not a unit; write hours, cycles or litres");
                problems.push(problem(self.columns.header(Column::Unit), text));
                self.unit
            }
        }
    }

    fn time(
        &self,
        fields: &Fields<'_>,
        column: Column,
        problems: &mut Vec<pb::FieldProblem>,
    ) -> Option<prost_types::Timestamp> {
        let text = self.text(fields, column);
        match times::instant(text, self.zone) {
            Ok(time) => Some(times::to_wire(time)),
            Err(error) => {
                problems.push(problem(self.columns.header(column), error.to_string()));
                None
            }
        }
    }
}

/// A problem with a field.
pub(crate) fn problem(field: &str, text: String) -> pb::FieldProblem {
    pb::FieldProblem { field: field.to_owned(), text }
}

/// Cuts a line into fields (RFC 4180 quoting). Quoted fields lose their quotes in `scratch`, which then holds the text
/// that the ranges point into; else they point into the line itself. An error says what is wrong with the line.
pub(crate) fn cut<'a>(
    line: &'a str,
    delimiter: u8,
    ranges: &mut Vec<Range<usize>>,
    scratch: &'a mut String,
) -> Result<&'a str, &'static str> {
    ranges.clear();
    if !line.contains('"') {
        let mut from = 0;
        for (at, _) in line.bytes().enumerate().filter(|(_, byte)| *byte == delimiter) {
            ranges.push(from..at);
            from = at + 1;
        }
        ranges.push(from..line.len());
        return Ok(line);
    }
    scratch.clear();
    let delimiter = char::from(delimiter);
    let mut rest = line;
    loop {
        let from = scratch.len();
        rest = if let Some(quoted) = rest.strip_prefix('"') {
            unquote(quoted, scratch)?
        } else {
            let end = rest.find(delimiter).unwrap_or(rest.len());
            scratch.push_str(&rest[..end]);
            &rest[end..]
        };
        ranges.push(from..scratch.len());
        match rest.strip_prefix(delimiter) {
            Some(next) => rest = next,
            None if rest.is_empty() => return Ok(scratch),
            None => return Err("has text after a closing quote; double the quotes inside a field"),
        }
    }
}

fn unquote<'a>(mut rest: &'a str, scratch: &mut String) -> Result<&'a str, &'static str> {
    loop {
        let end = rest
            .find('"')
            .ok_or("has a quote that is never closed; close it, or double the quotes inside")?;
        scratch.push_str(&rest[..end]);
        rest = &rest[end + 1..];
        match rest.strip_prefix('"') {
            Some(next) => {
                scratch.push('"');
                rest = next;
            }
            None => return Ok(rest),
        }
    }
}

#[cfg(test)]
mod tests;
