//! The record of fluids as it is shown, and what planning reads of it.

use super::bulk::Bulk;
use super::decode::Reading;
use super::machines::{self, Named};
use super::{Conn, Db, DbRow, point_reads, readings};
use crate::contract::{
    FluidBook, FluidCursor, FluidFilter, FluidLimit, FluidLine, FluidReservoir, KeptFluid, KeptReading, Page,
    PageAsk, Result,
};
use fettler_domain::error::Error;
use fettler_domain::fluid::{FluidRecord, Poured, reservoirs};
use fettler_domain::ids::{MachineId, PointId, SiteId};
use fettler_domain::plan::{Beside, beside, beyond, marks};
use fettler_domain::reading::PointUnit;
use fettler_domain::shop::{PointCard, TaskCard};
use fettler_domain::text::Key;
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const COLUMNS: &str = "SELECT f.leaf, m.tag, f.record, n.text FROM fluid_entry f \
    JOIN machine m ON m.site = f.site AND m.number = f.machine \
    LEFT JOIN sealed_note n ON n.site = f.site AND n.leaf = f.leaf WHERE f.site = ";
const TASKS: &str = "SELECT card FROM task WHERE site = $1 AND machine = $2 AND active = 1 ORDER BY key";
/// The newest 400 of what was poured into each sump or reservoir of machines: a bound, so that a long record makes no plan
/// slower.
static POURED: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT x.machine, x.reservoir, x.record FROM (SELECT f.machine, f.reservoir, f.at, f.amount, f.act, f.record, \
     ROW_NUMBER() OVER (PARTITION BY f.machine, f.reservoir ORDER BY f.at DESC, f.amount DESC, f.act) AS place \
     FROM k CROSS JOIN fluid_entry f WHERE f.site = k.site AND f.machine = k.machine AND f.withdrawn IS NULL \
     AND f.act IN ('added', 'changed')) x WHERE x.place <= 400 ORDER BY x.machine, x.at, x.amount, x.act",
);
static POINTS: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT p.machine, p.card FROM k CROSS JOIN point p WHERE p.site = k.site AND p.machine = k.machine",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![TASKS, POURED.sample(), POINTS.sample()]
}

fn kept(row: &DbRow) -> Result<KeptFluid> {
    let mut row = Reading::new(row, "fluid_entry");
    Ok(KeptFluid {
        entry: row.next()?,
        machine: row.text("tag", Key::new)?,
        record: row.json("record")?,
        note: row.next()?,
    })
}

/// The entry with this number, which is known to be.
pub(super) async fn one(conn: &mut Conn, site: SiteId, entry: i64) -> Result<KeptFluid> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND f.leaf = ").push_bind(entry);
    kept(&query.build().fetch_one(conn).await?)
}

/// The entry with this number; refused where there is none.
pub(super) async fn find(conn: &mut Conn, site: SiteId, entry: i64) -> Result<KeptFluid> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND f.leaf = ").push_bind(entry);
    let row = query.build().fetch_optional(conn).await?;
    let remedy = "`fettler fluid record MACHINE` shows them with their numbers".to_owned();
    let missing =
        || Error::NotFound { kind: "entry of the record of fluids", name: entry.to_string(), remedy };
    kept(&row.ok_or_else(missing)?)
}

/// The tasks of a machine.
async fn tasks(conn: &mut Conn, site: SiteId, machine: MachineId) -> Result<Vec<TaskCard>> {
    let rows = sqlx::query(TASKS).bind(i64::from(site.0)).bind(machine.0).fetch_all(conn).await?;
    rows.iter().map(|row| Reading::new(row, "task").json("card")).collect()
}

/// A test point as its readings are judged: one without limits by the marks of the reservoir whose level it reads.
pub(super) async fn judged_by(
    conn: &mut Conn,
    site: SiteId,
    machine: MachineId,
    card: &PointCard,
) -> Result<PointCard> {
    let Some(unit) = PointUnit::parse(&card.unit).filter(|_| card.limits.is_none()) else {
        return Ok(card.clone());
    };
    let tasks = tasks(conn, site, machine).await?;
    let stated = tasks.iter().flat_map(TaskCard::models).find_map(|model| marks(model, &card.key, unit));
    Ok(PointCard { limits: stated.unwrap_or(card.limits), ..card.clone() })
}

