//! What judging looks up of a site: names, meters, sources and replacements.

use super::Conn;
use super::decode::Reading;
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::declare::{self, Declarations, Meter, Replacement, Source};
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::Ts;
use futures::TryStreamExt as _;
use std::collections::{BTreeMap, BTreeSet};

const NAMES: &str = "SELECT machine, name FROM machine_name WHERE site = $1";
const METERS: &str = "SELECT number, machine, key, kind, feed, max_per_hour FROM meter WHERE site = $1";
const REPLACEMENTS: &str = "SELECT meter, at, closing, opening FROM replacement WHERE site = $1";
const SOURCES: &str = "SELECT name, rank, feeds FROM source WHERE site = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[NAMES, METERS, REPLACEMENTS, SOURCES];

/// Loads a site's declarations.
pub(super) async fn load(conn: &mut Conn, site: SiteId) -> Result<Declarations> {
    let site = i64::from(site.0);
    let names = load_names(conn, site).await?;
    let meters = load_meters(conn, site).await?;
    let sources = load_sources(conn, site).await?;
    Declarations::of(names, meters, sources).map_err(|taken| StoreError::Corrupt {
        table: "machine_name",
        column: "machine",
        row: taken.name,
    })
}

/// What is to be said of those of the sources that are not declared where others are.
pub(super) async fn of_undeclared(
    conn: &mut Conn,
    site: SiteId,
    sources: &BTreeSet<ForeignName>,
) -> Result<Vec<String>> {
    let declared = load_sources(conn, i64::from(site.0)).await?.into_iter().collect();
    Ok(sources.iter().filter_map(|source| declare::of_undeclared(source, &declared)).collect())
}

async fn load_sources(conn: &mut Conn, site: i64) -> Result<Vec<(ForeignName, Source)>> {
    let mut sources = Vec::new();
    for row in &sqlx::query(SOURCES).bind(site).fetch_all(conn).await? {
        let mut row = Reading::new(row, "source");
        let name = row.text("name", ForeignName::new)?;
        let rank: Option<i64> = row.next()?;
        let rank = rank.map(|rank| u32::try_from(rank).map_err(|_| row.corrupt("rank", rank))).transpose()?;
        sources.push((name, Source { rank, feeds: row.word_or_none("feeds")? }));
    }
    Ok(sources)
}

/// The names by which machines are known. Row by row: a site may have hundreds of thousands of machines, and rows take several
/// times what is kept of them.
async fn load_names(conn: &mut Conn, site: i64) -> Result<Vec<(String, MachineId)>> {
    let mut names = Vec::new();
    let mut rows = sqlx::query(NAMES).bind(site).fetch(conn);
    while let Some(row) = rows.try_next().await? {
        let mut row = Reading::new(&row, "machine_name");
        let machine = MachineId(row.next()?);
        names.push((row.next()?, machine));
    }
    Ok(names)
}

async fn load_meters(conn: &mut Conn, site: i64) -> Result<Vec<Meter>> {
    let mut replaced: BTreeMap<MeterId, Vec<Replacement>> = BTreeMap::new();
    for row in &sqlx::query(REPLACEMENTS).bind(site).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "replacement");
        let meter = MeterId(row.next()?);
        let (at, closing, opening) = (Ts(row.next()?), Amount(row.next()?), Amount(row.next()?));
        replaced.entry(meter).or_default().push(Replacement { at, closing, opening });
    }
    // Nearly all meters have one of a few keys: equal ones share their text.
    let mut keys: BTreeSet<Key> = BTreeSet::new();
    let mut meters = Vec::new();
    let mut rows = sqlx::query(METERS).bind(site).fetch(conn);
    while let Some(row) = rows.try_next().await? {
        let mut row = Reading::new(&row, "meter");
        let id = MeterId(row.next()?);
        let machine = MachineId(row.next()?);
        let key = row.text("key", Key::new)?;
        if !keys.contains(&key) {
            keys.insert(key.clone());
        }
        meters.push(Meter {
            id,
            machine,
            key: keys.get(&key).cloned().unwrap_or(key),
            kind: row.word("kind")?,
            feed: row.word("feed")?,
            max: MaxPerHour(row.next()?),
            replacements: replaced.remove(&id).unwrap_or_default(),
        });
    }
    Ok(meters)
}
