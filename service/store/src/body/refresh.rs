//! Computing plan rows afresh, and writing those that changed.

use super::bulk::Bulk;
use super::history::Day;
use super::mind::Mind;
use super::plan_write::{Changed, StoredRows, Waiting};
use super::tx::Tx;
use super::{Conn, beside, ended};
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, SiteId};
use fettler_domain::ledger::history::Month;
use fettler_domain::plan::{MeterInput, Missing, PlanRow, TaskInput, plan_task};
use fettler_domain::time::ShopDay;
use std::collections::{BTreeMap, BTreeSet};
use tokio::sync::mpsc;

static CLEAR: Bulk = Bulk::new(
    "DELETE FROM plan WHERE (site, machine) IN (VALUES",
    1,
    1,
    ") AND NOT EXISTS (SELECT 1 FROM work_order o WHERE o.site = plan.site AND o.number = plan.number \
     AND o.state = 'open')",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CLEAR.sample()]
}

/// How often the planner may ask for further months. Each round loads all that it named; more rounds than clauses and
/// their bases could ever need mean that something is wrong.
pub(super) const ROUNDS_MAX: usize = 64;

/// Computes the rows of machines whose declarations, orders or closings the transaction changed, as of the shop day
/// of its moment, and clears those of orders that are no longer open; gives the orders that became void because their
/// rule has ended. The site must have been taken.
pub(super) async fn machines(
    tx: &mut Tx,
    site: SiteId,
    machines: &BTreeSet<MachineId>,
) -> Result<Vec<OrderNumber>> {
    tx.minds.forget_machines(site, machines.iter().copied());
    let mut mind = tx.mind(site).await?;
    let as_of = mind.calendar.shop_day_of(tx.caller.now);
    clear(&mut tx.conn, site, machines).await?;
    refresh(&mut tx.conn, site, &mut mind, machines, as_of).await?;
    tx.keep_mind(mind)?;
    ended::turn(tx, site, machines).await
}

/// Clears rows of these machines' orders that are no longer open.
pub(super) async fn clear(conn: &mut Conn, site: SiteId, machines: &BTreeSet<MachineId>) -> Result<()> {
    let machines: Vec<MachineId> = machines.iter().copied().collect();
    let site = i64::from(site.0);
    CLEAR.run(conn, &machines, |q| q.bind(site), |q, machine| q.bind(machine.0)).await?;
    Ok(())
}

/// Computes the rows of machines and writes those that changed; gives how many rows were computed.
pub(super) async fn refresh(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    machines: &BTreeSet<MachineId>,
    as_of: ShopDay,
) -> Result<u64> {
    know(conn, mind, machines, as_of).await?;
    let mut round = Round::of(mind, machines.iter().copied().collect(), as_of);
    let mut fresh = round.compare(mind)?;
    complete(conn, mind, &mut round, &mut fresh, as_of).await?;
    let mut waiting = Waiting::default();
    waiting.add(fresh.changed);
    waiting.write_all(conn, site).await?;
    Ok(fresh.computed)
}

/// How many machines are planned before their rows are handed on to be written.
const HANDED_ON: usize = 32;

/// Rows being computed away from the transaction, so that what came before them can be written meanwhile.
pub(super) struct Planning<F> {
    rows: mpsc::UnboundedReceiver<Vec<Changed>>,
    planned: F,
    as_of: ShopDay,
}

/// Begins to compute the rows of machines, which the mind must know.
pub(super) fn begin(
    mut mind: Mind,
    machines: BTreeSet<MachineId>,
    as_of: ShopDay,
) -> Planning<impl Future<Output = Result<(Mind, Round)>>> {
    let (hand_on, rows) = mpsc::unbounded_channel();
    let planned = beside(move || {
        let mut round = Round::default();
        let machines: Vec<MachineId> = machines.into_iter().collect();
        for some in machines.chunks(HANDED_ON) {
            let mut part = Round::of(&mut mind, some.to_vec(), as_of);
            // Nobody receives when the transaction has failed.
            let _ = hand_on.send(part.compare(&mut mind)?.changed);
            round.open.append(&mut part.open);
            round.missing.append(&mut part.missing);
        }
        Ok((mind, round))
    });
    Planning { rows, planned, as_of }
}

impl<F: Future<Output = Result<(Mind, Round)>>> Planning<F> {
    /// Writes the rows as they are handed on; gives the mind back.
    pub(super) async fn write(mut self, conn: &mut Conn, site: SiteId) -> Result<Mind> {
        let mut waiting = Waiting::default();
        while let Some(some) = self.rows.recv().await {
            waiting.add(some);
            waiting.write_most(conn, site).await?;
        }
        let (mut mind, mut round) = self.planned.await?;
        let mut fresh = Fresh::default();
        complete(conn, &mut mind, &mut round, &mut fresh, self.as_of).await?;
        waiting.add(fresh.changed);
        waiting.write_all(conn, site).await?;
        Ok(mind)
    }
}

/// Loads months that rounds ask for until every machine has its rows.
async fn complete(
    conn: &mut Conn,
    mind: &mut Mind,
    round: &mut Round,
    fresh: &mut Fresh,
    as_of: ShopDay,
) -> Result<()> {
    while round.go_on(conn, mind, as_of).await? {
        let more = round.compare(mind)?;
        fresh.computed += more.computed;
        fresh.changed.extend(more.changed);
    }
    Ok(())
}

