//! Readings as they are listed, and a test point with its past.

use super::bulk::Bulk;
use super::decode::Reading;
use super::{Conn, Db, DbRow};
use crate::contract::{
    HISTORY_MAX, KeptReading, Page, PageAsk, PointHistory, PointService, ReadingFilter, Result,
};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, SiteId};
use fettler_domain::plan::PointInput;
use fettler_domain::reading::course::Placed;
use fettler_domain::reading::{OutOfLimits, PointUnit, ReadingRecord};
use fettler_domain::shop::{ClauseCard, PointCard, TaskCard};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use sqlx::QueryBuilder;

pub(super) const COLUMNS: &str = "SELECT r.leaf, m.tag, r.record, n.text FROM reading r \
    JOIN machine m ON m.site = r.site AND m.number = r.machine \
    JOIN point p ON p.site = r.site AND p.number = r.point \
    LEFT JOIN sealed_note n ON n.site = r.site AND n.leaf = r.leaf WHERE r.site = ";
const POINT: &str = "SELECT p.number, p.machine, p.card FROM machine_name n JOIN point p ON p.site = n.site \
    AND p.machine = n.machine WHERE n.site = $1 AND n.name = $2 AND p.key = $3";
const SERVICES: &str = "SELECT c.done_at, c.work_order, t.card FROM task t JOIN closing c ON c.site = t.site \
    AND c.task = t.number WHERE t.site = $1 AND t.machine = $2 AND c.undone = 0 AND c.done_at >= $3 ORDER BY c.done_at, c.number";
static OUT: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT r.machine, r.leaf, r.record FROM k CROSS JOIN reading r WHERE r.site = k.site AND r.machine = k.machine \
     AND r.withdrawn IS NULL AND r.verdict IN ('act', 'stop')",
);

/// The newest readings of each point that stand and have a value; at one instant the greater value is taken for the newer,
/// so that the order of arrival decides nothing.
static RECENT: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT x.machine, x.card, x.record FROM (SELECT r.machine, p.card, r.record, r.at, r.value, \
     ROW_NUMBER() OVER (PARTITION BY r.point ORDER BY r.at DESC, r.value DESC) AS place FROM k CROSS JOIN reading r \
     JOIN point p ON p.site = r.site AND p.number = r.point WHERE r.site = k.site AND r.machine = k.machine \
     AND r.withdrawn IS NULL AND r.value IS NOT NULL) x WHERE x.place <= 200 ORDER BY x.machine, x.at, x.value",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![POINT, SERVICES, OUT.sample(), RECENT.sample()]
}

pub(super) fn kept(row: &DbRow) -> Result<KeptReading> {
    let mut row = Reading::new(row, "reading");
    Ok(KeptReading {
        entry: row.next()?,
        machine: row.text("tag", Key::new)?,
        record: row.json("record")?,
        note: row.next()?,
    })
}

/// The reading with this number, which is known to be.
pub(super) async fn one(conn: &mut Conn, site: SiteId, entry: i64) -> Result<KeptReading> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND r.leaf = ").push_bind(entry);
    kept(&query.build().fetch_one(conn).await?)
}

/// The reading with this number; refused where there is none.
pub(super) async fn find(conn: &mut Conn, site: SiteId, entry: i64) -> Result<KeptReading> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND r.leaf = ").push_bind(entry);
    let row = query.build().fetch_optional(conn).await?;
    let remedy = "`fettler readings` shows them with their numbers".to_owned();
    let missing = || Error::NotFound { kind: "reading", name: entry.to_string(), remedy };
    kept(&row.ok_or_else(missing)?)
}

/// Readings, the newest entry first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &ReadingFilter,
    page: PageAsk<i64>,
) -> Result<Page<KeptReading, i64>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(machine) = &filter.machine {
        query.push(" AND r.machine IN (SELECT machine FROM machine_name WHERE site = ");
        query.push_bind(i64::from(site.0)).push(" AND name = ").push_bind(machine.as_str()).push(")");
    }
    if let Some(point) = &filter.point {
        query.push(" AND p.key = ").push_bind(point.as_str());
    }
    if filter.out_of_limits {
        query.push(" AND r.withdrawn IS NULL AND r.verdict IN ('act', 'stop')");
    }
    if let Some(after) = page.after {
        query.push(" AND r.leaf < ").push_bind(after);
    }
    query.push(" ORDER BY r.leaf DESC LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let rows: Vec<KeptReading> = rows.iter().map(kept).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |reading| reading.entry))
}

