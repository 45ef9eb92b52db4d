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
use fettler_domain::near;
use fettler_domain::pin::Unproven;
use fettler_domain::shop::SiteCard;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use serde_json::Value;
use std::collections::BTreeMap;

const PERSON: &str = "SELECT p.number, p.name, p.added_at, q.set_at, q.wrong, q.wrong_at FROM person p \
    LEFT JOIN person_pin q ON q.person = p.number WHERE p.name = $1";
const PERSON_NUMBERED: &str = "SELECT p.number, p.name, p.added_at, q.set_at, q.wrong, q.wrong_at FROM person p \
    LEFT JOIN person_pin q ON q.person = p.number WHERE p.number = $1";
const ADD_PERSON: &str = "INSERT INTO person (number, name, added_at, leaf) VALUES ($1, $2, $3, $4)";
const PEOPLE: &str = "SELECT p.number, p.name, p.added_at, q.set_at, q.wrong, q.wrong_at FROM person p \
    LEFT JOIN person_pin q ON q.person = p.number WHERE p.name > $1 ORDER BY p.name LIMIT $2";
const KNOWN: &str = "SELECT name FROM person WHERE name IS NOT NULL ORDER BY number";
const CARD: &str = "SELECT card FROM site WHERE number = $1";
static NAMES: Bulk = Bulk::new(
    "WITH k(number) AS (VALUES",
    0,
    1,
    ") SELECT p.number, p.name FROM k CROSS JOIN person p WHERE p.number = k.number AND p.name IS NOT NULL",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![PERSON, PERSON_NUMBERED, ADD_PERSON, PEOPLE, KNOWN, CARD, NAMES.sample()]
}

fn record(row: &DbRow) -> Result<PersonRecord> {
    let mut row = Reading::new(row, "person");
    let person = PersonId(row.next()?);
    let name = row.text_or_none("name", Name::new)?;
    let (added_at, pin_set_at) = (Ts(row.next()?), row.next::<Option<i64>>()?.map(Ts));
    let wrong: Option<i64> = row.next()?;
    let wrong_pins = u32::try_from(wrong.unwrap_or_default()).unwrap_or(u32::MAX);
    let wrong_pin_at = row.next::<Option<i64>>()?.map(Ts);
    Ok(PersonRecord { person, name, added_at, pin_set_at, wrong_pins, wrong_pin_at })
}

/// The person with a number.
pub(super) async fn numbered(conn: &mut Conn, person: PersonId) -> Result<PersonRecord> {
    record(&sqlx::query(PERSON_NUMBERED).bind(person.0).fetch_one(conn).await?)
}

/// Adds a person, or gives the one with that name.
pub(super) async fn add_person(tx: &mut Tx, name: Name) -> Result<(PersonRecord, bool)> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    // A request id must not come to mean another name, though adding a person twice adds one.
    if let Some((person, was_there)) = tx.replayed(SiteId::INSTALLATION).await? {
        return Ok((numbered(&mut tx.conn, person).await?, was_there));
    }
    nobody_looks_like(&mut tx.conn, "name", &name).await?;
    let (person, leaf) = person_named(tx, &name).await?;
    let was_there = leaf.is_none();
    tx.remember(SiteId::INSTALLATION, &(person.person, was_there), leaf, Keep::AWhile).await?;
    Ok((person, was_there))
}

/// Refuses a new name that cannot be told by eye from that of another person. All names are read: they are as few as people work
/// here, and one is added seldom.
pub(super) async fn nobody_looks_like(conn: &mut Conn, field: &str, name: &Name) -> Result<()> {
    let rows = sqlx::query(KNOWN).fetch_all(conn).await?;
    let known: Vec<Name> =
        rows.iter().map(|row| Reading::new(row, "person").text("name", Name::new)).collect::<Result<_>>()?;
    if known.contains(name) {
        return Ok(());
    }
    let looks = near::looks(name.as_str());
    match known.iter().find(|known| near::looks(known.as_str()).iter().any(|look| looks.contains(look))) {
        Some(other) => Err(Error::invalid(field, near::looks_like(name.as_str(), other.as_str())).into()),
        None => Ok(()),
    }
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
    let name = Some(name.clone());
    let record = PersonRecord { person, name, added_at, pin_set_at: None, wrong_pins: 0, wrong_pin_at: None };
    Ok((record, Some(leaf)))
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

/// The person with a name in which something is said at a site that is taken: known by PIN or own token where the site asks for
/// that. Who only asks what would come of it needs neither.
pub(super) async fn speaker(tx: &mut Tx, site: SiteId, field: &str, name: &Name) -> Result<PersonId> {
    let person = known_person(&mut tx.conn, field, name).await?;
    must_be_known(tx, site, field, name, person).await?;
    Ok(person)
}

/// Refuses a person who is only named, where the site asks for more.
pub(super) async fn must_be_known(
    tx: &mut Tx,
    site: SiteId,
    field: &str,
    name: &Name,
    person: PersonId,
) -> Result<()> {
    if tx.caller.known(person).is_some() || tx.only_validates() {
        return Ok(());
    }
    let row = sqlx::query(CARD).bind(i64::from(site.0)).fetch_one(&mut tx.conn).await?;
    let card: SiteCard = Reading::new(&row, "site").json("card")?;
    if card.asks_pin != Some(true) {
        return Ok(());
    }
    Err(Unproven::Needed { site: card.key.as_str() }.refusal(field, name.as_str()).into())
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
