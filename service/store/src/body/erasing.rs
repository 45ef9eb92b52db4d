//! Erasing a person's name. Records know people by number, so that what was done stands without it.

use super::journal::Fact;
use super::people::{known_person, numbered};
use super::request::Keep;
use super::tokens;
use super::tx::Tx;
use crate::contract::{PersonRecord, Result};
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::Kind;
use fettler_domain::text::Name;
use serde_json::{Map, Value};

/// The text that the leaf holds by its digest, with the salt that could prove a guess.
const SEALED: &str =
    "DELETE FROM sealed_note WHERE site = 0 AND leaf = (SELECT leaf FROM person WHERE number = $1)";
const PIN: &str = "DELETE FROM person_pin WHERE person = $1";
const NAME: &str = "UPDATE person SET name = NULL WHERE number = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[SEALED, PIN, NAME];

/// Erases a person's name; says how many tokens of theirs were taken back with it.
pub(super) async fn person(tx: &mut Tx, name: Name, by: Name, note: String) -> Result<(PersonRecord, u32)> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    if let Some((person, revoked)) = tx.replayed(SiteId::INSTALLATION).await? {
        return Ok((numbered(&mut tx.conn, person).await?, revoked));
    }
    let person = known_person(&mut tx.conn, "name", &name).await?;
    let by = known_person(&mut tx.conn, "by", &by).await?;
    if by == person {
        return Err(Error::invalid("by", "is the person who is to be erased; another decides that").into());
    }
    let fact = Fact {
        kind: Kind::PersonErased,
        subject: format!("people/{person}"),
        person: Some(by),
        after: Value::Object(Map::new()),
        before: None,
        sealed: (!note.is_empty()).then_some(("note", note)),
    };
    let leaf = tx.append(SiteId::INSTALLATION, fact)?;
    for statement in [SEALED, PIN, NAME] {
        sqlx::query(statement).bind(person.0).execute(&mut tx.conn).await?;
    }
    let revoked = tokens::revoke_all_of(tx, person).await?;
    tx.remember(SiteId::INSTALLATION, &(person, revoked), Some(leaf), Keep::AWhile).await?;
    Ok((numbered(&mut tx.conn, person).await?, revoked))
}
