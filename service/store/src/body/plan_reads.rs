//! The due list and its explanations, read from stored rows; `why` computes afresh.

use super::bulk::Bulk;
use super::decode::Reading;
use super::mind::Mind;
use super::orders::RaisedCard;
use super::upkeep::of_another_stamp;
use super::{Conn, Db, DbRow, fleet, machines, orders, refresh, reports, sites, upkeep, weeks};
use crate::contract::{
    DueCursor, DueEntry, DueFilter, DueHead, DuePart, Explained, Page, PageAsk, Result, STALE_COUNTED_MAX,
    StoreError,
};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, SiteId};
use fettler_domain::plan::PlanRow;
use fettler_domain::shop::TaskCard;
use fettler_domain::shop::suggest::remedy;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{ShopDay, Ts};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

/// What a list shows of an order. The plan drives: it is read in the order of its key.
const ENTRY: &str = "SELECT p.section, p.key_time, p.number, p.payload, m.tag, m.name, m.area, t.key, t.card, o.title, \
    o.hazard, o.card FROM plan p CROSS JOIN machine m CROSS JOIN work_order o \
    LEFT JOIN task t ON t.site = o.site AND t.number = o.task \
    WHERE m.site = p.site AND m.number = p.machine AND o.site = p.site AND o.number = p.number AND p.site = ";
static METER_KEYS: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT m.machine, m.number, m.key FROM k CROSS JOIN meter m WHERE m.site = k.site AND m.machine = k.machine",
);
/// The key by which the list is cut off and ordered where nothing may surprise: [`PlanRow::sure_time`], as stored.
const SURE_TIME: &str = "sure_time";
/// Rows that do not hold for the present stamp: what upkeep will compute afresh, and what only the newer planner that
/// wrote it can. Of two numbers of fleet figures neither is the later one: another is another. They are counted up to a bound; the
/// oldest is found by itself, as those that are counted may be any.
pub(super) const STALE: &str = concat!(
    "SELECT COUNT(*), COALESCE((SELECT MIN(as_of) FROM plan WHERE site = $1 AND as_of < $2), MIN(as_of)) FROM (",
    of_another_stamp!(
        "as_of",
        "(planner <= $5 OR stale = 1 OR as_of < $2 OR (as_of = $2 AND (fleet_epoch <> $3 OR calendar < $4)))"
    ),
    " LIMIT $7) AS stale"
);
const OPEN_OF_TASK: &str = "SELECT o.number FROM machine_name n \
    JOIN task t ON t.site = n.site AND t.machine = n.machine \
    JOIN work_order o ON o.site = t.site AND o.task = t.number AND o.planned = 1 AND o.state = 'open' \
    WHERE n.site = $1 AND n.name = $2 AND t.key = $3";
const TASK_KEYS: &str = "SELECT key FROM task WHERE site = $1 AND machine = $2 AND active = 1 ORDER BY key";
const MACHINE_OF_OPEN: &str =
    "SELECT machine FROM work_order WHERE site = $1 AND number = $2 AND state = 'open'";
const STATED: &str = "SELECT d.day FROM work_order o JOIN last_done d ON d.site = o.site AND d.task = o.task \
    WHERE o.site = $1 AND o.number = $2";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![METER_KEYS.sample(), STALE, OPEN_OF_TASK, TASK_KEYS, MACHINE_OF_OPEN, STATED]
}

/// The head of a list: what must not start, what is held, what is not yet of today.
pub(super) async fn head(conn: &mut Conn, site: SiteId, now: Ts) -> Result<DueHead> {
    let forbidden = machines::forbidden(conn, site).await?;
    let held = reports::held_counts(conn, site).await?;
    let calendar = sites::by_number(conn, site).await?.calendar;
    let number = i64::from(site.0);
    let figures = fleet::State::load(conn, site).await?;
    let present = upkeep::present_stamp(&calendar, figures.epoch, now);
    let stale = upkeep::bind_stamp(sqlx::query(STALE).bind(number), &present);
    let row = stale.bind(i64::from(STALE_COUNTED_MAX)).fetch_one(conn).await?;
    let mut row = Reading::new(&row, "plan");
    let count: u64 = row.number("as_of")?;
    let oldest = row.next::<Option<i64>>()?.and_then(|day| i32::try_from(day).ok());
    let stale = oldest.map(|day| (count, ShopDay::from_days(day)));
    let figures_pending = figures.is_pending(present.as_of);
    Ok(DueHead { forbidden, held, stale, figures_pending })
}

