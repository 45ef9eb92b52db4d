//! One row of a push as text and as CSV: its line, what became of it, and for what needs a look the field, its value
//! and the remedy.

use super::row::{Column, Columns, Row};
use crate::{
    render::{
        table::Table,
        words,
        wrap::{labelled, lines},
    },
    times::rfc3339,
};
use fettler_proto::v1 as pb;

/// The columns of the CSV form.
pub(crate) const HEADERS: [&str; 12] = [
    "line",
    "source",
    "report_id",
    "revision",
    "machine",
    "outcome",
    "became",
    "reason",
    "field",
    "value",
    "text",
    "left",
];

/// A thing to look at: the field as the file calls it, its value, and what is wrong with the remedy.
#[derive(Debug, Default, PartialEq, Eq)]
struct Finding {
    field: String,
    value: String,
    text: String,
}

fn findings(row: &Row, ack: &pb::Acknowledgement, columns: &Columns) -> Vec<Finding> {
    let mut found: Vec<Finding> = ack
        .problems
        .iter()
        .map(|problem| {
            let column = column_of_path(&problem.field);
            Finding {
                field: column
                    .map_or_else(|| problem.field.clone(), |column| name(column, &problem.field, columns)),
                value: column.map(|column| value(row, column)).unwrap_or_default(),
                text: problem.text.clone(),
            }
        })
        .collect();
    if let Some(reason) = &ack.reason {
        let column = column_of_code(reason.code());
        found.push(Finding {
            field: column.map(|column| name(column, "", columns)).unwrap_or_default(),
            value: column.map(|column| value(row, column)).unwrap_or_default(),
            text: reason.text.clone(),
        });
    }
    found
}

/// The header that the file has for a column; else the service's own path.
fn name(column: Column, path: &str, columns: &Columns) -> String {
    match columns.header(column) {
        "" => path.to_owned(),
        header => header.to_owned(),
    }
}

fn column_of_path(path: &str) -> Option<Column> {
    let path = path.strip_prefix("report.").unwrap_or(path);
    Some(match path {
        "machine" => Column::Machine,
        "report_id" => Column::Report,
        "revision" => Column::Revision,
        "meter" => Column::Meter,
        "interval.start" => Column::Start,
        "interval.end" => Column::End,
        "interval.amount" => Column::Hours,
        "interval.unit" | "reading.unit" => Column::Unit,
        "reading.value" => Column::Reading,
        "reading.at" => Column::At,
        _ => return None,
    })
}

fn column_of_code(code: pb::HeldCode) -> Option<Column> {
    Some(match code {
        pb::HeldCode::Unspecified => return None,
        pb::HeldCode::UnknownMachine => Column::Machine,
        pb::HeldCode::UnknownMeter | pb::HeldCode::WrongKind => Column::Meter,
        pb::HeldCode::Impossible | pb::HeldCode::MoreThanTime => Column::Hours,
        pb::HeldCode::Overlap | pb::HeldCode::Conflict => Column::Start,
        pb::HeldCode::SameRevision => Column::Revision,
        pb::HeldCode::Future => Column::End,
        pb::HeldCode::Fell => Column::Reading,
    })
}

fn value(row: &Row, column: Column) -> String {
    use pb::shift_report::Statement;
    let Ok(report) = &row.content else { return String::new() };
    let (interval, reading) = match &report.statement {
        Some(Statement::Interval(interval)) => (Some(interval), None),
        Some(Statement::Reading(reading)) => (None, Some(reading)),
        Some(Statement::Withdrawal(_)) | None => (None, None),
    };
    match column {
        Column::Machine => report.machine.clone(),
        Column::Report => report.report_id.clone(),
        Column::Revision => report.revision.to_string(),
        Column::Meter => report.meter.clone(),
        Column::Start => rfc3339(interval.and_then(|interval| interval.start.as_ref())),
        Column::End => rfc3339(interval.and_then(|interval| interval.end.as_ref())),
        Column::Hours => interval.map(|interval| interval.amount.clone()).unwrap_or_default(),
        Column::Unit => {
            let unit = interval.map(pb::IntervalStatement::unit).or(reading.map(pb::ReadingStatement::unit));
            unit.map(words::unit).unwrap_or_default().to_owned()
        }
        Column::Reading => reading.map(|reading| reading.value.clone()).unwrap_or_default(),
        Column::At => rfc3339(reading.and_then(|reading| reading.at.as_ref())),
        Column::Withdrawn => String::new(),
    }
}

fn became(ack: &pb::Acknowledgement) -> String {
    let outcome = words::outcome(ack.outcome());
    match words::report_state(ack.became()) {
        "" => outcome.to_owned(),
        state => format!("{outcome} of one that is {state}"),
    }
}

/// A row that needs a look, for people.
pub(crate) fn text(row: &Row, ack: &pb::Acknowledgement, columns: &Columns, width: usize) -> String {
    let id = match &row.content {
        Ok(report) if !report.report_id.is_empty() => format!(", report {}", report.report_id),
        Ok(_) | Err(_) => String::new(),
    };
    let mut out = String::new();
    for line in lines(&format!("{}{id}: {}", row.whereabouts(), became(ack)), width) {
        out.push_str(&line);
        out.push('\n');
    }
    for finding in findings(row, ack, columns) {
        // The text quotes the value itself where it was read here; it is not said twice.
        let quoted = format!("`{}`", finding.value);
        let said = if finding.value.is_empty() || finding.text.contains(&quoted) {
            finding.text
        } else {
            format!("{quoted}: {}", finding.text)
        };
        out.push_str(&labelled(2, &finding.field, finding.field.chars().count().max(10) + 2, &said, width));
    }
    out
}

/// A row as CSV cells.
pub(crate) fn cells(row: &Row, ack: &pb::Acknowledgement, columns: &Columns) -> [String; 12] {
    let reference = ack.report.clone().unwrap_or_default();
    let found = findings(row, ack, columns);
    let joined = |pick: fn(&Finding) -> &str| {
        found.iter().map(pick).filter(|text| !text.is_empty()).collect::<Vec<_>>().join("; ")
    };
    [
        row.place.as_deref().map_or_else(|| row.line.to_string(), str::to_owned),
        reference.source,
        reference.report_id,
        reference.revision.to_string(),
        row.content.as_ref().map(|report| report.machine.clone()).unwrap_or_default(),
        words::outcome(ack.outcome()).to_owned(),
        words::report_state(ack.became()).to_owned(),
        ack.reason.as_ref().map(|reason| words::held_code(reason.code())).unwrap_or_default().to_owned(),
        joined(|finding| &finding.field),
        joined(|finding| &finding.value),
        joined(|finding| &finding.text),
        ack.left.clone(),
    ]
}

/// Acknowledgements of reports that stood in no file.
pub(crate) fn table_of(acks: &[pb::Acknowledgement]) -> Table {
    let mut table = Table::new(["source", "report_id", "revision", "outcome", "became", "reason", "text"]);
    for ack in acks {
        let reference = ack.report.clone().unwrap_or_default();
        let problems = ack.problems.iter().map(|problem| format!("{}: {}", problem.field, problem.text));
        let texts: Vec<String> =
            ack.reason.iter().map(|reason| reason.text.clone()).chain(problems).collect();
        table.push([
            reference.source,
            reference.report_id,
            reference.revision.to_string(),
            words::outcome(ack.outcome()).to_owned(),
            words::report_state(ack.became()).to_owned(),
            ack.reason.as_ref().map(|reason| words::held_code(reason.code())).unwrap_or_default().to_owned(),
            texts.join("; "),
        ]);
    }
    table
}