/// Makes sure that machines are known, with their meters' totals and what forecasts rest on.
pub(super) async fn know(
    conn: &mut Conn,
    mind: &mut Mind,
    machines: &BTreeSet<MachineId>,
    as_of: ShopDay,
) -> Result<()> {
    mind.know_machines(conn, machines).await?;
    let known = machines.iter().filter_map(|machine| mind.machines.get(machine));
    let meters: Vec<MeterId> = known
        .filter(|m| !m.orders.is_empty())
        .flat_map(|m| m.meters.iter().map(|(meter, _)| *meter))
        .collect();
    mind.know_meters(conn, meters.iter().copied()).await?;
    mind.know_ended(conn, &meters, as_of).await
}

/// One pass over machines: their rows, or what the planner misses of them.
#[derive(Default)]
pub(super) struct Round {
    planned: Vec<(MachineId, Vec<PlanRow>)>,
    open: Vec<MachineId>,
    missing: Vec<(MeterId, Month)>,
    rounds: usize,
}

impl Round {
    fn of(mind: &mut Mind, machines: Vec<MachineId>, as_of: ShopDay) -> Round {
        let mut round = Round { planned: Vec::new(), open: machines, missing: Vec::new(), rounds: 1 };
        round.pass(mind, as_of);
        round
    }

    fn pass(&mut self, mind: &mut Mind, as_of: ShopDay) {
        self.missing.clear();
        let Round { planned, open, missing, .. } = self;
        open.retain(|machine| match plan_machine(mind, *machine, as_of) {
            Ok(rows) => {
                planned.push((*machine, rows));
                false
            }
            Err(months) => {
                missing.extend(months);
                true
            }
        });
    }

    /// Loads what is missing and plans the machines that need it; whether there were any.
    async fn go_on(&mut self, conn: &mut Conn, mind: &mut Mind, as_of: ShopDay) -> Result<bool> {
        let Some(machine) = self.open.first() else { return Ok(false) };
        if self.rounds == ROUNDS_MAX {
            let row = machine.to_string();
            return Err(StoreError::Corrupt { table: "meter_month", column: "month", row });
        }
        mind.know_months(conn, &self.missing).await?;
        self.rounds += 1;
        self.pass(mind, as_of);
        Ok(true)
    }

    /// Takes the rows computed so far into the mind, and gives those that differ from what was stored.
    fn compare(&mut self, mind: &mut Mind) -> Result<Fresh> {
        let mut fresh = Fresh::default();
        for (machine, rows) in self.planned.drain(..) {
            let Some(known) = mind.machines.get_mut(&machine) else { continue };
            fresh.computed += rows.len() as u64;
            let turning = |row: &PlanRow| ended::is_turning(&known.ended, row);
            let changed = |row| fresh.changed.push(row);
            let stored = known.stored.as_ref();
            known.stored = Some(StoredRows::take(stored, &rows, &known.area, turning, changed)?);
        }
        Ok(fresh)
    }
}

/// Rows computed afresh.
#[derive(Default)]
struct Fresh {
    computed: u64,
    changed: Vec<Changed>,
}

/// The rows of machines as of a shop day, covers marked, in the order of their numbers.
pub(super) async fn plan(
    conn: &mut Conn,
    mind: &mut Mind,
    machines: &BTreeSet<MachineId>,
    as_of: ShopDay,
) -> Result<BTreeMap<MachineId, Vec<PlanRow>>> {
    know(conn, mind, machines, as_of).await?;
    let mut round = Round::of(mind, machines.iter().copied().collect(), as_of);
    while round.go_on(conn, mind, as_of).await? {}
    Ok(round.planned.into_iter().collect())
}

/// The rows of one machine.
fn plan_machine(
    mind: &mut Mind,
    machine: MachineId,
    as_of: ShopDay,
) -> std::result::Result<Vec<PlanRow>, Missing> {
    let work_days = mind.work_days(as_of);
    let Some(known) = mind.machines.get_mut(&machine) else { return Ok(Vec::new()) };
    if known.orders.is_empty() {
        return Ok(Vec::new());
    }
    let epoch = mind.fleet_epoch;
    let mut rests = known.rests.clone();
    let day = Day { calendar: &mind.calendar, as_of, work_days: work_days.as_deref(), epoch, rests: &rests };
    let mut meters: BTreeMap<MeterId, MeterInput> = BTreeMap::new();
    for (meter, kind) in &known.meters {
        let Some(of_meter) = mind.meters.get_mut(meter) else { continue };
        let forecast = of_meter.forecast(|| mind.fleet.of_meter(&known.family, *kind), day);
        let history = std::mem::take(&mut of_meter.history);
        meters.insert(*meter, MeterInput { unit: kind.unit(), history, forecast });
    }
    let mut rows = Vec::with_capacity(known.orders.len());
    let mut missing = Vec::new();
    for order in &mut known.orders {
        // The machine's histories are handed from order to order and then back instead of copied for each.
        order.fleet_epoch = epoch;
        swap(order, &mut meters, &mut rests);
        match plan_task(order, &mind.calendar, as_of) {
            Ok(row) => rows.extend(ended::kept(&known.ended, row)),
            Err(months) => missing.extend(months),
        }
        swap(order, &mut meters, &mut rests);
    }
    for (meter, input) in meters {
        if let Some(known) = mind.meters.get_mut(&meter) {
            known.history = input.history;
        }
    }
    if missing.is_empty() {
        known.covers.mark(&mut rows);
        Ok(rows)
    } else {
        Err(missing)
    }
}

fn swap(
    order: &mut TaskInput,
    meters: &mut BTreeMap<MeterId, MeterInput>,
    rests: &mut Vec<fettler_domain::plan::Rest>,
) {
    std::mem::swap(&mut order.meters, meters);
    std::mem::swap(&mut order.rests, rests);
}
