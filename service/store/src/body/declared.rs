//! What judging looks up of a site: names, meters, sources and replacements.

use super::Conn;
use super::decode::Reading;
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::declare::{Declarations, Meter, Replacement, Source};
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::Ts;
use futures::TryStreamExt as _;
use std::collections::BTreeMap;

const NAMES: &str = "SELECT machine, name FROM machine_name WHERE site = $1";
const METERS: &str = "SELECT number, machine, key, kind, feed, max_per_hour FROM meter WHERE site = $1";
const REPLACEMENTS: &str = "SELECT meter, at, closing, opening FROM replacement WHERE site = $1";
const SOURCES: &str = "SELECT name, rank, feeds FROM source WHERE site = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[NAMES, METERS, REPLACEMENTS, SOURCES];

/// Loads a site's declarations.
pub(super) async fn load(conn: &mut Conn, site: SiteId) -> Result<Declarations> {
    let site = i64::from(site.0);
    let mut declarations = Declarations::default();
    // Row by row: a site may have hundreds of thousands of machines, and rows take several times what is kept of them.
    let mut names = sqlx::query(NAMES).bind(site).fetch(&mut *conn);
    while let Some(row) = names.try_next().await? {
        let mut row = Reading::new(&row, "machine_name");
        let machine = MachineId(row.next()?);
        let name: &str = row.next()?;
        declarations.machine(machine, [name]).map_err(|_| StoreError::Corrupt {
            table: "machine_name",
            column: "machine",
            row: name.to_owned(),
        })?;
    }
    drop(names);
    let mut replaced: BTreeMap<MeterId, Vec<Replacement>> = BTreeMap::new();
    for row in &sqlx::query(REPLACEMENTS).bind(site).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "replacement");
        let meter = MeterId(row.next()?);
        let (at, closing, opening) = (Ts(row.next()?), Amount(row.next()?), Amount(row.next()?));
        replaced.entry(meter).or_default().push(Replacement { at, closing, opening });
    }
    let mut meters = sqlx::query(METERS).bind(site).fetch(&mut *conn);
    while let Some(row) = meters.try_next().await? {
        let mut row = Reading::new(&row, "meter");
        let id = MeterId(row.next()?);
        declarations.meter(Meter {
            id,
            machine: MachineId(row.next()?),
            key: row.text("key", Key::new)?,
            kind: row.word("kind")?,
            feed: row.word("feed")?,
            max: MaxPerHour(row.next()?),
            replacements: replaced.remove(&id).unwrap_or_default(),
        });
    }
    drop(meters);
    for row in &sqlx::query(SOURCES).bind(site).fetch_all(conn).await? {
        let mut row = Reading::new(row, "source");
        let name = row.text("name", ForeignName::new)?;
        let rank: Option<i64> = row.next()?;
        let rank = rank.map(|rank| u32::try_from(rank).map_err(|_| row.corrupt("rank", rank))).transpose()?;
        declarations.source(name, Source { rank, feeds: row.word_or_none("feeds")? });
    }
    Ok(declarations)
}
