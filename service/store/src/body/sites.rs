//! Sites and their calendars.

use super::decode::Reading;
use super::{Conn, DbRow};
use crate::contract::{Result, SiteRecord, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;

const ALL: &str = "SELECT number, card, calendar FROM site ORDER BY key";
const BY_KEY: &str = "SELECT number, card, calendar FROM site WHERE key = $1";
const BY_NUMBER: &str = "SELECT number, card, calendar FROM site WHERE number = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[ALL, BY_KEY, BY_NUMBER];

fn record(row: &DbRow) -> Result<SiteRecord> {
    let mut row = Reading::new(row, "site");
    Ok(SiteRecord {
        site: SiteId(row.number("number")?),
        card: row.json("card")?,
        calendar: row.json("calendar")?,
    })
}

/// All sites by key.
pub(super) async fn all(conn: &mut Conn) -> Result<Vec<SiteRecord>> {
    sqlx::query(ALL).fetch_all(conn).await?.iter().map(record).collect()
}

/// The site with a key.
pub(super) async fn by_key(conn: &mut Conn, key: &str) -> Result<Option<SiteRecord>> {
    sqlx::query(BY_KEY).bind(key).fetch_optional(conn).await?.as_ref().map(record).transpose()
}

/// The site with a number.
pub(super) async fn by_number(conn: &mut Conn, site: SiteId) -> Result<SiteRecord> {
    let row = sqlx::query(BY_NUMBER).bind(i64::from(site.0)).fetch_optional(conn).await?;
    row.as_ref().map(record).transpose()?.ok_or_else(|| {
        StoreError::Refused(Error::NotFound {
            kind: "site",
            name: site.to_string(),
            remedy: "declare it first".into(),
        })
    })
}