/// The record of a machine, or a page of it.
pub(super) async fn book(
    conn: &mut Conn,
    site: SiteId,
    filter: &FluidFilter,
    page: PageAsk<FluidCursor>,
) -> Result<FluidBook> {
    let Named { machine, tag, name, .. } = machines::known(&mut *conn, site, &filter.machine).await?;
    let points = readings::points(&mut *conn, site, machine).await?;
    let tasks = tasks(&mut *conn, site, machine).await?;
    let cards: Vec<PointCard> = points.iter().map(|(_, card)| card.clone()).collect();
    let wanted = |key: &Key| filter.reservoir.as_ref().is_none_or(|only| only == key);
    let keys: BTreeSet<Key> = reservoirs(&cards).into_iter().filter(|key| wanted(key)).collect();
    let of: Vec<(PointId, &PointCard)> = points
        .iter()
        .filter(|(_, card)| card.reservoir.as_ref().is_some_and(|key| keys.contains(key)))
        .map(|(id, card)| (*id, card))
        .collect();

    let mut lines = entries(&mut *conn, site, (machine, filter), &page).await?;
    if let (Some(key), true) = (&filter.reservoir, keys.is_empty() && lines.is_empty()) {
        let remedy = format!("`fettler machine show {tag}` shows what its test points name");
        return Err(
            Error::NotFound { kind: "sump or reservoir", name: format!("{tag} {key}"), remedy }.into()
        );
    }
    lines.extend(read(&mut *conn, site, (&of, &tasks, filter), &page).await?);
    lines.sort_by_key(FluidLine::cursor);
    Ok(FluidBook {
        machine: tag,
        name,
        reservoirs: keys.into_iter().map(|key| reservoir(key, &cards, &tasks)).collect(),
        lines: Page::cut(lines, page.limit, FluidLine::cursor),
    })
}

/// The sump or reservoir with its limits: those of its test points, and those that tasks state.
fn reservoir(key: Key, points: &[PointCard], tasks: &[TaskCard]) -> FluidReservoir {
    let of = || points.iter().filter(|point| point.reservoir.as_ref() == Some(&key));
    let fluids: BTreeSet<&str> =
        of().map(|point| point.fluid.as_str()).filter(|text| !text.is_empty()).collect();
    let mut limits = Vec::new();
    for point in of() {
        let declared = (!point.limits.is_none()).then(|| {
            let sign = PointUnit::parse(&point.unit).map_or("", PointUnit::sign);
            let text = format!("{} {sign}", point.limits).trim_end().to_owned();
            Beside { text, source: "the test point as declared".to_owned() }
        });
        let stated = tasks.iter().flat_map(TaskCard::models).flat_map(|model| beside(model, &point.key));
        for Beside { text, source } in declared.into_iter().chain(stated) {
            let (point, title) = (point.key.clone(), point.title.clone());
            let limit = FluidLimit { point, title, text, source };
            if !limits.contains(&limit) {
                limits.push(limit);
            }
        }
    }
    FluidReservoir { fluid: fluids.into_iter().collect::<Vec<_>>().join(", "), limits, key }
}

/// Adds to a query in which stretch of time its rows lie, and after which the page goes on.
fn within(query: &mut QueryBuilder<Db>, of: &str, filter: &FluidFilter, page: &PageAsk<FluidCursor>) {
    if let Some(from) = filter.from {
        query.push(format!(" AND {of}.at >= ")).push_bind(from.0);
    }
    if let Some(until) = filter.until {
        query.push(format!(" AND {of}.at < ")).push_bind(until.0);
    }
    if let Some((at, leaf)) = page.after {
        query.push(format!(" AND ({of}.at > ")).push_bind(at);
        query.push(format!(" OR ({of}.at = ")).push_bind(at);
        query.push(format!(" AND {of}.leaf > ")).push_bind(leaf).push("))");
    }
    query.push(format!(" ORDER BY {of}.at, {of}.leaf LIMIT ")).push_bind(i64::from(page.limit) + 1);
}

