//! A table's lines as shift reports, by a mapping.

use super::{
    amount,
    facts::{Fact, Facts, Shared},
    report_id,
    table_form::{OtherMachines, Part, Skip, TableForm},
    wall::{self, Said},
};
use crate::{
    exit::Failure,
    push::{
        input::{Batch, Line, Lines},
        row::{Column, Columns, Row, cut, problem},
    },
    times,
};
use chrono::{DateTime, Days, NaiveDate, Utc};
use fettler_domain::quantity::Unit;
use fettler_proto::v1 as pb;
use std::{collections::BTreeMap, ops::Range};
use tokio::sync::mpsc;

/// A file whose columns are found: its lines, and how they are read.
pub(crate) struct Table {
    lines: Lines,
    reader: Reader,
}

/// How the lines of one file are read.
struct Reader {
    form: TableForm,
    file: String,
    places: BTreeMap<Part, Vec<usize>>,
    skips: Vec<(Skip, Option<usize>)>,
    width: usize,
    ended: bool,
}

/// Opens a file at its first row: its header is read, and every column of the mapping is there.
pub(crate) fn open(form: &TableForm, file: &str, mut lines: Lines) -> Result<Table, Failure> {
    let cannot = |error: std::io::Error| Failure::usage(format!("cannot read `{file}`: {error}"));
    lines.skip(form.skip_lines).map_err(cannot)?;
    let found = match &form.headers {
        Some(headers) => found(form, &headers.iter().map(String::as_str).collect::<Vec<_>>()),
        None => lines.header(form.delimiter, |headers| found(form, headers)),
    };
    let (places, skips, width) = found.map_err(|failure| match failure {
        Failure::Usage(complaint) => Failure::Usage(crate::exit::Complaint {
            message: format!("{file}: {}", complaint.message),
            ..complaint
        }),
        other @ (Failure::Refused(_)
        | Failure::NotReachable(_)
        | Failure::Interrupted
        | Failure::BrokenPipe) => other,
    })?;
    Ok(Table {
        lines,
        reader: Reader { form: form.clone(), file: file.to_owned(), places, skips, width, ended: false },
    })
}

type Found = (BTreeMap<Part, Vec<usize>>, Vec<(Skip, Option<usize>)>, usize);

fn found(form: &TableForm, headers: &[&str]) -> Result<Found, Failure> {
    let place = |name: &str| {
        let mut at =
            headers.iter().enumerate().filter(|(_, header)| header.trim().eq_ignore_ascii_case(name.trim()));
        match (at.next(), at.next()) {
            (Some((at, _)), None) => Ok(at),
            (Some(_), Some(_)) => {
                Err(Failure::usage(format!("the header `{name}` stands twice; rename one")))
            }
            (None, _) => {
                Err(Failure::usage(format!("there is no column `{name}`; there are: {}", headers.join(", ")))
                    .with_hint(
                        "name the right one in the mapping; skip_lines and delimiter say where the header is",
                    ))
            }
        }
    };
    let mut places = BTreeMap::new();
    for (part, names) in &form.columns {
        places.insert(*part, names.iter().map(|name| place(name)).collect::<Result<Vec<_>, _>>()?);
    }
    let mut skips = Vec::new();
    for skip in &form.skip {
        let column = match skip {
            Skip::LineStartsWith(_) => None,
            Skip::Is(column, _) | Skip::StartsWith(column, _) => Some(place(column)?),
        };
        skips.push((skip.clone(), column));
    }
    Ok((places, skips, headers.len()))
}

/// The headers of a mapping, by which answers of the service name their columns.
pub(crate) fn headers(form: &TableForm) -> Columns {
    let known = [
        (Part::Machine, Column::Machine),
        (Part::Meter, Column::Meter),
        (Part::Report, Column::Report),
        (Part::Revision, Column::Revision),
        (Part::Start, Column::Start),
        (Part::End, Column::End),
        (Part::Amount, Column::Hours),
        (Part::Reading, Column::Reading),
        (Part::At, Column::At),
        (Part::Withdrawn, Column::Withdrawn),
    ];
    let named =
        known.into_iter().filter_map(|(part, column)| Some((column, form.columns.get(&part)?.join(" + "))));
    Columns::headed(named.collect())
}

