//! People, and their names beside the numbers by which records know them.

use super::fields::Fields;
use super::time::{stamp, stamp_of};
use fettler_domain::error::Error;
use fettler_domain::ids::PersonId;
use fettler_domain::pin::{Hearing, Known, Wrong};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{Caller, PersonRecord};
use std::collections::BTreeMap;

/// Names of people by number. Who has none is one whose name was erased, and is told by the number.
#[derive(Clone, Debug, Default)]
pub struct Names(BTreeMap<PersonId, Name>);

impl Names {
    /// These names.
    pub fn new(names: BTreeMap<PersonId, Name>) -> Names {
        Names(names)
    }

    /// A person's name.
    pub fn of(&self, person: PersonId) -> String {
        self.0.get(&person).map_or_else(|| format!("person {person}, erased"), Name::to_string)
    }

    /// A person's name; empty when nobody is meant.
    pub fn of_some(&self, person: Option<PersonId>) -> String {
        person.map(|person| self.of(person)).unwrap_or_default()
    }
}

/// Reads who is meant.
pub fn named(name: &str) -> Result<Name, Error> {
    let mut fields = Fields::new();
    let name = fields.name("name", name);
    fields.finish(name)
}

/// Whose name is to be erased, who decides it, and why.
pub struct Erasing {
    /// The name.
    pub name: Name,
    /// Who decides.
    pub by: Name,
    /// Why; empty for nothing said.
    pub note: String,
}

/// Reads whose name is to be erased.
pub fn erasing(ask: &v1::ErasePersonRequest) -> Result<Erasing, Error> {
    let mut fields = Fields::new();
    let (name, by) = (fields.name("name", &ask.name), fields.name("by", &ask.by));
    let note = fields.note("note", &ask.note);
    fields.finish(name.zip(by).zip(note).map(|((name, by), note)| Erasing { name, by, note }))
}

/// Refuses a PIN for somebody else, but from a manager. Who is known by PIN or own token is the person it is for.
pub fn may_set_pin(caller: &Caller) -> Result<(), Error> {
    if caller.as_manager || caller.person.is_some() {
        return Ok(());
    }
    let text = "a PIN is set by a manager, or by the person themself with the PIN so far (metadata `fettler-pin`) or a token of their \
                own; ask a manager for the first one";
    Err(Error::NotAllowed { reason: "MANAGER_ONLY", subject: "the PIN".into(), text: text.into() })
}

/// How a person was known in whose name something was said.
pub fn known_by(person: Option<PersonId>, known: Option<Known>) -> v1::KnownBy {
    match (person, known) {
        (None, _) => v1::KnownBy::Unspecified,
        (Some(_), None) => v1::KnownBy::Name,
        (Some(_), Some(Known::Pin)) => v1::KnownBy::Pin,
        (Some(_), Some(Known::OwnToken)) => v1::KnownBy::OwnToken,
    }
}

/// A person, as they stand at `now`.
pub fn person(record: &PersonRecord, now: Ts) -> v1::Person {
    let wrong = Wrong { count: record.wrong_pins, last: record.wrong_pin_at };
    let paused = match wrong.hearing(now) {
        Hearing::Pausing(until) => Some(until),
        Hearing::Open | Hearing::Shut => None,
    };
    v1::Person {
        number: record.person.0,
        name: record.name.as_ref().map(Name::to_string).unwrap_or_default(),
        added_at: Some(stamp(record.added_at)),
        pin_set_at: stamp_of(record.pin_set_at),
        wrong_pins: i32::try_from(record.wrong_pins).unwrap_or(i32::MAX),
        pin_paused_until: stamp_of(paused),
    }
}
