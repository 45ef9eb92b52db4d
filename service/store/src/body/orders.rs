//! Work orders as they are listed and shown.

use super::bulk::Bulk;
use super::decode::Reading;
use super::mind::Mind;
use super::{Conn, Db, DbRow};
use crate::contract::{ClosingView, OrderFilter, OrderRecord, Page, PageAsk, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, PersonId, SiteId, TaskId};
use fettler_domain::order::{ClosingRecord, OrderState};
use fettler_domain::plan::{MeterInput, Satisfied, satisfied};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const COLUMNS: &str = "SELECT o.number, o.state, m.tag, t.key, o.title, o.opened_at, o.raised_by, o.card, o.ended_at, \
    o.reason, o.skipped_by, o.machine, o.task FROM work_order o \
    JOIN machine m ON m.site = o.site AND m.number = o.machine \
    LEFT JOIN task t ON t.site = o.site AND t.number = o.task WHERE o.site = ";
static CLOSINGS: Bulk = Bulk::new(
    "WITH k(site, number) AS (VALUES",
    1,
    1,
    ") SELECT c.work_order, c.undone, c.record, c.leaf, n.text FROM k CROSS JOIN closing c \
     LEFT JOIN sealed_note n ON n.site = c.site AND n.leaf = c.leaf \
     WHERE c.site = k.site AND c.work_order = k.number ORDER BY c.number",
);
/// The closings of an order's task that stand, the newest first: what `why` shows.
const OF_TASK: &str = "SELECT c.record FROM work_order o JOIN closing c ON c.site = o.site AND c.task = o.task \
    WHERE o.site = $1 AND o.number = $2 AND c.undone = 0 ORDER BY c.done_at DESC, c.number DESC LIMIT 10";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CLOSINGS.sample(), OF_TASK]
}

/// What an order without a task keeps of what was said.
#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct RaisedCard {
    /// What was seen.
    pub(super) note: String,
}

/// Orders: open ones by number, others newest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &OrderFilter,
    page: PageAsk<i64>,
) -> Result<Page<OrderRecord, i64>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(state) = filter.state {
        query.push(" AND o.state = ").push_bind(super::decode::to_word(&state)?);
    }
    if let Some(machine) = &filter.machine {
        query.push(" AND m.tag = ").push_bind(machine.as_str());
    }
    if let Some(task) = &filter.task {
        query.push(" AND t.key = ").push_bind(task.as_str());
    }
    let rising = filter.state == Some(OrderState::Open);
    let (comparison, order) = if rising { (" > ", "ASC") } else { (" < ", "DESC") };
    if let Some(after) = page.after {
        query.push(" AND o.number").push(comparison).push_bind(after);
    }
    query.push(" ORDER BY o.number ").push(order).push(" LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(&mut *conn).await?;
    let mut found =
        rows.iter().map(|row| record(row).map(|found| found.order)).collect::<Result<Vec<_>>>()?;
    add_closings(conn, site, &mut found).await?;
    Ok(Page::cut(found, page.limit, |order| order.number.0))
}

/// One order, with what its closing satisfied as known now.
pub(super) async fn one(conn: &mut Conn, site: SiteId, number: OrderNumber) -> Result<OrderRecord> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND o.number = ").push_bind(number.0);
    let row = query.build().fetch_optional(&mut *conn).await?.ok_or_else(|| no_order(number))?;
    let Found { order, machine, task } = record(&row)?;
    let mut orders = [order];
    add_closings(conn, site, &mut orders).await?;
    let [mut order] = orders;
    if let (Some(closing), Some(task)) = (&mut order.closing, task) {
        closing.satisfied = satisfied_by(conn, site, machine, task, closing.record.done_at).await?;
    }
    Ok(order)
}

/// That there is no such order.
pub(super) fn no_order(number: OrderNumber) -> StoreError {
    let remedy = "`fettler orders` lists those there are".into();
    StoreError::Refused(Error::NotFound { kind: "order", name: number.to_string(), remedy })
}

struct Found {
    order: OrderRecord,
    machine: MachineId,
    task: Option<TaskId>,
}