impl Table {
    /// Reads the rows on a thread of their own; what is passed over is counted in `facts`.
    pub(crate) fn rows(self, facts: Shared) -> mpsc::Receiver<Batch> {
        let mut reader = self.reader;
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        self.lines.rows_by(move |number, line| {
            reader.row(number, &line, (&mut ranges, &mut scratch), &mut facts.lock())
        })
    }
}

/// A line cut into cells, as far as the mapping looks at them.
struct Cells<'a> {
    reader: &'a Reader,
    text: &'a str,
    ranges: &'a [Range<usize>],
    place: &'a str,
}

impl Reader {
    fn row(
        &mut self,
        number: u64,
        line: &Line<'_>,
        (ranges, scratch): (&mut Vec<Range<usize>>, &mut String),
        facts: &mut Facts,
    ) -> Option<Row> {
        facts.count(Fact::Lines);
        let place = format!("{}, line {number}", self.file);
        let refused = |what: &str| Row {
            line: number,
            place: Some(place.as_str().into()),
            content: Err(vec![problem("line", format!("the line {what}"))]),
        };
        let text = match line {
            Line::Text(text) => *text,
            Line::Unreadable(what) => return Some(refused(what)),
        };
        self.ended |= self.form.ends_at.as_deref().is_some_and(|start| text.starts_with(start));
        let starts =
            |skip: &Skip| matches!(skip, Skip::LineStartsWith(start) if text.starts_with(start.as_str()));
        if self.ended || self.skips.iter().any(|(skip, _)| starts(skip)) {
            facts.count(Fact::Skipped);
            return None;
        }
        let text = match cut(text, self.form.delimiter, ranges, scratch) {
            Ok(text) => text,
            Err(what) => return Some(refused(what)),
        };
        let cells = Cells { reader: self, text, ranges, place: &place };
        if cells.is_skipped() {
            facts.count(Fact::Skipped);
            return None;
        }
        if ranges.len() != self.width {
            return Some(refused(&format!(
                "has {} of the header's {} cells; mend it, put a cell with the delimiter in it into quotes, or leave it out \
                 by a [[skip]] of the mapping",
                ranges.len(),
                self.width
            )));
        }
        let Some(machine) = cells.machine() else {
            facts.count(Fact::OtherMachine);
            return None;
        };
        Some(Row { line: number, place: Some(place.as_str().into()), content: cells.report(machine, facts) })
    }
}

type Problems = Vec<pb::FieldProblem>;

