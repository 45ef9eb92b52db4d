//! The journal as it is listed.

use super::decode::Reading;
use super::{Conn, Db, DbRow, head};
use crate::contract::{EntryFilter, EntryRecord, JournalHead, Page, PageAsk, Result};
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::time::Ts;
use sqlx::QueryBuilder;

const COLUMNS: &str = "SELECT j.number, j.at, j.kind, j.subject, j.person, j.bytes, j.hash, n.text \
    FROM journal_leaf j LEFT JOIN sealed_note n ON n.site = j.site AND n.leaf = j.number WHERE j.site = ";
const SITES: &str = "SELECT site FROM site_head ORDER BY site";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[SITES];

fn record(row: &DbRow) -> Result<EntryRecord> {
    let mut row = Reading::new(row, "journal_leaf");
    Ok(EntryRecord {
        number: row.next()?,
        at: Ts(row.next()?),
        kind: row.next()?,
        subject: row.next()?,
        person: row.next::<Option<i64>>()?.map(PersonId),
        leaf: row.next()?,
        hash: row.hash("hash")?,
        note: row.next()?,
    })
}

/// Journal entries: from a number on, oldest first; without one, newest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &EntryFilter,
    page: PageAsk<i64>,
) -> Result<Page<EntryRecord, i64>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(kind) = &filter.kind {
        let starting: Vec<Kind> = Kind::starting(kind).collect();
        if let [only] = starting[..] {
            // They stand in their order there, so that a page is found without the others.
            query.push(" AND j.kind = ").push_bind(only.word());
        } else {
            // The words are lower case letters, dots and underlines, so a range finds those that start so.
            query.push(" AND j.kind >= ").push_bind(kind.as_str());
            query.push(" AND j.kind < ").push_bind(format!("{kind}\u{10ffff}"));
        }
        if !Kind::ReportArrived.word().starts_with(kind.as_str()) {
            query.push(" AND j.kind <> 'report.arrived'");
        }
    }
    if let Some(subject) = &filter.subject {
        query.push(" AND j.subject = ").push_bind(subject.as_str());
        query.push(" AND (j.kind <> 'report.arrived'");
        // The index over subjects leaves arrivals out; these are found through the ledger.
        for (source, report, revision) in reports_named(subject) {
            query.push(" OR j.number IN (SELECT leaf FROM ledger WHERE site = ").push_bind(i64::from(site.0));
            query.push(" AND source = ").push_bind(source).push(" AND report = ").push_bind(report);
            query.push(" AND revision = ").push_bind(revision).push(")");
        }
        query.push(")");
    }
    let (after, order) = match (filter.from, page.after) {
        (Some(from), None) => (Some(("j.number >= ", from)), "ASC"),
        (Some(_), Some(after)) => (Some(("j.number > ", after)), "ASC"),
        (None, after) => (after.map(|after| ("j.number < ", after)), "DESC"),
    };
    if let Some((comparison, number)) = after {
        query.push(" AND ").push(comparison).push_bind(number);
    }
    query.push(" ORDER BY j.number ").push(order).push(" LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let rows: Vec<EntryRecord> = rows.iter().map(record).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |entry| entry.number))
}

/// The most ways of reading a subject that are tried. A subject with more slashes names no report that anybody sends.
const READINGS_MAX: usize = 16;

/// The reports that a subject may name: `reports/SOURCE/ID/REVISION`, where source and id may hold slashes themselves.
fn reports_named(subject: &str) -> Vec<(&str, &str, i64)> {
    let named = subject.strip_prefix("reports/").and_then(|named| named.rsplit_once('/'));
    let Some((named, Ok(revision))) = named.map(|(named, revision)| (named, revision.parse())) else {
        return Vec::new();
    };
    let splits = named.match_indices('/').take(READINGS_MAX);
    splits.map(|(at, _)| (&named[..at], &named[at + 1..], revision)).collect()
}

/// The head of a site's journal.
pub(super) async fn head(conn: &mut Conn, site: SiteId) -> Result<JournalHead> {
    let row = sqlx::query(head::READ).bind(i64::from(site.0)).fetch_optional(conn).await?;
    let row = row.ok_or_else(|| super::tx::no_site(site))?;
    let mut row = Reading::new(&row, "site_head");
    let lineage = row.number("lineage")?;
    let frontier = head::frontier(&mut row)?;
    Ok(JournalHead { lineage, size: frontier.size(), root: frontier.root().0 })
}

/// The heads of all journals, the installation's first.
pub(super) async fn heads(conn: &mut Conn) -> Result<Vec<(SiteId, JournalHead)>> {
    let rows = sqlx::query(SITES).fetch_all(&mut *conn).await?;
    let mut heads = Vec::with_capacity(rows.len());
    for row in &rows {
        let site = SiteId(Reading::new(row, "site_head").number("site")?);
        heads.push((site, head(&mut *conn, site).await?));
    }
    Ok(heads)
}
