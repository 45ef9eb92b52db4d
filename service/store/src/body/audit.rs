//! The audit: closings by the time at which the work was done, in pages, with what belongs to each.

use super::bulk::Bulk;
use super::decode::Reading;
use super::{Conn, Db, orders, point_reads};
use crate::contract::{AuditCursor, AuditFilter, Audited, KeptReading, Page, PageAsk, Result, StoreError};
use fettler_domain::ids::{ClosingId, OrderNumber, SiteId};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const CLOSINGS: &str = "SELECT c.done_at, c.number, c.work_order, m.area FROM closing c \
    JOIN machine m ON m.site = c.site AND m.number = c.machine LEFT JOIN task t ON t.site = c.site AND t.number = c.task \
    WHERE c.site = ";
static READINGS: Bulk = Bulk::new(
    "WITH k(site, closing) AS (VALUES",
    1,
    1,
    ") SELECT r.leaf, m.tag, r.record, n.text FROM k CROSS JOIN reading r \
     JOIN machine m ON m.site = r.site AND m.number = r.machine \
     LEFT JOIN sealed_note n ON n.site = r.site AND n.leaf = r.leaf \
     WHERE r.site = k.site AND r.closing = k.closing ORDER BY r.leaf",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![READINGS.sample()]
}

/// A closing of the page, before all that belongs to it.
struct Row {
    cursor: AuditCursor,
    order: OrderNumber,
    area: String,
}

/// Closings, the one done first first.
pub(super) async fn page(
    conn: &mut Conn,
    site: SiteId,
    filter: &AuditFilter,
    page: PageAsk<AuditCursor>,
) -> Result<Page<Audited, AuditCursor>> {
    let mut query = QueryBuilder::<Db>::new(CLOSINGS);
    narrowed(&mut query, site, filter, &page);
    let rows = query.build().fetch_all(&mut *conn).await?;
    let rows: Vec<Row> = rows
        .iter()
        .map(|row| {
            let mut row = Reading::new(row, "closing");
            let cursor = (row.next()?, row.next()?);
            Ok(Row { cursor, order: OrderNumber(row.next()?), area: row.next()? })
        })
        .collect::<Result<_>>()?;
    let Page { rows, next } = Page::cut(rows, page.limit, |row| row.cursor);
    let of: BTreeSet<OrderNumber> = rows.iter().map(|row| row.order).collect();
    let orders = orders::these(&mut *conn, site, &of.into_iter().collect::<Vec<_>>()).await?;
    let orders: BTreeMap<OrderNumber, _> = orders.into_iter().map(|order| (order.number, order)).collect();
    let numbers: Vec<i64> = rows.iter().map(|row| row.cursor.1).collect();
    let mut readings = readings(conn, site, &numbers).await?;
    let mut all = Vec::with_capacity(rows.len());
    for Row { cursor: (_, number), order, area } in rows {
        let missing =
            || StoreError::Corrupt { table: "closing", column: "work_order", row: number.to_string() };
        let order = orders.get(&order).ok_or_else(missing)?;
        let mut views = order.closing.iter().chain(&order.undone);
        let view = views.find(|view| view.record.closing == ClosingId(number)).ok_or_else(missing)?;
        all.push(Audited {
            view: view.clone(),
            machine: order.machine.clone(),
            area,
            task: order.task.clone(),
            title: order.title.clone(),
            readings: readings.remove(&number).unwrap_or_default(),
        });
    }
    Ok(Page { rows: all, next })
}

fn narrowed(query: &mut QueryBuilder<Db>, site: SiteId, filter: &AuditFilter, page: &PageAsk<AuditCursor>) {
    let number = i64::from(site.0);
    query.push_bind(number);
    if let Some(machine) = &filter.machine {
        query.push(" AND c.machine IN (SELECT machine FROM machine_name WHERE site = ");
        query.push_bind(number).push(" AND name = ").push_bind(machine.clone()).push(")");
    }
    if let Some(task) = &filter.task {
        query.push(" AND t.key = ").push_bind(task.to_string());
    }
    if let Some(area) = &filter.area {
        query.push(" AND m.area = ").push_bind(area.clone());
    }
    if let Some(from) = filter.from {
        query.push(" AND c.done_at >= ").push_bind(from.0);
    }
    if let Some(until) = filter.until {
        query.push(" AND c.done_at < ").push_bind(until.0);
    }
    if filter.undone {
        query.push(" AND c.undone = 1");
    }
    if let Some((at, closing)) = page.after {
        query.push(" AND (c.done_at, c.number) > (").push_bind(at).push(", ").push_bind(closing).push(")");
    }
    query.push(" ORDER BY c.done_at, c.number LIMIT ").push_bind(i64::from(page.limit) + 1);
}

async fn readings(
    conn: &mut Conn,
    site: SiteId,
    closings: &[i64],
) -> Result<BTreeMap<i64, Vec<KeptReading>>> {
    let number = i64::from(site.0);
    let mut all: BTreeMap<i64, Vec<KeptReading>> = BTreeMap::new();
    for row in &READINGS.fetch_of(conn, closings, |q| q.bind(number)).await? {
        let kept = point_reads::kept(row)?;
        if let Some(ClosingId(closing)) = kept.record.closing {
            all.entry(closing).or_default().push(kept);
        }
    }
    Ok(all)
}
