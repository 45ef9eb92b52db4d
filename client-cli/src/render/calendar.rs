//! Due calendars as rows.

use super::table::Table;
use crate::times::rfc3339;
use fettler_proto::v1 as pb;

/// Addresses as rows.
pub(crate) fn calendars(calendars: &[pb::DueCalendar]) -> Table {
    let mut table = Table::new(["number", "name", "person", "areas", "made_at", "revoked_at"]);
    for calendar in calendars {
        table.push(row(calendar));
    }
    table
}

fn row(calendar: &pb::DueCalendar) -> [String; 6] {
    let areas = if calendar.areas.is_empty() { "whole site".to_owned() } else { calendar.areas.join("; ") };
    [
        calendar.number.to_string(),
        calendar.name.clone(),
        calendar.person.clone(),
        areas,
        rfc3339(calendar.made_at.as_ref()),
        rfc3339(calendar.revoked_at.as_ref()),
    ]
}

/// An address that was made, as a row with itself.
pub(crate) fn made(answer: &pb::AddDueCalendarResponse, address: &str) -> Table {
    let mut table = Table::new(["number", "name", "person", "areas", "made_at", "address"]);
    if let Some(calendar) = &answer.calendar {
        let [number, name, person, areas, made_at, _] = row(calendar);
        table.push([number, name, person, areas, made_at, address.to_owned()]);
    }
    table
}
