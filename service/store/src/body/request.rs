//! Idempotency: a request id stands for one request, and what it brought about is found again by it.

use super::Conn;
use super::decode::Reading;
use crate::contract::{Caller, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use serde::de::DeserializeOwned;

/// How long a request id is kept, in microseconds: 30 days, so that a caller that was cut off over a shutdown of the
/// shop may still ask again.
const KEPT_MICROS: i64 = 30 * MICROS_PER_DAY;
/// How many expired ids one writing transaction clears at most.
const CLEARED_MAX: i64 = 64;

const FIND: &str =
    "SELECT digest, result, expires FROM request WHERE site = $1 AND token = $2 AND method = $3 AND id = $4";
const KEEP: &str = "INSERT INTO request (site, token, method, id, digest, result, leaf, expires) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (site, token, method, id) DO UPDATE \
    SET digest = excluded.digest, result = excluded.result, leaf = excluded.leaf, expires = excluded.expires";
const CLEAR: &str = "DELETE FROM request WHERE (site, token, method, id) IN \
    (SELECT site, token, method, id FROM request WHERE expires < $1 ORDER BY expires LIMIT $2)";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[FIND, KEEP, CLEAR];

/// How long a request id is to be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Keep {
    /// For 30 days.
    AWhile,
    /// For ever: what it brought about must never be done twice.
    ForEver,
}

/// What the caller's request id brought about before, if it was used; none without an id.
pub(super) async fn find<T: DeserializeOwned>(
    conn: &mut Conn,
    site: SiteId,
    caller: &Caller,
) -> Result<Option<T>> {
    let Some(request) = &caller.request else { return Ok(None) };
    let row = sqlx::query(FIND)
        .bind(i64::from(site.0))
        .bind(caller.token.map_or(0, |token| token.0))
        .bind(caller.method)
        .bind(request.id.as_str())
        .fetch_optional(conn)
        .await?;
    let Some(row) = row else { return Ok(None) };
    let mut row = Reading::new(&row, "request");
    let digest = row.hash("digest")?;
    let result: &str = row.next()?;
    let expires: Option<i64> = row.next()?;
    if expires.is_some_and(|expires| Ts(expires) < caller.now) {
        return Ok(None);
    }
    if digest != request.digest {
        return Err(StoreError::Refused(Error::RequestReused(request.id.clone())));
    }
    serde_json::from_str(result).map(Some).map_err(|_| row.corrupt("result", result))
}

/// Keeps what the caller's request id brought about.
pub(super) async fn keep(
    conn: &mut Conn,
    site: SiteId,
    caller: &Caller,
    result: &str,
    leaf: Option<i64>,
    how_long: Keep,
) -> Result<()> {
    let Some(request) = &caller.request else { return Ok(()) };
    let expires = match how_long {
        Keep::AWhile => Some(caller.now.plus_micros(KEPT_MICROS).0),
        Keep::ForEver => None,
    };
    sqlx::query(CLEAR).bind(caller.now.0).bind(CLEARED_MAX).execute(&mut *conn).await?;
    sqlx::query(KEEP)
        .bind(i64::from(site.0))
        .bind(caller.token.map_or(0, |token| token.0))
        .bind(caller.method)
        .bind(request.id.as_str())
        .bind(request.digest.as_slice())
        .bind(result)
        .bind(leaf)
        .bind(expires)
        .execute(conn)
        .await?;
    Ok(())
}
