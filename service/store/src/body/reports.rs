//! Reports as they are listed.

use super::decode::Reading;
use super::{Conn, Db, DbRow, ledger};
use crate::contract::{HeldCounts, KeptReport, Page, PageAsk, ReportCursor, ReportFilter, Result};
use fettler_domain::ids::SiteId;
use fettler_domain::text::Key;
use sqlx::QueryBuilder;

const COLUMNS: &str = concat!(
    "SELECT ",
    ledger::columns!(),
    ", m.tag, e.key FROM ledger l LEFT JOIN machine m ON m.site = l.site AND m.number = l.machine \
     LEFT JOIN meter e ON e.site = l.site AND e.number = l.meter WHERE l.site = "
);
const HELD: &str = "SELECT COUNT(*) FROM ledger WHERE site = $1 AND state = 'held'";
const WAITING: &str = "SELECT COUNT(*) FROM ledger WHERE site = $1 AND waiting = 1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[HELD, WAITING];

/// Reports of a site: the newest arrival first; held ones the oldest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &ReportFilter,
    page: PageAsk<ReportCursor>,
) -> Result<Page<KeptReport, ReportCursor>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(machine) = &filter.machine {
        query.push(" AND m.tag = ").push_bind(machine.as_str());
    }
    if let Some(source) = &filter.source {
        query.push(" AND l.source = ").push_bind(source.as_str());
    }
    if let Some(reason) = filter.held {
        query.push(" AND l.state = 'held'");
        if let Some(reason) = reason {
            query.push(" AND l.held = ").push_bind(reason);
        }
    }
    let (comparison, order) = if filter.held.is_some() { (" > ", "ASC") } else { (" < ", "DESC") };
    if let Some((leaf, _)) = page.after {
        query.push(" AND l.leaf").push(comparison).push_bind(leaf);
    }
    query.push(" ORDER BY l.leaf ").push(order).push(" LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let rows: Vec<KeptReport> = rows.iter().map(kept).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |report| (report.entry, 0)))
}

/// The report that arrived with an entry.
pub(super) async fn one(conn: &mut Conn, site: SiteId, entry: i64) -> Result<KeptReport> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND l.leaf = ").push_bind(entry);
    kept(&query.build().fetch_one(conn).await?)
}

/// A report as it is shown: its row, then the tag of its machine and the key of its meter.
fn kept(row: &DbRow) -> Result<KeptReport> {
    let mut reading = Reading::new(row, "ledger");
    let (found, entry) = ledger::read(&mut reading)?;
    let (machine, meter) = (reading.text_or_none("tag", Key::new)?, reading.text_or_none("key", Key::new)?);
    Ok(KeptReport { row: found, machine, meter, entry })
}

/// How many reports are held, and how many wait to be judged again.
pub(super) async fn held_counts(conn: &mut Conn, site: SiteId) -> Result<HeldCounts> {
    let held = count(conn, HELD, site).await?;
    let waiting = count(conn, WAITING, site).await?;
    Ok(HeldCounts { held, waiting })
}

async fn count(conn: &mut Conn, sql: &'static str, site: SiteId) -> Result<u64> {
    let row = sqlx::query(sql).bind(i64::from(site.0)).fetch_one(conn).await?;
    Reading::new(&row, "ledger").number("state")
}
