//! PINs of people: kept by their hash, and the wrong ones counted.

use super::Conn;
use super::decode::Reading;
use super::journal::Fact;
use super::people::{known_person, numbered};
use super::request::Keep;
use super::tx::Tx;
use crate::contract::{PersonRecord, PinRecord, Result};
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::pin::Wrong;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use serde_json::json;

const PIN: &str = "SELECT p.number, q.hash, q.wrong, q.wrong_at FROM person p \
    LEFT JOIN person_pin q ON q.person = p.number WHERE p.name = $1";
const RIGHT: &str = "UPDATE person_pin SET wrong = 0, wrong_at = NULL WHERE person = $1";
const WRONG: &str = "UPDATE person_pin SET wrong = wrong + 1, wrong_at = $2 WHERE person = $1";
const SET: &str = "INSERT INTO person_pin (person, hash, set_at, leaf, wrong, wrong_at) VALUES ($1, $2, $3, $4, 0, NULL) \
    ON CONFLICT (person) DO UPDATE SET hash = excluded.hash, set_at = excluded.set_at, leaf = excluded.leaf, wrong = 0, \
    wrong_at = NULL";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[PIN, RIGHT, WRONG, SET];

/// What is kept of the PIN of the person with a name.
pub(super) async fn of(conn: &mut Conn, name: &Name) -> Result<Option<PinRecord>> {
    let Some(row) = sqlx::query(PIN).bind(name.as_str()).fetch_optional(conn).await? else { return Ok(None) };
    let mut row = Reading::new(&row, "person_pin");
    let (person, hash) = (PersonId(row.next()?), row.next()?);
    let count = u32::try_from(row.next::<Option<i64>>()?.unwrap_or_default()).unwrap_or(u32::MAX);
    let last = row.next::<Option<i64>>()?.map(Ts);
    Ok(Some(PinRecord { person, hash, wrong: Wrong { count, last } }))
}

/// Notes that a PIN was right or wrong.
pub(super) async fn note(tx: &mut Tx, person: PersonId, right: bool, at: Ts) -> Result<()> {
    tx.forget_machines([]);
    let query =
        if right { sqlx::query(RIGHT).bind(person.0) } else { sqlx::query(WRONG).bind(person.0).bind(at.0) };
    query.execute(&mut tx.conn).await?;
    Ok(())
}

/// Gives a person a PIN.
pub(super) async fn set(tx: &mut Tx, name: Name, hash: String) -> Result<PersonRecord> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    if let Some(person) = tx.replayed(SiteId::INSTALLATION).await? {
        return numbered(&mut tx.conn, person).await;
    }
    let person = known_person(&mut tx.conn, "name", &name).await?;
    let fact = Fact {
        kind: Kind::PinSet,
        subject: format!("people/{person}"),
        person: tx.caller.known(person).map(|_| person),
        after: json!({ "pin_set_at": tx.caller.now.0 }),
        before: None,
        sealed: None,
    };
    let leaf = tx.append(SiteId::INSTALLATION, fact)?;
    let (number, now) = (person.0, tx.caller.now.0);
    sqlx::query(SET).bind(number).bind(hash).bind(now).bind(leaf).execute(&mut tx.conn).await?;
    tx.remember(SiteId::INSTALLATION, &person, Some(leaf), Keep::AWhile).await?;
    numbered(&mut tx.conn, person).await
}
