//! Whether a plan is what planning afresh gives.

use super::decode::Reading;
use super::mind::Mind;
use super::refresh;
use super::store::SqlStore;
use super::{Conn, DbRow};
use crate::contract::{Part, Result};
use fettler_domain::ids::{MachineId, OrderNumber, SiteId};
use fettler_domain::plan::{PlanRow, stamp};
use fettler_domain::time::ShopDay;
use std::collections::{BTreeMap, BTreeSet};

const MACHINES: &str = "SELECT number FROM machine WHERE site = $1 AND number > $2 ORDER BY number LIMIT $3";
const ROWS: &str = "SELECT number, machine, task, section, key_time, sure_time, due, opens, late, covered_by, hazard, as_of, \
    stale, payload FROM plan WHERE site = $1 AND machine >= $2 AND machine <= $3 ORDER BY number";
const OPEN: &str =
    "SELECT number FROM work_order WHERE site = $1 AND machine >= $2 AND machine <= $3 AND state = 'open'";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[MACHINES, ROWS, OPEN];

/// Machines that are planned afresh at once.
const MACHINES_AT_ONCE: i64 = 50;

/// What to do where a row is wrong.
const REMEDY: &str = "rows follow from what was recorded and are computed afresh at the start of each shop day; until then \
    `fettler why` tells what is so. Tell whoever looks after Fettler of it";

/// What was compared.
#[derive(Default)]
struct Counts {
    agree: usize,
    waiting: usize,
    machines: usize,
}

/// Checks a site's plan.
pub(super) async fn check(store: &SqlStore, site: SiteId) -> Result<Part> {
    let mut part = Part::new("plan", Some(site));
    let mut counts = Counts::default();
    let mut after = 0;
    loop {
        let mut conn = store.read().await?;
        let query = sqlx::query(MACHINES).bind(i64::from(site.0)).bind(after).bind(MACHINES_AT_ONCE);
        let rows = query.fetch_all(&mut *conn).await?;
        let machines: Vec<i64> =
            rows.iter().map(|row| Reading::new(row, "machine").next()).collect::<Result<_>>()?;
        let (Some(first), Some(last)) = (machines.first(), machines.last()) else { break };
        some(&mut conn, site, (*first, *last), &mut counts, &mut part).await?;
        counts.machines += machines.len();
        after = *last;
    }
    let Counts { agree, waiting, machines } = counts;
    part.seen = format!("{agree} rows of {machines} machines as planned afresh");
    if waiting > 0 {
        part.seen = format!(
            "{}; {waiting} more wait to be computed for other fleet figures, calendar or planner",
            part.seen
        );
    }
    Ok(part)
}

/// A stored row: what it says, and whether its columns say the same.
struct Stored {
    row: PlanRow,
    columns_agree: bool,
    is_marked: bool,
}

/// The order of a row, and what the row says unless it cannot be read.
fn stored(row: &DbRow) -> Result<(OrderNumber, Option<Stored>)> {
    let mut reading = Reading::new(row, "plan");
    let numbers: [i64; 2] = [reading.next()?, reading.next()?];
    let task: Option<i64> = reading.next()?;
    let (section, key_time): (i64, i64) = (reading.next()?, reading.next()?);
    let mut instants: [Option<i64>; 5] = [None; 5];
    for instant in &mut instants {
        *instant = reading.next()?;
    }
    let (hazard, as_of, stale): (i64, i64, i64) = (reading.next()?, reading.next()?, reading.next()?);
    let order = OrderNumber(numbers[0]);
    let Ok(row) = reading.json::<PlanRow>("payload") else { return Ok((order, None)) };
    let at = |at: Option<fettler_domain::time::Ts>| at.map(|at| at.0);
    let columns_agree = numbers == [row.order.0, row.machine.0]
        && task == row.task.map(|task| task.0)
        && (section, key_time) == (i64::from(row.section as u8), row.key_time.0)
        && instants
            == [
                Some(row.sure_time().0),
                at(row.due),
                at(row.opens),
                at(row.late),
                row.covered_by.map(|order| order.0),
            ]
        && (hazard != 0, as_of) == (row.hazard, i64::from(row.stamp.as_of.to_days()));
    Ok((order, Some(Stored { row, columns_agree, is_marked: stale != 0 })))
}

/// Compares the rows of some machines, as of the day of each.
async fn some(
    conn: &mut Conn,
    site: SiteId,
    (first, last): (i64, i64),
    counts: &mut Counts,
    part: &mut Part,
) -> Result<()> {
    let number = i64::from(site.0);
    let rows = sqlx::query(ROWS).bind(number).bind(first).bind(last).fetch_all(&mut *conn).await?;
    let mut known = BTreeSet::new();
    let mut readable = Vec::with_capacity(rows.len());
    for row in &rows {
        let (order, stored) = stored(row)?;
        known.insert(order);
        match stored {
            Some(stored) => readable.push(stored),
            None => part.fault(format!("the row of order {order} cannot be read"), REMEDY),
        }
    }
    let rows = readable;
    let open = sqlx::query(OPEN).bind(number).bind(first).bind(last).fetch_all(&mut *conn).await?;
    for row in &open {
        let order = OrderNumber(Reading::new(row, "work_order").next()?);
        if !known.contains(&order) {
            part.fault(format!("open order {order} has no row, and so stands in no list"), REMEDY);
        }
    }
    let mut days: BTreeMap<ShopDay, BTreeSet<MachineId>> = BTreeMap::new();
    for Stored { row, .. } in &rows {
        days.entry(row.stamp.as_of).or_default().insert(row.machine);
    }
    let mut fresh: BTreeMap<(ShopDay, OrderNumber), PlanRow> = BTreeMap::new();
    let mut mind = Mind::load(conn, site).await?;
    for (day, machines) in &days {
        let planned = refresh::plan(conn, &mut mind, machines, *day).await?;
        let planned = planned.into_values().flatten();
        fresh.extend(planned.map(|row| ((*day, row.order), row)));
    }
    for Stored { row, columns_agree, is_marked } in &rows {
        let order = row.order;
        if !columns_agree {
            part.fault(format!("the row of order {order} is listed by other values than it holds"), REMEDY);
        } else if *is_marked || row.stamp != stamp(row.stamp.as_of, mind.fleet_epoch, &mind.calendar) {
            counts.waiting += 1;
        } else if fresh.get(&(row.stamp.as_of, order)) == Some(row) {
            counts.agree += 1;
        } else {
            part.fault(format!("the row of order {order} is not what planning it afresh gives"), REMEDY);
        }
    }
    Ok(())
}
