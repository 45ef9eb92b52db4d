//! People and tokens of the installation.

use super::bulk::Bulk;
use super::decode::Reading;
use super::journal::Fact;
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, DbRow};
use crate::contract::{Page, PageAsk, PersonRecord, Result};
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use serde_json::Value;
use std::collections::BTreeMap;

const PERSON: &str = "SELECT number, name, added_at FROM person WHERE name = $1";
const PERSON_NUMBERED: &str = "SELECT number, name, added_at FROM person WHERE number = $1";
const ADD_PERSON: &str = "INSERT INTO person (number, name, added_at, leaf) VALUES ($1, $2, $3, $4)";
const PEOPLE: &str = "SELECT number, name, added_at FROM person WHERE name > $1 ORDER BY name LIMIT $2";
static NAMES: Bulk = Bulk::new(
    "WITH k(number) AS (VALUES",
    0,
    1,
    ") SELECT p.number, p.name FROM k CROSS JOIN person p WHERE p.number = k.number AND p.name IS NOT NULL",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![PERSON, PERSON_NUMBERED, ADD_PERSON, PEOPLE, NAMES.sample()]
}

fn record(row: &DbRow) -> Result<PersonRecord> {
    let mut row = Reading::new(row, "person");
    let person = PersonId(row.next()?);
    let name = row.text_or_none("name", Name::new)?;
    Ok(PersonRecord { person, name, added_at: Ts(row.next()?) })
}

/// Adds a person, or gives the one with that name.
pub(super) async fn add_person(tx: &mut Tx, name: Name) -> Result<PersonRecord> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    // A request id must not come to mean another name, though adding a person twice adds one.
    if let Some(PersonId(person)) = tx.replayed(SiteId::INSTALLATION).await? {
        return record(&sqlx::query(PERSON_NUMBERED).bind(person).fetch_one(&mut tx.conn).await?);
    }
    let (person, leaf) = person_named(tx, &name).await?;
    tx.remember(SiteId::INSTALLATION, &person.person, leaf, Keep::AWhile).await?;
    Ok(person)
}

/// The person with a name, added when there is none; then with the leaf that records it. The installation must have
/// been taken.
pub(super) async fn person_named(tx: &mut Tx, name: &Name) -> Result<(PersonRecord, Option<i64>)> {
    let row = sqlx::query(PERSON).bind(name.as_str()).fetch_optional(&mut tx.conn).await?;
    if let Some(row) = row {
        return Ok((record(&row)?, None));
    }
    let person = tx.head(SiteId::INSTALLATION)?.next_person();
    let fact = Fact {
        kind: Kind::PersonAdded,
        subject: format!("people/{person}"),
        person: None,
        after: Value::Object(serde_json::Map::new()),
        before: None,
        sealed: Some(("name", name.to_string())),
    };
    let leaf = tx.append(SiteId::INSTALLATION, fact)?;
    let added_at = tx.caller.now;
    sqlx::query(ADD_PERSON)
        .bind(person.0)
        .bind(name.as_str())
        .bind(added_at.0)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok((PersonRecord { person, name: Some(name.clone()), added_at }, Some(leaf)))
}

/// The person with a name, who must be known: a fact is never put down to a name that was mistyped.
pub(super) async fn known_person(conn: &mut Conn, field: &str, name: &Name) -> Result<PersonId> {
    let row = sqlx::query(PERSON).bind(name.as_str()).fetch_optional(conn).await?;
    match row {
        Some(row) => Ok(record(&row)?.person),
        None => Err(Error::invalid(
            field,
            format!(
                "`{name}` is not known; `fettler person add` adds a person, or use the name that is known"
            ),
        )
        .into()),
    }
}

/// People by name.
pub(super) async fn list(conn: &mut Conn, page: PageAsk<String>) -> Result<Page<PersonRecord, String>> {
    let rows = sqlx::query(PEOPLE)
        .bind(page.after.unwrap_or_default())
        .bind(i64::from(page.limit) + 1)
        .fetch_all(conn)
        .await?;
    let rows: Vec<PersonRecord> = rows.iter().map(record).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |person| person.name.as_ref().map(Name::to_string).unwrap_or_default()))
}

/// The names of people by number.
pub(super) async fn names(conn: &mut Conn, people: &[PersonId]) -> Result<BTreeMap<PersonId, Name>> {
    let rows = NAMES.fetch(conn, people, |q| q, |q, person| q.bind(person.0)).await?;
    rows.iter()
        .map(|row| {
            let mut row = Reading::new(row, "person");
            Ok((PersonId(row.next()?), row.text("name", Name::new)?))
        })
        .collect()
}