async fn entries(
    conn: &mut Conn,
    site: SiteId,
    (machine, filter): (MachineId, &FluidFilter),
    page: &PageAsk<FluidCursor>,
) -> Result<Vec<FluidLine>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND f.machine = ").push_bind(machine.0);
    if let Some(reservoir) = &filter.reservoir {
        query.push(" AND f.reservoir = ").push_bind(reservoir.as_str());
    }
    within(&mut query, "f", filter, page);
    let rows = query.build().fetch_all(conn).await?;
    rows.iter().map(|row| Ok(FluidLine::Entry(Box::new(kept(row)?)))).collect()
}

async fn read(
    conn: &mut Conn,
    site: SiteId,
    (points, tasks, filter): (&[(PointId, &PointCard)], &[TaskCard], &FluidFilter),
    page: &PageAsk<FluidCursor>,
) -> Result<Vec<FluidLine>> {
    if points.is_empty() {
        return Ok(Vec::new());
    }
    let mut query = QueryBuilder::<Db>::new(point_reads::COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND r.point IN (");
    let mut list = query.separated(", ");
    for (point, _) in points {
        list.push_bind(point.0);
    }
    query.push(")");
    within(&mut query, "r", filter, page);
    let rows = query.build().fetch_all(conn).await?;
    let mut lines = Vec::with_capacity(rows.len());
    for row in &rows {
        let kept = point_reads::kept(row)?;
        let card = points.iter().find(|(_, card)| card.key == kept.record.point);
        let Some(reservoir) = card.and_then(|(_, card)| card.reservoir.clone()) else { continue };
        let beyond = beyond_all(&kept, tasks);
        lines.push(FluidLine::Reading(Box::new(kept), reservoir, beyond));
    }
    Ok(lines)
}

/// Each limit that a reading is beyond: the test point's as it was, then those that tasks state.
fn beyond_all(kept: &KeptReading, tasks: &[TaskCard]) -> Vec<String> {
    let record = &kept.record;
    let mut all: Vec<String> =
        record.beyond.map(|beyond| beyond.in_words(record.sign())).into_iter().collect();
    if let (Some(value), Some(unit)) = (record.value, PointUnit::parse(&record.unit)) {
        let models = tasks.iter().flat_map(TaskCard::models);
        for stated in models.filter_map(|model| beyond(model, &record.point, value, unit)) {
            if !all.contains(&stated) {
                all.push(stated);
            }
        }
    }
    all
}

/// What was poured into the sumps and reservoirs of machines, by the test points that read them.
pub(super) async fn poured(
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
) -> Result<BTreeMap<(MachineId, Key), Vec<Poured>>> {
    let mut by_reservoir: BTreeMap<(MachineId, String), Vec<Poured>> = BTreeMap::new();
    for row in &POURED.fetch(&mut *conn, machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await? {
        let mut row = Reading::new(row, "fluid_entry");
        let (machine, reservoir) = (MachineId(row.next()?), row.next::<String>()?);
        if let Some(poured) = row.json::<FluidRecord>("record")?.poured() {
            by_reservoir.entry((machine, reservoir)).or_default().push(poured);
        }
    }
    let mut all = BTreeMap::new();
    if by_reservoir.is_empty() {
        return Ok(all);
    }
    let of: BTreeSet<MachineId> = by_reservoir.keys().map(|(machine, _)| *machine).collect();
    let of: Vec<MachineId> = of.into_iter().collect();
    for row in &POINTS.fetch(conn, &of, |q| q.bind(site), |q, machine| q.bind(machine.0)).await? {
        let mut row = Reading::new(row, "point");
        let machine = MachineId(row.next()?);
        let card: PointCard = row.json("card")?;
        let Some(reservoir) = card.reservoir else { continue };
        if let Some(poured) = by_reservoir.get(&(machine, reservoir.to_string())) {
            all.insert((machine, card.key), poured.clone());
        }
    }
    Ok(all)
}