/// A page of a part of the list, in the order of the stored keys.
pub(super) async fn page(
    conn: &mut Conn,
    site: SiteId,
    filter: &DueFilter,
    page: PageAsk<DueCursor>,
) -> Result<Page<DueEntry, DueCursor>> {
    let key_time = key_time(filter.part);
    let p = column(filter);
    let mut query = QueryBuilder::<Db>::new(ENTRY);
    query.push_bind(i64::from(site.0));
    narrow(&mut query, filter);
    if let Some((section, time, number)) = page.after {
        query.push(format!(" AND ({p}.section, {p}.{key_time}, p.number) > (")).push_bind(section);
        query.push(", ").push_bind(time).push(", ").push_bind(number).push(")");
    }
    query.push(format!(" ORDER BY {p}.section, {p}.{key_time}, p.number LIMIT "));
    query.push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(&mut *conn).await?;
    let mut entries: Vec<DueEntry> = rows.iter().map(read_entry).collect::<Result<_>>()?;
    name_meters(conn, site, &mut entries).await?;
    Ok(Page::cut(entries, page.limit, |entry| {
        let time = if key_time == SURE_TIME { entry.plan.sure_time() } else { entry.plan.key_time };
        (i64::from(entry.plan.section as u8), time.0, entry.plan.order.0)
    }))
}

/// How many rows a part of the list has.
pub(super) async fn count(conn: &mut Conn, site: SiteId, filter: &DueFilter) -> Result<u64> {
    let mut query = QueryBuilder::<Db>::new("SELECT COUNT(*) FROM plan p WHERE p.site = ");
    query.push_bind(i64::from(site.0));
    narrow(&mut query, filter);
    Reading::new(&query.build().fetch_one(conn).await?, "plan").number("number")
}

/// A machine has few rows, which are found by it; the plus keeps an engine from walking the whole list in its order instead.
fn column(filter: &DueFilter) -> &'static str {
    if filter.machine.is_some() { "+p" } else { "p" }
}

/// Narrows a statement over plan rows `p` to those of a part of the list.
fn narrow(query: &mut QueryBuilder<Db>, filter: &DueFilter) {
    let (p, key_time) = (column(filter), key_time(filter.part));
    match filter.part {
        DuePart::Dated | DuePart::Sure => {
            query.push(format!(" AND {p}.section = 0 AND {p}.{key_time} < ")).push_bind(filter.before.0);
        }
        DuePart::NeverRecorded => {
            query.push(format!(" AND {p}.section = 1"));
        }
        DuePart::WhileStopped { now } | DuePart::WhileStoppedSure { now } => {
            query.push(format!(" AND {p}.section = 0 AND {p}.{key_time} >= ")).push_bind(filter.before.0);
            query.push(" AND p.opens <= ").push_bind(now.0);
            query.push(" AND EXISTS (SELECT 1 FROM plan q WHERE q.site = p.site AND q.machine = p.machine");
            query.push(format!(" AND (+q.section = 1 OR (+q.section = 0 AND +q.{key_time} < "));
            query.push_bind(filter.before.0).push(")))");
        }
    }
    if let Some(machine) = filter.machine {
        query.push(" AND p.machine = ").push_bind(machine.0);
    }
    if let Some(area) = &filter.area {
        query.push(" AND p.area = ").push_bind(area.clone());
    }
}

/// The stored key by which a part is cut off and ordered.
fn key_time(part: DuePart) -> &'static str {
    match part {
        DuePart::Dated | DuePart::NeverRecorded | DuePart::WhileStopped { .. } => "key_time",
        DuePart::Sure | DuePart::WhileStoppedSure { .. } => SURE_TIME,
    }
}

/// The list's view of open orders, in the order of their numbers.
pub(super) async fn entries(conn: &mut Conn, site: SiteId, numbers: &[OrderNumber]) -> Result<Vec<DueEntry>> {
    if numbers.is_empty() {
        return Ok(Vec::new());
    }
    let mut query = QueryBuilder::<Db>::new(ENTRY);
    query.push_bind(i64::from(site.0)).push(" AND p.number IN (");
    let mut list = query.separated(", ");
    for number in numbers {
        list.push_bind(number.0);
    }
    query.push(") ORDER BY p.number");
    let rows = query.build().persistent(false).fetch_all(&mut *conn).await?;
    let mut entries: Vec<DueEntry> = rows.iter().map(read_entry).collect::<Result<_>>()?;
    name_meters(conn, site, &mut entries).await?;
    Ok(entries)
}

/// The list's view of an open order.
pub(super) async fn entry(conn: &mut Conn, site: SiteId, order: OrderNumber) -> Result<DueEntry> {
    entries(conn, site, &[order]).await?.pop().ok_or_else(|| no_open_order(order.to_string()))
}

fn read_entry(row: &DbRow) -> Result<DueEntry> {
    let mut row = Reading::new(row, "plan");
    let _key: (i64, i64, i64) = (row.next()?, row.next()?, row.next()?);
    let plan: PlanRow = row.json("payload")?;
    let machine = row.text("tag", Key::new)?;
    let machine_name = row.text("name", Name::new)?;
    let area = row.next()?;
    let task = row.text_or_none("key", Key::new)?;
    let card: Option<&str> = row.next()?;
    let card: Option<TaskCard> =
        card.map(|text| serde_json::from_str(text).map_err(|_| row.corrupt("card", text))).transpose()?;
    let title = row.text("title", Name::new)?;
    let hazard = row.next::<i64>()? != 0;
    let raised: RaisedCard = row.json_or_none("card")?.unwrap_or_default();
    let (place, kit, minutes, cautions, readings) = card.map_or_else(
        || (raised.place, Vec::new(), 0, raised.cautions, raised.point.into_iter().collect()),
        |card| {
            let cautions = card.heeded();
            (card.place, card.kit, card.minutes, cautions, card.readings)
        },
    );
    let hazard = hazard || plan.hazard;
    Ok(DueEntry {
        plan,
        machine,
        machine_name,
        area,
        task,
        title,
        place,
        kit,
        minutes,
        hazard,
        cautions,
        readings,
        meter_keys: BTreeMap::new(),
    })
}