fn record(row: &DbRow) -> Result<Found> {
    let mut row = Reading::new(row, "work_order");
    let number = OrderNumber(row.next()?);
    let state = row.word("state")?;
    let machine = row.text("tag", Key::new)?;
    let task: Option<String> = row.next()?;
    let task = task.map(|key| Key::new(key.clone()).map_err(|_| row.corrupt("key", key))).transpose()?;
    let title = row.text("title", Name::new)?;
    let opened_at = Ts(row.next()?);
    let raised_by = row.next::<Option<i64>>()?.map(PersonId);
    let card: RaisedCard = row.json("card")?;
    let order = OrderRecord {
        number,
        state,
        machine,
        task,
        title,
        opened_at,
        raised_by,
        note: card.note,
        ended_at: row.next::<Option<i64>>()?.map(Ts),
        reason: row.next()?,
        skipped_by: row.next::<Option<i64>>()?.map(PersonId),
        closing: None,
        undone: Vec::new(),
    };
    Ok(Found { order, machine: MachineId(row.next()?), task: row.next::<Option<i64>>()?.map(TaskId) })
}

async fn add_closings(conn: &mut Conn, site: SiteId, orders: &mut [OrderRecord]) -> Result<()> {
    let number = i64::from(site.0);
    let numbers: Vec<OrderNumber> = orders.iter().map(|order| order.number).collect();
    let rows = CLOSINGS.fetch(conn, &numbers, |q| q.bind(number), |q, order| q.bind(order.0)).await?;
    let mut views: BTreeMap<OrderNumber, Vec<(bool, ClosingView)>> = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "closing");
        let order = OrderNumber(row.next()?);
        let undone = row.next::<i64>()? != 0;
        let record = row.json("record")?;
        let entry = row.next()?;
        let note = row.next::<Option<String>>()?.unwrap_or_default();
        views.entry(order).or_default().push((undone, ClosingView { record, note, satisfied: None, entry }));
    }
    for order in orders {
        for (undone, view) in views.remove(&order.number).unwrap_or_default() {
            if undone {
                order.undone.push(view);
            } else {
                order.closing = Some(view);
            }
        }
    }
    Ok(())
}

/// What a closing of a task satisfied, as known now; none when the task has no open order any more to judge from.
async fn satisfied_by(
    conn: &mut Conn,
    site: SiteId,
    machine: MachineId,
    task: TaskId,
    done_at: Ts,
) -> Result<Option<Satisfied>> {
    let mut mind = Mind::load(conn, site).await?;
    mind.know_machines(conn, &BTreeSet::from([machine])).await?;
    let Some(known) = mind.machines.get(&machine) else { return Ok(None) };
    let Some(mut input) = known.orders.iter().find(|order| order.task == Some(task)).cloned() else {
        return Ok(None);
    };
    input.rests.clone_from(&known.rests);
    let meters = known.meters.clone();
    mind.know_meters(conn, meters.iter().map(|(meter, _)| *meter)).await?;
    // Each round loads the months that the one before named; a clause names a bounded number of them.
    for _ in 0..super::refresh::ROUNDS_MAX {
        input.meters = meters
            .iter()
            .filter_map(|(meter, unit)| {
                Some((*meter, MeterInput { unit: *unit, history: mind.meters.get(meter)?.history() }))
            })
            .collect();
        match satisfied(&input, &mind.calendar, done_at) {
            Ok(answer) => return Ok(Some(answer)),
            Err(missing) => mind.know_months(conn, &missing).await?,
        }
    }
    Err(StoreError::Corrupt { table: "meter_month", column: "month", row: machine.to_string() })
}

/// The standing closings of an order's task, newest first.
pub(super) async fn closings_of(
    conn: &mut Conn,
    site: SiteId,
    order: OrderNumber,
) -> Result<Vec<ClosingRecord>> {
    let rows = sqlx::query(OF_TASK).bind(i64::from(site.0)).bind(order.0).fetch_all(conn).await?;
    rows.iter().map(|row| Reading::new(row, "closing").json("record")).collect()
}
