//! Orders whose rule has ended: void with that reason, and open again when the rule goes on after all (another rule, another
//! last done, an undone closing, a changed calendar). What has ended follows from the plan, so every plan looks again.

use super::journal::Fact;
use super::refresh;
use super::tx::Tx;
use crate::contract::Result;
use fettler_domain::ids::{MachineId, OrderNumber, SiteId, TaskId};
use fettler_domain::journal::Kind;
use fettler_domain::plan::{DueKind, PlanRow, Section};
use serde_json::json;
use std::collections::BTreeSet;

const VOID: &str = "UPDATE work_order SET state = 'void', ended_at = $3, reason = $4, leaf = $5 \
    WHERE site = $1 AND number = $2 AND state = 'open'";
const OPEN: &str = "UPDATE work_order SET state = 'open', ended_at = NULL, reason = '', leaf = $3 \
    WHERE site = $1 AND number = $2 AND state = 'void'";
const LEAVE: &str =
    "UPDATE work_order SET planned = 0 WHERE site = $1 AND task = $2 AND planned = 1 AND state = 'void'";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[VOID, OPEN, LEAVE];

/// Why such an order is void.
const REASON: &str = "its rule has ended";

/// What is said of an order that became void so.
pub(super) fn remark(order: OrderNumber) -> String {
    format!("order {order} is void: {REASON}")
}

/// What of a fresh row is kept: nothing of an order that is void and stays so, and off every list until it is open again
/// that of one which does not.
pub(super) fn kept(ended: &BTreeSet<OrderNumber>, row: PlanRow) -> Option<PlanRow> {
    match (ended.contains(&row.order), row.kind) {
        (true, DueKind::Ended) => None,
        (true, _) => Some(PlanRow { section: Section::Unlisted, ..row }),
        (false, _) => Some(row),
    }
}

/// Whether a row says that its order is to become void, or to be open again.
pub(super) fn is_turning(ended: &BTreeSet<OrderNumber>, row: &PlanRow) -> bool {
    row.kind == DueKind::Ended || ended.contains(&row.order)
}

/// Makes orders of machines void whose rule has ended, and opens those again whose rule goes on, each as a fact; gives
/// those that became void. Their rows were computed before, in the same transaction.
pub(super) async fn turn(
    tx: &mut Tx,
    site: SiteId,
    machines: &BTreeSet<MachineId>,
) -> Result<Vec<OrderNumber>> {
    let mut mind = tx.mind(site).await?;
    let mut turning: Vec<(MachineId, PlanRow)> = Vec::new();
    for machine in machines {
        let Some(known) = mind.machines.get(machine) else { continue };
        let rows = known.stored.iter().flat_map(|stored| &stored.turning);
        turning.extend(rows.map(|row| (*machine, row.clone())));
    }
    let touched: BTreeSet<MachineId> = turning.iter().map(|(machine, _)| *machine).collect();
    for machine in &touched {
        mind.machines.remove(machine);
    }
    tx.keep_mind(mind)?;
    if turning.is_empty() {
        return Ok(Vec::new());
    }
    let mut void = Vec::new();
    for (_, row) in &turning {
        if row.kind == DueKind::Ended {
            end(tx, site, row).await?;
            void.push(row.order);
        } else {
            open(tx, site, row).await?;
        }
    }
    let mut mind = tx.mind(site).await?;
    let as_of = mind.calendar.shop_day_of(tx.caller.now);
    refresh::clear(&mut tx.conn, site, &touched).await?;
    refresh::refresh(&mut tx.conn, site, &mut mind, &touched, as_of).await?;
    tx.keep_mind(mind)?;
    Ok(void)
}

async fn end(tx: &mut Tx, site: SiteId, row: &PlanRow) -> Result<()> {
    let leaf = append(tx, site, Kind::OrderVoided, row, "void")?;
    sqlx::query(VOID)
        .bind(i64::from(site.0))
        .bind(row.order.0)
        .bind(tx.caller.now.0)
        .bind(REASON)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

async fn open(tx: &mut Tx, site: SiteId, row: &PlanRow) -> Result<()> {
    let leaf = append(tx, site, Kind::OrderOpenAgain, row, "open")?;
    sqlx::query(OPEN).bind(i64::from(site.0)).bind(row.order.0).bind(leaf).execute(&mut tx.conn).await?;
    Ok(())
}

fn append(tx: &mut Tx, site: SiteId, kind: Kind, row: &PlanRow, state: &str) -> Result<i64> {
    let after = json!({
        "order": row.order.0,
        "state": state,
        "machine": row.machine.0,
        "task": row.task.map(|task| task.0),
        "reason": if state == "void" { REASON } else { "" },
    });
    let subject = format!("orders/{}", row.order);
    tx.append(site, Fact { kind, subject, person: None, after, before: None, sealed: None })
}

/// Leaves the order of a task that is void because its rule has ended as it is for good: the task was retired, or an
/// order before it is open again.
pub(super) async fn leave(tx: &mut Tx, site: SiteId, task: TaskId) -> Result<()> {
    sqlx::query(LEAVE).bind(i64::from(site.0)).bind(task.0).execute(&mut tx.conn).await?;
    Ok(())
}
