//! Tokens: made, found by their hash, taken back.

use super::decode::Reading;
use super::journal::{Fact, digest_of, unfit};
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, DbRow};
use crate::contract::{NewToken, Page, PageAsk, Result, TokenRecord};
use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId, TokenId};
use fettler_domain::journal::{Hash, Kind};
use fettler_domain::time::Ts;
use serde_json::{Value, json};

const BY_HASH: &str = "SELECT number, name, roles, sites, made_at, expires_at, revoked_at, used_at, person, identity FROM token WHERE hash = $1";
const BY_NUMBER: &str = "SELECT number, name, roles, sites, made_at, expires_at, revoked_at, used_at, person, identity FROM token WHERE number = $1";
const LIST: &str = "SELECT number, name, roles, sites, made_at, expires_at, revoked_at, used_at, person, identity FROM token \
    WHERE number > $1 ORDER BY number LIMIT $2";
const ANY: &str = "SELECT number FROM token LIMIT 1";
const ADD: &str = "INSERT INTO token (number, name, hash, made_at, leaf, roles, sites, expires_at, person, \
    identity) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
const REVOKE: &str = "UPDATE token SET revoked_at = $2 WHERE number = $1";
const STANDING: &str = "SELECT number, name, roles, sites, made_at, expires_at, revoked_at, used_at, person, identity FROM token \
    WHERE person = $1 AND revoked_at IS NULL ORDER BY number";
const USED: &str = "UPDATE token SET used_at = $2 WHERE number = $1 AND (used_at IS NULL OR used_at < $2)";
/// What the journal says of a token: the bytes of the entry that made it.
const MADE: &str =
    "SELECT j.bytes FROM journal_leaf j JOIN token t ON j.number = t.leaf WHERE j.site = 0 AND t.number = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[BY_HASH, BY_NUMBER, LIST, ANY, ADD, REVOKE, STANDING, USED, MADE];

fn record(row: &DbRow) -> Result<TokenRecord> {
    let mut row = Reading::new(row, "token");
    let (token, name) = (TokenId(row.next()?), row.next()?);
    let (roles, sites): (String, String) = (row.next()?, row.next()?);
    let access = access(&roles, &sites).ok_or_else(|| row.corrupt("roles", format!("{roles} {sites}")))?;
    let (made_at, expires_at) = (Ts(row.next()?), row.next::<Option<i64>>()?.map(Ts));
    let (revoked_at, used_at) = (row.next::<Option<i64>>()?.map(Ts), row.next::<Option<i64>>()?.map(Ts));
    let (person, identity) = (row.next::<Option<i64>>()?.map(PersonId), row.next()?);
    Ok(TokenRecord { token, name, access, made_at, expires_at, revoked_at, used_at, person, identity })
}

fn access(roles: &str, sites: &str) -> Option<Access> {
    let roles: Vec<Role> = roles.split(' ').map(Role::from_word).collect::<Option<_>>()?;
    let number = |site: &str| site.parse().ok().map(SiteId);
    let scope = match sites {
        "" => Scope::Installation,
        sites => Scope::Sites(sites.split(' ').map(number).collect::<Option<_>>()?),
    };
    Access::new(roles, scope)
}

fn roles_of(access: &Access) -> Vec<&'static str> {
    access.roles().map(Role::word).collect()
}

/// The sites as numbers; none where all are meant.
fn sites_of(access: &Access) -> Option<Vec<u32>> {
    match &access.scope {
        Scope::Installation => None,
        Scope::Sites(sites) => Some(sites.iter().map(|site| site.0).collect()),
    }
}

/// The token with a hash.
pub(super) async fn by_hash(conn: &mut Conn, hash: &[u8; 32]) -> Result<Option<TokenRecord>> {
    sqlx::query(BY_HASH).bind(hash.as_slice()).fetch_optional(conn).await?.as_ref().map(record).transpose()
}

async fn by_number(conn: &mut Conn, token: TokenId) -> Result<TokenRecord> {
    let row = sqlx::query(BY_NUMBER).bind(token.0).fetch_optional(conn).await?;
    let missing = || Error::NotFound {
        kind: "token",
        name: token.to_string(),
        remedy: "`fettlerd token list` shows the tokens with their numbers".into(),
    };
    record(&row.ok_or_else(missing)?)
}

/// Whether any token was ever made.
pub(super) async fn any(conn: &mut Conn) -> Result<bool> {
    Ok(sqlx::query(ANY).fetch_optional(conn).await?.is_some())
}