/// A test point with its newest readings that stand and the closings of its tasks in their time.
pub(super) async fn history(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    point: &Key,
) -> Result<PointHistory> {
    let row = sqlx::query(POINT)
        .bind(i64::from(site.0))
        .bind(machine)
        .bind(point.as_str())
        .fetch_optional(&mut *conn)
        .await?;
    let remedy = format!("`fettler machine show {machine}` shows its test points");
    let missing = || Error::NotFound { kind: "test point", name: format!("{machine} {point}"), remedy };
    let row = row.ok_or_else(missing)?;
    let mut row = Reading::new(&row, "point");
    let (number, machine): (i64, i64) = (row.next()?, row.next()?);
    let card: PointCard = row.json("card")?;

    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND r.withdrawn IS NULL AND r.point = ").push_bind(number);
    query.push(" ORDER BY r.at DESC, r.leaf DESC LIMIT ").push_bind(i64::from(HISTORY_MAX));
    let rows = query.build().fetch_all(&mut *conn).await?;
    let mut readings: Vec<KeptReading> = rows.iter().map(kept).collect::<Result<_>>()?;
    readings.reverse();

    let since = readings.first().map_or(Ts::MAX, |first| first.record.at);
    let rows =
        sqlx::query(SERVICES).bind(i64::from(site.0)).bind(machine).bind(since.0).fetch_all(conn).await?;
    let mut services = Vec::new();
    for row in &rows {
        let mut row = Reading::new(row, "closing");
        let (at, order) = (Ts(row.next()?), OrderNumber(row.next()?));
        let task: TaskCard = row.json("card")?;
        services.extend(service(at, order, task, point));
    }
    Ok(PointHistory { card, readings, services })
}

/// A closing as a mark on a point's readings, where its task reads the point or waits for its readings.
fn service(at: Ts, order: OrderNumber, task: TaskCard, point: &Key) -> Option<PointService> {
    let starts_anew = task.rule.iter().flat_map(|rule| &rule.clauses).any(|clause| match clause {
        ClauseCard::Reading { point: of, .. } => of == point,
        ClauseCard::Model { model } => model.points().iter().any(|(_, of)| *of == point),
        ClauseCard::Calendar { .. } | ClauseCard::Meter { .. } | ClauseCard::Recurrence(_) => false,
    });
    let title: Name = task.title;
    (starts_anew || task.readings.contains(point)).then_some(PointService { at, order, title, starts_anew })
}

/// The test points of machines with their newest readings, as the planner expects limits from them.
pub(super) async fn recent(
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
) -> Result<Vec<(MachineId, Key, PointInput)>> {
    let rows = RECENT.fetch(conn, machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await?;
    let mut all: Vec<(MachineId, Key, PointInput)> = Vec::new();
    for row in &rows {
        let mut row = Reading::new(row, "reading");
        let machine = MachineId(row.next()?);
        let (card, record): (PointCard, ReadingRecord) = (row.json("card")?, row.json("record")?);
        let Some(value) = record.value_in(&card.unit).filter(|_| record.tells()) else { continue };
        let placed = Placed { at: record.at, value };
        if let Some((_, _, point)) = all.iter_mut().find(|(of, key, _)| *of == machine && *key == card.key) {
            point.readings.push(placed);
            continue;
        }
        let sign = PointUnit::parse(&card.unit).map_or("", PointUnit::sign).to_owned();
        let unit = card.unit;
        let point = PointInput { unit, sign, limits: card.limits, readings: vec![placed] };
        all.push((machine, card.key, point));
    }
    Ok(all)
}

/// The readings of machines that stand and are out of limits.
pub(super) async fn out_of_limits(
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
) -> Result<Vec<(MachineId, OutOfLimits)>> {
    let rows = OUT.fetch(conn, machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await?;
    let mut all = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut row = Reading::new(row, "reading");
        let (machine, entry) = (MachineId(row.next()?), row.next()?);
        let record: ReadingRecord = row.json("record")?;
        if let (Some(value), Some(beyond)) = (record.value, record.beyond) {
            let sign = record.sign().to_owned();
            let (at, point) = (record.at, record.point);
            all.push((machine, OutOfLimits { at, entry, point, value, sign, beyond }));
        }
    }
    Ok(all)
}