impl<'a> Cells<'a> {
    fn at(&self, column: usize) -> &'a str {
        self.ranges.get(column).map_or("", |range| self.text[range.clone()].trim())
    }

    fn is_skipped(&self) -> bool {
        self.reader.skips.iter().any(|(skip, column)| match (skip, column) {
            (Skip::Is(_, is), Some(column)) => self.at(*column) == is,
            (Skip::StartsWith(_, start), Some(column)) => self.at(*column).starts_with(start.as_str()),
            _ => false,
        })
    }

    /// What a part says: its cells with a blank between, or the mapping's constant.
    fn said(&self, part: Part) -> String {
        match self.reader.places.get(&part) {
            Some(places) => {
                let cells: Vec<&str> =
                    places.iter().map(|place| self.at(*place)).filter(|cell| !cell.is_empty()).collect();
                cells.join(" ")
            }
            None => self.reader.form.constant.get(&part).cloned().unwrap_or_default(),
        }
    }

    fn header(&self, part: Part) -> String {
        self.reader.form.columns.get(&part).map(|names| names.join(" + ")).unwrap_or_default()
    }

    /// The machine as the service knows it; none when its rows are left out.
    fn machine(&self) -> Option<String> {
        let name = self.said(Part::Machine);
        match self.reader.form.machines.get(&name) {
            Some(machine) => Some(machine.clone()),
            None if self.reader.form.other_machines == OtherMachines::LeaveOut => None,
            None => Some(name),
        }
    }

    fn report(&self, machine: String, facts: &mut Facts) -> Result<pb::ShiftReport, Problems> {
        let mut problems = Problems::new();
        if machine.is_empty() {
            problems
                .push(problem(&self.header(Part::Machine), "is empty; write the machine's name".to_owned()));
        }
        let revision = self.revision(&mut problems);
        let (statement, from) = self.statement(&mut problems, facts);
        let report_id = self.report_id(from, &mut problems);
        if !problems.is_empty() {
            return Err(problems);
        }
        Ok(pb::ShiftReport {
            source: self.reader.form.source.clone(),
            report_id,
            revision,
            machine,
            meter: self.said(Part::Meter),
            statement,
        })
    }

    /// The source's own name for the report; else machine and meter as they are called there, and the time.
    fn report_id(&self, from: Option<DateTime<Utc>>, problems: &mut Problems) -> String {
        if let Some(places) = self.reader.places.get(&Part::Report) {
            let cells: Vec<&str> = places.iter().map(|place| self.at(*place)).collect();
            if cells.iter().all(|cell| cell.is_empty()) {
                problems.push(problem(
                    &self.header(Part::Report),
                    "is empty; write what names the report".to_owned(),
                ));
            }
            return report_id(&cells);
        }
        let from = from.map(|at| times::rfc3339(Some(&times::to_wire(at)))).unwrap_or_default();
        report_id(&[&self.said(Part::Machine), &self.said(Part::Meter), &from])
    }

    fn revision(&self, problems: &mut Problems) -> u32 {
        let text = self.said(Part::Revision);
        if text.is_empty() {
            return self.reader.form.revision;
        }
        text.parse().unwrap_or_else(|_| {
            let told = format!("`{text}` is not a revision; write a whole number from 0 on");
            problems.push(problem(&self.header(Part::Revision), told));
            0
        })
    }

    fn statement(
        &self,
        problems: &mut Problems,
        facts: &mut Facts,
    ) -> (Option<pb::shift_report::Statement>, Option<DateTime<Utc>>) {
        use pb::shift_report::Statement;
        if self.is_withdrawn(problems) {
            let named = self.reader.places.contains_key(&Part::Report);
            if !named {
                let told = "takes a report back, and no column `report` says which".to_owned();
                problems.push(problem(&self.header(Part::Withdrawn), told));
            }
            return (Some(Statement::Withdrawal(pb::WithdrawalStatement {})), None);
        }
        let (amount, value) = (self.said(Part::Amount), self.said(Part::Reading));
        if !amount.is_empty() && !value.is_empty() {
            let told =
                "the line states both a stretch and a counter's value; leave one of them empty".to_owned();
            problems.push(problem(&self.header(Part::Reading), told));
            return (None, None);
        }
        let unit = wire_unit(self.reader.form.amounts.unit()).into();
        let wire = |at: Option<DateTime<Utc>>| at.map(times::to_wire);
        if !value.is_empty() {
            let value = self.amount(Part::Reading, &value, problems);
            let at = self.instant(Part::At, problems, facts);
            return (Some(Statement::Reading(pb::ReadingStatement { at: wire(at), value, unit })), at);
        }
        let part = if self.reader.places.contains_key(&Part::Amount) { Part::Amount } else { Part::Reading };
        let amount = self.amount(part, &amount, problems);
        let (start, end) = self.stretch(problems, facts);
        let interval = pb::IntervalStatement { start: wire(start), end: wire(end), amount, unit };
        (Some(Statement::Interval(interval)), start)
    }

    fn is_withdrawn(&self, problems: &mut Problems) -> bool {
        let text = self.said(Part::Withdrawn);
        let is = |words: &[&str]| words.iter().any(|word| text.eq_ignore_ascii_case(word));
        if is(&["yes", "true", "1", "x"]) {
            return true;
        }
        if !is(&["", "no", "false", "0"]) {
            let told = format!("`{text}` is neither yes nor no; write one of them, or nothing");
            problems.push(problem(&self.header(Part::Withdrawn), told));
        }
        false
    }

    fn amount(&self, part: Part, text: &str, problems: &mut Problems) -> String {
        let form = &self.reader.form;
        match amount::read(text, form.amounts, form.signs) {
            Ok(amount) => amount::sent(amount, form.amounts.unit()),
            Err(told) => {
                problems.push(problem(&self.header(part), told));
                String::new()
            }
        }
    }

    fn local(&self, part: Part, problems: &mut Problems) -> Option<(String, Said)> {
        let text = self.said(part);
        match self.reader.form.wall.read(&text) {
            Ok(said) => Some((text, said)),
            Err(told) => {
                problems.push(problem(&self.header(part), told));
                None
            }
        }
    }

    fn settle(
        &self,
        part: Part,
        (text, said): &(String, Said),
        problems: &mut Problems,
        facts: &mut Facts,
    ) -> Option<DateTime<Utc>> {
        match self.reader.form.wall.settle(text, *said) {
            Ok(instant) => {
                if let Some(settled) = instant.settled {
                    facts.tell(Fact::Settled, format!("{}, {}", self.place, self.header(part)), settled);
                }
                Some(instant.at)
            }
            Err(told) => {
                problems.push(problem(&self.header(part), told));
                None
            }
        }
    }

    fn instant(&self, part: Part, problems: &mut Problems, facts: &mut Facts) -> Option<DateTime<Utc>> {
        let said = self.local(part, problems)?;
        self.settle(part, &said, problems, facts)
    }

    fn stretch(
        &self,
        problems: &mut Problems,
        facts: &mut Facts,
    ) -> (Option<DateTime<Utc>>, Option<DateTime<Utc>>) {
        let form = &self.reader.form;
        let has = |part| self.reader.places.contains_key(&part) || form.constant.contains_key(&part);
        if has(Part::Day) {
            let Some((start, end)) = self.shift(problems) else { return (None, None) };
            let start = self.settle(Part::Day, &start, problems, facts);
            return (start, self.settle(Part::Day, &end, problems, facts));
        }
        let (start, end) = (self.local(Part::Start, problems), self.local(Part::End, problems));
        let (Some(start), Some((text, end))) = (start, end) else { return (None, None) };
        let end = (text, wall::stretch(start.1, end, form.ends_next_day));
        let start = self.settle(Part::Start, &start, problems, facts);
        (start, self.settle(Part::End, &end, problems, facts))
    }

    /// The ends of a shift of a day; one that ends no later than it starts ends on the next day.
    fn shift(&self, problems: &mut Problems) -> Option<((String, Said), (String, Said))> {
        let form = &self.reader.form;
        let (day, name) = (self.said(Part::Day), self.said(Part::Shift));
        let hours = form.shifts.get(&name);
        if hours.is_none() {
            let known: Vec<&str> = form.shifts.keys().map(String::as_str).collect();
            let told = format!("`{name}` is no shift of the mapping; [shifts] names: {}", known.join(", "));
            problems.push(problem(&self.header(Part::Shift), told));
        }
        let day: Option<NaiveDate> = match wall::day(&day, form.days.as_deref()) {
            Ok(day) => Some(day),
            Err(told) => {
                problems.push(problem(&self.header(Part::Day), told));
                None
            }
        };
        let ((starts, ends), day) = (hours?, day?);
        let last = if ends <= starts { day.checked_add_days(Days::new(1))? } else { day };
        let said = |day: NaiveDate, time| (format!("{day} {time}"), Said::Local(day.and_time(time)));
        Some((said(day, *starts), said(last, *ends)))
    }
}

/// A unit as the wire has it.
pub(super) const fn wire_unit(unit: Unit) -> pb::Unit {
    match unit {
        Unit::Hours => pb::Unit::Hours,
        Unit::Cycles => pb::Unit::Cycles,
        Unit::Litres => pb::Unit::Litres,
    }
}

#[cfg(test)]
mod tests;
