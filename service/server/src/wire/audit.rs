//! The audit.

use super::fields::{Fields, SHORT_MAX};
use super::order::closed;
use super::people::Names;
use super::reading;
use super::time::stamp_of;
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::PersonId;
use fettler_domain::text::{Key, Name};
use fettler_proto::v1;
use fettler_store::contract::{AuditFilter, Audited, KeptReading};

/// What is asked for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// What the store narrows down.
    pub filter: AuditFilter,
    /// Who did it, by name.
    pub by: Option<Name>,
    /// The same, by number.
    pub person: Option<PersonId>,
    /// Only what was late.
    pub late: bool,
}

/// Reads what is asked for.
pub fn wanted(ask: &v1::ExportClosingsRequest) -> Result<Wanted, Error> {
    let mut fields = Fields::new();
    let machine = fields.optional_foreign("machine", &ask.machine);
    let task = fields.optional_key("task", &ask.task);
    let area = fields.line("area", &ask.area, SHORT_MAX);
    let by = fields.optional_name("by", &ask.by);
    let from = fields.optional_instant("from", ask.from.as_ref());
    let until = fields.optional_instant("until", ask.until.as_ref());
    if let (Some(Some(from)), Some(Some(until))) = (from, until)
        && until <= from
    {
        fields.wrong("until", format!("{until} is not after {from}; give a later instant"));
    }
    let all = machine.zip(task).zip(area).zip(by).zip(from).zip(until);
    fields.finish(all.map(|(((((machine, task), area), by), from), until)| Wanted {
        filter: AuditFilter {
            machine: machine.map(|machine| machine.to_string()),
            task,
            area: (!area.is_empty()).then_some(area),
            from,
            until,
            undone: ask.undone,
        },
        by,
        person: None,
        late: ask.late,
    }))
}

/// The people whom a row names.
pub fn people_of(row: &Audited) -> Vec<PersonId> {
    let record = &row.view.record;
    let undone = record.undone.as_ref().map(|undone| undone.by);
    let own = [record.done_by, record.entered_by].into_iter().chain(record.second_person).chain(undone);
    own.chain(row.readings.iter().flat_map(reading::people_of)).collect()
}

/// A closing with all that belongs to it.
pub fn row(row: &Audited, names: &Names, calendar: &Calendar) -> v1::AuditRow {
    let view = &row.view;
    let (record, met) = (&view.record, view.satisfied.as_ref());
    let due = record.due(met);
    let read = |kept: &KeptReading| v1::AuditReading {
        reading: Some(reading::reading(kept, names)),
        limits: kept.record.limits.to_string(),
    };
    v1::AuditRow {
        closing: Some(closed(view, names, calendar)),
        machine: row.machine.to_string(),
        area: row.area.clone(),
        task: row.task.as_ref().map(Key::to_string).unwrap_or_default(),
        title: row.title.to_string(),
        days_from_due: due.map(|due| record.days_from(due, calendar)),
        late: record.is_late(met),
        due: stamp_of(due),
        readings: row.readings.iter().map(read).collect(),
    }
}