/// Puts the keys of their machines' meters into entries.
pub(super) async fn name_meters(conn: &mut Conn, site: SiteId, entries: &mut [DueEntry]) -> Result<()> {
    let machines: BTreeSet<MachineId> = entries.iter().map(|entry| entry.plan.machine).collect();
    let machines: Vec<MachineId> = machines.into_iter().collect();
    let site = i64::from(site.0);
    let rows = METER_KEYS.fetch(conn, &machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await?;
    let mut keys: BTreeMap<MachineId, BTreeMap<i64, Key>> = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "meter");
        let (machine, meter) = (MachineId(row.next()?), row.next()?);
        keys.entry(machine).or_default().insert(meter, row.text("key", Key::new)?);
    }
    for entry in entries {
        entry.meter_keys = keys.get(&entry.plan.machine).cloned().unwrap_or_default();
    }
    Ok(())
}

/// Explains an open order: its row computed afresh as of the shop day of `now`, beside the stored one.
pub(super) async fn explain(conn: &mut Conn, site: SiteId, order: OrderNumber, now: Ts) -> Result<Explained> {
    let number = i64::from(site.0);
    let machine = sqlx::query(MACHINE_OF_OPEN).bind(number).bind(order.0).fetch_optional(&mut *conn).await?;
    let machine = machine.ok_or_else(|| no_open_order(order.to_string()))?;
    let machine = MachineId(Reading::new(&machine, "work_order").next()?);
    let mut mind = Mind::load(conn, site).await?;
    let shop_day = mind.calendar.shop_day_of(now);
    let rows = refresh::plan(conn, &mut mind, &BTreeSet::from([machine]), shop_day).await?;
    let rows = rows.into_values().next().unwrap_or_default();
    let fresh = rows.iter().find(|row| row.order == order).cloned();
    let fresh = fresh.ok_or_else(|| no_open_order(order.to_string()))?;
    let mut entry = entry(conn, site, order).await?;
    let row_agrees = entry.plan == fresh;
    let covers = fresh.covering(&rows).collect();
    entry.plan = fresh;
    let stated = sqlx::query(STATED).bind(number).bind(order.0).fetch_optional(&mut *conn).await?;
    let stated = stated
        .map(|row| Reading::new(&row, "last_done").number("day").map(ShopDay::from_days))
        .transpose()?;
    let closings = orders::closings_of(conn, site, order).await?;
    let used = weeks::used(conn, site, &entry.plan, (&mind.calendar, shop_day)).await?;
    Ok(Explained { entry, row_agrees, shop_day, closings, stated, covers, used })
}

/// The open order of a machine's task.
pub(super) async fn open_order(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    task: &Key,
) -> Result<OrderNumber> {
    let row = sqlx::query(OPEN_OF_TASK)
        .bind(i64::from(site.0))
        .bind(machine)
        .bind(task.as_str())
        .fetch_optional(&mut *conn)
        .await?;
    match row {
        Some(row) => Ok(OrderNumber(Reading::new(&row, "work_order").next()?)),
        None => Err(why_none(conn, site, machine, task).await?),
    }
}

/// Why a machine's task has no open order: which of the two is not there, or that neither is wrong.
async fn why_none(conn: &mut Conn, site: SiteId, machine: &str, task: &Key) -> Result<StoreError> {
    let named = machines::known(conn, site, machine).await?;
    let rows = sqlx::query(TASK_KEYS).bind(i64::from(site.0)).bind(named.machine.0).fetch_all(conn).await?;
    let keys = rows.iter().map(|row| Reading::new(row, "task").text("key", Key::new));
    let keys = keys.collect::<Result<Vec<_>>>()?;
    if keys.contains(task) {
        return Ok(no_open_order(format!("{machine} {task}")));
    }
    let remedy = remedy(task.as_str(), keys.iter().map(Key::as_str), &format!("the tasks of {}", named.tag));
    let remedy = format!("{remedy}; `fettler shop show --output csv` lists all tasks");
    Ok(StoreError::Refused(Error::NotFound { kind: "task", name: format!("{machine} {task}"), remedy }))
}

fn no_open_order(name: String) -> StoreError {
    let remedy = "`fettler orders` lists those there are".into();
    StoreError::Refused(Error::NotFound { kind: "open order", name, remedy })
}