/// Tokens by number.
pub(super) async fn list(conn: &mut Conn, page: PageAsk<i64>) -> Result<Page<TokenRecord, i64>> {
    let query = sqlx::query(LIST).bind(page.after.unwrap_or(0)).bind(i64::from(page.limit) + 1);
    let rows = query.fetch_all(conn).await?;
    let rows: Vec<TokenRecord> = rows.iter().map(record).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |token| token.token.0))
}

/// Keeps a new token's hash.
pub(super) async fn add(tx: &mut Tx, new: NewToken) -> Result<TokenRecord> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    if let Some(token) = tx.replayed(SiteId::INSTALLATION).await? {
        return by_number(&mut tx.conn, token).await;
    }
    if by_hash(&mut tx.conn, &new.hash).await?.is_some() {
        return Err(Error::invalid("token", "is kept already; make a new one").into());
    }
    let number = tx.head(SiteId::INSTALLATION)?.next_token();
    let sites = sites_of(&new.access);
    let mut after = json!({
        "name": new.name,
        "hash": Hash(new.hash).to_hex(),
        "roles": roles_of(&new.access),
        "sites": sites,
        "expires_at": new.expires_at.map(|at| at.0),
    });
    if let Some(person) = new.person {
        after["person"] = person.0.into();
    }
    if let Some(identity) = &new.identity {
        after["identity"] = identity.as_str().into();
    }
    let subject = format!("tokens/{number}");
    let fact = Fact { kind: Kind::TokenMade, subject, person: None, after, before: None, sealed: None };
    let leaf = tx.append(SiteId::INSTALLATION, fact)?;
    let sites: Vec<String> = sites.unwrap_or_default().iter().map(ToString::to_string).collect();
    sqlx::query(ADD)
        .bind(number.0)
        .bind(new.name.as_str())
        .bind(new.hash.as_slice())
        .bind(tx.caller.now.0)
        .bind(leaf)
        .bind(roles_of(&new.access).join(" "))
        .bind(sites.join(" "))
        .bind(new.expires_at.map(|at| at.0))
        .bind(new.person.map(|person| person.0))
        .bind(new.identity)
        .execute(&mut tx.conn)
        .await?;
    tx.remember(SiteId::INSTALLATION, &number, Some(leaf), Keep::AWhile).await?;
    by_number(&mut tx.conn, number).await
}

/// What the journal holds of a token since it was made.
async fn state(conn: &mut Conn, token: TokenId) -> Result<Value> {
    let row = sqlx::query(MADE).bind(token.0).fetch_one(conn).await?;
    let bytes: Vec<u8> = Reading::new(&row, "journal_leaf").next()?;
    let mut leaf: Value = serde_json::from_slice(&bytes).map_err(|error| unfit(&error))?;
    Ok(leaf["after"].take())
}

/// Takes a token back.
pub(super) async fn revoke(tx: &mut Tx, token: TokenId) -> Result<TokenRecord> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    let stands = by_number(&mut tx.conn, token).await?;
    if stands.revoked_at.is_some() {
        return Ok(stands);
    }
    take_back(tx, stands).await
}

/// Takes back all that stand for a person and were not yet; says how many. The installation must have been taken.
pub(super) async fn revoke_all_of(tx: &mut Tx, person: PersonId) -> Result<u32> {
    let rows = sqlx::query(STANDING).bind(person.0).fetch_all(&mut tx.conn).await?;
    let mut revoked = 0;
    for row in &rows {
        take_back(tx, record(row)?).await?;
        revoked += 1;
    }
    Ok(revoked)
}

async fn take_back(tx: &mut Tx, stands: TokenRecord) -> Result<TokenRecord> {
    let token = stands.token;
    let mut after = state(&mut tx.conn, token).await?;
    let before = Some(digest_of(&after)?);
    let now = tx.caller.now;
    after["revoked_at"] = now.0.into();
    let subject = format!("tokens/{token}");
    let fact = Fact { kind: Kind::TokenRevoked, subject, person: None, after, before, sealed: None };
    tx.append(SiteId::INSTALLATION, fact)?;
    sqlx::query(REVOKE).bind(token.0).bind(now.0).execute(&mut tx.conn).await?;
    Ok(TokenRecord { revoked_at: Some(now), ..stands })
}

/// Notes that a token was used.
pub(super) async fn used(tx: &mut Tx, token: TokenId, at: Ts) -> Result<()> {
    tx.forget_machines([]);
    sqlx::query(USED).bind(token.0).bind(at.0).execute(&mut tx.conn).await?;
    Ok(())
}
