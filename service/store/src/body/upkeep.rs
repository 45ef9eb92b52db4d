//! Upkeep: what time and changed declarations ask to be done again. None of it is a fact, so it makes no leaf.

use super::bulk::Bulk;
use super::decode::Reading;
use super::mind::Mind;
use super::tx::Tx;
use super::{Conn, apply, ledger, refresh};
use crate::contract::{Result, Upkeep};
use fettler_domain::ids::{MachineId, SiteId};
use fettler_domain::ledger::batch::{Batch, Dirty};
use fettler_domain::ledger::report::ReportId;
use fettler_domain::plan::{PLANNER_VERSION, stamp};
use fettler_domain::text::ForeignName;
use fettler_domain::time::{ShopDay, Ts};
use std::collections::BTreeSet;

const WAITING: &str =
    "SELECT source, report FROM ledger WHERE site = $1 AND waiting = 1 ORDER BY leaf LIMIT $2";
const COME: &str = "SELECT source, report FROM ledger WHERE site = $1 AND counts_from <= $2 \
    ORDER BY counts_from LIMIT $3";
/// Rows of another stamp, save those that a newer planner has written.
const OLD: &str = "SELECT machine FROM plan WHERE site = $1 AND planner <= $6 AND (as_of <> $2 OR fleet_epoch <> $3 \
    OR calendar <> $4 OR zone_data <> $5 OR planner <> $6 OR stale = 1) LIMIT $7";
static DONE_WAITING: Bulk = Bulk::new(
    "WITH k(site, source, report) AS (VALUES",
    1,
    2,
    ") UPDATE ledger SET waiting = 0 FROM k WHERE ledger.site = k.site AND ledger.source = k.source \
     AND ledger.report = k.report AND ledger.waiting = 1",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![WAITING, COME, OLD, DONE_WAITING.sample()]
}

/// One bounded pass over a site. Where nothing is to be done nothing is written.
pub(super) async fn upkeep(tx: &mut Tx, site: SiteId, limit: u32) -> Result<Upkeep> {
    tx.forget_machines([]);
    let now = tx.caller.now;
    let reports = to_judge(&mut tx.conn, site, now, i64::from(limit)).await?;
    let calendar = super::sites::by_number(&mut tx.conn, site).await?.calendar;
    let today = calendar.shop_day_of(now);
    let rest = i64::from(limit) - i64::try_from(reports.len()).unwrap_or(i64::MAX);
    let rows = old_rows(&mut tx.conn, site, &stamp(today, 0, &calendar), rest.max(0)).await?;
    if reports.is_empty() && rows.is_empty() {
        return Ok(Upkeep::default());
    }
    let judged = reports.len() as u64;
    let more = judged + rows.len() as u64 >= u64::from(limit);
    tx.take(site).await?;
    let mut mind = tx.mind(site).await?;
    let mut refreshed = 0;
    if !reports.is_empty() {
        refreshed += judge_again(&mut tx.conn, site, &mut mind, reports, now).await?;
    }
    refreshed += plan_again(&mut tx.conn, site, &mut mind, rows, today).await?;
    tx.keep_mind(mind)?;
    Ok(Upkeep { refreshed, judged, more })
}

/// Reports whose declarations changed, and those held as future whose instant has come.
async fn to_judge(conn: &mut Conn, site: SiteId, now: Ts, limit: i64) -> Result<BTreeSet<ReportId>> {
    let number = i64::from(site.0);
    let mut rows = sqlx::query(WAITING).bind(number).bind(limit).fetch_all(&mut *conn).await?;
    let rest = limit - i64::try_from(rows.len()).unwrap_or(limit);
    rows.extend(sqlx::query(COME).bind(number).bind(now.0).bind(rest).fetch_all(conn).await?);
    rows.iter()
        .map(|row| {
            let mut row = Reading::new(row, "ledger");
            let source = row.text("source", ForeignName::new)?;
            Ok(ReportId { source, report: row.text("report", ForeignName::new)? })
        })
        .collect()
}

/// The machines of rows that were computed for another day, or from or by something else; one entry a row.
async fn old_rows(
    conn: &mut Conn,
    site: SiteId,
    present: &fettler_domain::plan::Stamp,
    limit: i64,
) -> Result<Vec<MachineId>> {
    let rows = sqlx::query(OLD)
        .bind(i64::from(site.0))
        .bind(i64::from(present.as_of.to_days()))
        .bind(present.fleet_epoch)
        .bind(present.calendar_revision)
        .bind(present.zone_data.as_ref())
        .bind(i64::from(PLANNER_VERSION))
        .bind(limit)
        .fetch_all(conn)
        .await?;
    rows.iter().map(|row| Ok(MachineId(Reading::new(row, "plan").next()?))).collect()
}

async fn judge_again(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    reports: BTreeSet<ReportId>,
    now: Ts,
) -> Result<u64> {
    let declarations = mind.declarations(conn).await?;
    let judged: Vec<ReportId> = reports.iter().cloned().collect();
    let mut batch = Batch::rejudging(&declarations, Dirty { reports, ..Dirty::default() });
    let changes = ledger::judge(conn, site, &mut batch, now).await?;
    let touched = apply::apply(conn, site, mind, &changes, &ledger::Arrived::new()).await?;
    let number = i64::from(site.0);
    DONE_WAITING
        .run(conn, &judged, |q| q.bind(number), |q, id| q.bind(id.source.as_str()).bind(id.report.as_str()))
        .await?;
    apply::plan_of(conn, site, mind, &declarations, &touched, now).await
}

async fn plan_again(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    rows: Vec<MachineId>,
    today: ShopDay,
) -> Result<u64> {
    let machines: BTreeSet<MachineId> = rows.into_iter().collect();
    refresh::clear(conn, site, &machines).await?;
    for machine in &machines {
        // Whatever is remembered of them, the stored rows are to be written anew.
        if let Some(known) = mind.machines.get_mut(machine) {
            known.stored = None;
        }
    }
    refresh::refresh(conn, site, mind, &machines, today).await
}
