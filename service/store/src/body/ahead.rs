//! Looking ahead: machines loaded as planning takes them, and walked on by the domain.

use super::bulk::Bulk;
use super::decode::Reading;
use super::history::Day;
use super::mind::Mind;
use super::refresh::{self, ROUNDS_MAX};
use super::{Conn, Db, beside};
use crate::contract::{AheadFilter, MachineAhead, Page, PageAsk, Result, StoreError};
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MachineId, MeterId, SiteId, TaskId};
use fettler_domain::plan::{LookAhead, MeterInput, Missing, WalkInput, look_ahead};
use fettler_domain::shop::TaskCard;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{ShopDay, Ts};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Machines with an open order of a task, in the order of their numbers.
const MACHINES: &str = "SELECT m.number, m.tag, m.name, m.area FROM machine m WHERE EXISTS (SELECT 1 FROM work_order o \
    WHERE o.site = m.site AND o.machine = m.number AND o.planned = 1 AND o.task IS NOT NULL AND o.state = 'open') \
    AND m.site = ";
static CARDS: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT t.machine, t.number, t.card FROM k CROSS JOIN work_order o CROSS JOIN task t \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 AND o.state = 'open' \
     AND t.site = o.site AND t.number = o.task",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CARDS.sample()]
}

/// What is expected of a page of machines from the shop day of `now` on.
pub(super) async fn look(
    conn: &mut Conn,
    site: SiteId,
    filter: &AheadFilter,
    page: PageAsk<i64>,
    now: Ts,
) -> Result<Page<MachineAhead, i64>> {
    let Page { rows: found, next } = machines(conn, site, filter, page).await?;
    let numbers: BTreeSet<MachineId> = found.iter().map(|machine| machine.number).collect();
    let mut mind = Mind::load(conn, site).await?;
    let as_of = mind.calendar.shop_day_of(now);
    plan(conn, &mut mind, &numbers, as_of).await?;
    let mut cards = cards(conn, site, &numbers).await?;
    let mut rows = Vec::with_capacity(found.len());
    for machine in found {
        let ahead = walk(conn, &mut mind, machine.number, (as_of, filter.until), look_ahead).await?;
        let cards = cards.remove(&machine.number).unwrap_or_default();
        rows.push(MachineAhead { ahead, cards, ..machine });
    }
    Ok(Page { rows, next })
}

/// Makes the present plan of machines, by which what it needs is loaded.
pub(super) async fn plan(
    conn: &mut Conn,
    mind: &mut Mind,
    machines: &BTreeSet<MachineId>,
    as_of: ShopDay,
) -> Result<()> {
    refresh::plan(conn, mind, machines, as_of).await?;
    Ok(())
}

pub(super) async fn machines(
    conn: &mut Conn,
    site: SiteId,
    filter: &AheadFilter,
    page: PageAsk<i64>,
) -> Result<Page<MachineAhead, i64>> {
    let mut query = QueryBuilder::<Db>::new(MACHINES);
    query.push_bind(i64::from(site.0));
    if let Some(machine) = filter.machine {
        query.push(" AND m.number = ").push_bind(machine.0);
    }
    if let Some(area) = &filter.area {
        query.push(" AND m.area = ").push_bind(area.as_str());
    }
    if let Some(after) = page.after {
        query.push(" AND m.number > ").push_bind(after);
    }
    query.push(" ORDER BY m.number LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let machine = |row| {
        let mut row = Reading::new(row, "machine");
        let number = MachineId(row.next()?);
        let (tag, name) = (row.text("tag", Key::new)?, row.text("name", Name::new)?);
        let ahead = LookAhead { tasks: Vec::new(), cut_off: None };
        Ok(MachineAhead { number, tag, name, area: row.next()?, ahead, cards: BTreeMap::new() })
    };
    let machines = rows.iter().map(machine).collect::<Result<Vec<_>>>()?;
    Ok(Page::cut(machines, page.limit, |machine| machine.number.0))
}

pub(super) async fn cards(
    conn: &mut Conn,
    site: SiteId,
    machines: &BTreeSet<MachineId>,
) -> Result<BTreeMap<MachineId, BTreeMap<TaskId, TaskCard>>> {
    let (site, machines) = (i64::from(site.0), machines.iter().copied().collect::<Vec<_>>());
    let mut cards: BTreeMap<MachineId, BTreeMap<TaskId, TaskCard>> = BTreeMap::new();
    for row in &CARDS.fetch(conn, &machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await? {
        let mut row = Reading::new(row, "task");
        let (machine, task) = (MachineId(row.next()?), TaskId(row.next()?));
        cards.entry(machine).or_default().insert(task, row.json("card")?);
    }
    Ok(cards)
}

/// A way to walk a machine on from a shop day to another.
type Along<T> = fn(&WalkInput, &Calendar, ShopDay, ShopDay) -> std::result::Result<T, Missing>;

/// Walks a machine on, loading months that the walk asks for.
pub(super) async fn walk<T: Send + 'static>(
    conn: &mut Conn,
    mind: &mut Mind,
    machine: MachineId,
    (as_of, until): (ShopDay, ShopDay),
    along: Along<T>,
) -> Result<T> {
    for _ in 0..ROUNDS_MAX {
        let Some(input) = input(mind, machine, as_of) else { break };
        let calendar = Arc::clone(&mind.calendar);
        match beside(move || Ok(along(&input, &calendar, as_of, until))).await? {
            Ok(ahead) => return Ok(ahead),
            Err(missing) => mind.know_months(conn, &missing).await?,
        }
    }
    Err(StoreError::Corrupt { table: "meter_month", column: "month", row: machine.to_string() })
}

/// A machine as the walk takes it, from what is known of it.
fn input(mind: &mut Mind, machine: MachineId, as_of: ShopDay) -> Option<WalkInput> {
    let work_days = mind.work_days(as_of);
    let known = mind.machines.get(&machine)?;
    let (work_days, epoch) = (work_days.as_deref(), mind.fleet_epoch);
    let day = Day { calendar: &mind.calendar, as_of, work_days, epoch, rests: &known.rests };
    let mut meters: BTreeMap<MeterId, MeterInput> = BTreeMap::new();
    for (meter, kind) in &known.meters {
        let Some(of_meter) = mind.meters.get_mut(meter) else { continue };
        let forecast = of_meter.forecast(|| mind.fleet.of_meter(&known.family, *kind), day);
        let history = of_meter.history.clone();
        meters.insert(*meter, MeterInput { unit: kind.unit(), history, forecast });
    }
    let is_open = |order: &&fettler_domain::plan::TaskInput| !known.ended.contains(&order.order);
    Some(WalkInput {
        orders: known.orders.iter().filter(is_open).cloned().collect(),
        meters,
        rests: known.rests.clone(),
        covers: known.covers.clone(),
    })
}
