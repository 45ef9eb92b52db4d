//! People, and their names beside the numbers by which records know them.

use super::fields::Fields;
use super::time::stamp;
use fettler_domain::error::Error;
use fettler_domain::ids::PersonId;
use fettler_domain::text::Name;
use fettler_proto::v1;
use fettler_store::contract::PersonRecord;
use std::collections::BTreeMap;

/// Names of people by number. A name that was erased is shown as the number.
#[derive(Clone, Debug, Default)]
pub struct Names(BTreeMap<PersonId, Name>);

impl Names {
    /// These names.
    pub fn new(names: BTreeMap<PersonId, Name>) -> Names {
        Names(names)
    }

    /// A person's name.
    pub fn of(&self, person: PersonId) -> String {
        self.0.get(&person).map_or_else(|| format!("person {person}"), Name::to_string)
    }

    /// A person's name; empty when nobody is meant.
    pub fn of_some(&self, person: Option<PersonId>) -> String {
        person.map(|person| self.of(person)).unwrap_or_default()
    }
}

/// Reads whom to add.
pub fn added(ask: &v1::AddPersonRequest) -> Result<Name, Error> {
    let mut fields = Fields::new();
    let name = fields.name("name", &ask.name);
    fields.finish(name)
}

/// A person.
pub fn person(record: &PersonRecord) -> v1::Person {
    v1::Person {
        number: record.person.0,
        name: record.name.as_ref().map(Name::to_string).unwrap_or_default(),
        added_at: Some(stamp(record.added_at)),
    }
}
