//! Due calendars: secret addresses, and files.

use super::fields::{Fields, SHORT_MAX};
use super::people::Names;
use super::time::{stamp, stamp_of};
use crate::ics;
use fettler_domain::due_calendar::Entry;
use fettler_domain::error::Error;
use fettler_proto::v1;
use fettler_store::contract::{DueCalendarRecord, NewDueCalendar};
use std::collections::BTreeSet;

/// The most areas of one calendar.
const AREAS_MAX: usize = 20;

fn areas(fields: &mut Fields, areas: &[String]) -> BTreeSet<String> {
    let read = |fields: &mut Fields, area: &String| fields.required_line("", area, SHORT_MAX);
    fields.each("areas", areas, AREAS_MAX, read).into_iter().collect()
}

/// Reads which address to keep.
pub fn added(ask: &v1::AddDueCalendarRequest) -> Result<NewDueCalendar, Error> {
    let mut fields = Fields::new();
    let name = fields.name("name", &ask.name);
    let person = fields.optional_name("person", &ask.person);
    let areas = areas(&mut fields, &ask.areas);
    let hash = hex::decode(&ask.secret_sha256).ok().and_then(|bytes| <[u8; 32]>::try_from(bytes).ok());
    if hash.is_none() {
        fields.wrong("secret_sha256", "is no SHA-256; give 64 hexadecimal digits");
    }
    let read = name.zip(person).zip(hash);
    fields.finish(read.map(|((name, person), hash)| NewDueCalendar { name, hash, person, areas }))
}

/// Reads which address is meant.
pub fn number(number: i64) -> Result<i64, Error> {
    let mut fields = Fields::new();
    if number < 0 {
        fields.wrong(
            "number",
            format!("{number} is no due calendar's number; give the number that lists show"),
        );
    }
    fields.finish(Some(number))
}

/// Reads of which areas a file is to tell.
pub fn asked(ask: &v1::GetDueCalendarRequest) -> Result<BTreeSet<String>, Error> {
    let mut fields = Fields::new();
    let areas = areas(&mut fields, &ask.areas);
    fields.finish(Some(areas))
}

/// An address.
pub fn calendar(record: &DueCalendarRecord, names: &Names) -> v1::DueCalendar {
    v1::DueCalendar {
        number: record.number,
        name: record.name.clone(),
        person: names.of_some(record.person),
        areas: record.areas.iter().cloned().collect(),
        made_at: Some(stamp(record.made_at)),
        revoked_at: stamp_of(record.revoked_at),
    }
}

/// A calendar as a file.
pub fn file(name: &str, entries: &[(Entry, bool)]) -> v1::GetDueCalendarResponse {
    let count = |cancelled: bool| {
        let count = entries.iter().filter(|(_, is_cancelled)| *is_cancelled == cancelled).count();
        i32::try_from(count).unwrap_or(i32::MAX)
    };
    v1::GetDueCalendarResponse {
        ics: ics::write(name, entries),
        standing: count(false),
        cancelled: count(true),
    }
}
