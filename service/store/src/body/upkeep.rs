//! Upkeep: what time and changed declarations ask to be done again. None of it is a fact, so it makes no leaf, but for
//! an order that becomes void because its rule has ended, or is open again because it has not.

use super::bulk::{Bulk, Query};
use super::decode::Reading;
use super::mind::Mind;
use super::tx::Tx;
use super::{Conn, apply, ended, fleet, ledger, refresh};
use crate::contract::{Result, Upkeep};
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MachineId, SiteId};
use fettler_domain::ledger::batch::{Batch, Dirty};
use fettler_domain::ledger::report::ReportId;
use fettler_domain::plan::{Stamp, stamp};
use fettler_domain::text::ForeignName;
use fettler_domain::time::{ShopDay, Ts};
use std::collections::BTreeSet;

const WAITING: &str =
    "SELECT source, report FROM ledger WHERE site = $1 AND waiting = 1 ORDER BY leaf LIMIT $2";
const COME: &str = "SELECT source, report FROM ledger WHERE site = $1 AND counts_from <= $2 \
    ORDER BY counts_from LIMIT $3";
/// Rows whose stamp is not the present one ($2 to $6) or that are marked stale. What is chosen of them is the caller's to say.
///
/// Each part is a stretch of the index by stamp with nothing else in it: a comparison of all columns at once says the same, and
/// SQLite walks all rows of the day for it.
macro_rules! of_another_stamp {
    ($columns:literal, $which:literal) => {
        concat!(
            of_another_stamp!(@part $columns, $which, "as_of < $2"),
            of_another_stamp!(@more $columns, $which, "as_of > $2"),
            of_another_stamp!(@more $columns, $which, "as_of = $2 AND fleet_epoch < $3"),
            of_another_stamp!(@more $columns, $which, "as_of = $2 AND fleet_epoch > $3"),
            of_another_stamp!(@more $columns, $which, "as_of = $2 AND fleet_epoch = $3 AND calendar < $4"),
            of_another_stamp!(@more $columns, $which, "as_of = $2 AND fleet_epoch = $3 AND calendar > $4"),
            of_another_stamp!(@same $columns, $which, "planner < $5"),
            of_another_stamp!(@same $columns, $which, "planner > $5"),
            of_another_stamp!(@same $columns, $which, "planner = $5 AND zone_data < $6"),
            of_another_stamp!(@same $columns, $which, "planner = $5 AND zone_data > $6"),
            of_another_stamp!(@same $columns, $which, "planner = $5 AND zone_data = $6 AND stale > 0"),
        )
    };
    (@part $columns:literal, $which:literal, $stretch:literal) => {
        concat!("SELECT ", $columns, " FROM plan WHERE site = $1 AND ", $stretch, " AND ", $which)
    };
    (@more $columns:literal, $which:literal, $stretch:literal) => {
        concat!(" UNION ALL ", of_another_stamp!(@part $columns, $which, $stretch))
    };
    (@same $columns:literal, $which:literal, $stretch:literal) => {
        concat!(
            " UNION ALL SELECT ", $columns, " FROM plan WHERE site = $1 AND as_of = $2 AND fleet_epoch = $3 AND calendar = $4 \
             AND ", $stretch, " AND ", $which
        )
    };
}
pub(super) use of_another_stamp;

/// Rows that a newer planner has written are left to it.
const OLD: &str = concat!(of_another_stamp!("machine", "planner <= $5"), " LIMIT $7");
const LEASE: &str = "INSERT INTO lease (site, duty, holder, until) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site, duty) DO UPDATE SET holder = excluded.holder, until = excluded.until \
    WHERE lease.holder = excluded.holder OR lease.until <= $5";
static DONE_WAITING: Bulk = Bulk::new(
    "WITH k(site, source, report) AS (VALUES",
    1,
    2,
    ") UPDATE ledger SET waiting = 0 FROM k WHERE ledger.site = k.site AND ledger.source = k.source \
     AND ledger.report = k.report AND ledger.waiting = 1",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![LEASE, WAITING, COME, OLD, DONE_WAITING.sample()]
}

/// A duty that is asked for.
pub(super) struct Lease {
    /// The site that it is about.
    pub(super) site: SiteId,
    /// What is to be done.
    pub(super) duty: &'static str,
    /// Who would do it.
    pub(super) holder: String,
    /// Until when.
    pub(super) until: Ts,
}

/// Takes or keeps a duty. A row of the database holds it, not a session: it outlives a connection that is handed on by a
/// pooler, and runs out by itself when its holder is gone.
pub(super) async fn lease(tx: &mut Tx, ask: Lease) -> Result<bool> {
    let now = tx.caller.now;
    let taken = sqlx::query(LEASE)
        .bind(i64::from(ask.site.0))
        .bind(ask.duty)
        .bind(ask.holder.as_str())
        .bind(ask.until.0)
        .bind(now.0)
        .execute(&mut tx.conn)
        .await?;
    Ok(taken.rows_affected() > 0)
}

/// One bounded pass over a site. Where nothing is to be done nothing is written.
pub(super) async fn upkeep(tx: &mut Tx, site: SiteId, limit: u32) -> Result<Upkeep> {
    tx.forget_machines([]);
    let now = tx.caller.now;
    let reports = to_judge(&mut tx.conn, site, now, i64::from(limit)).await?;
    let calendar = super::sites::by_number(&mut tx.conn, site).await?.calendar;
    let today = calendar.shop_day_of(now);
    let rest = i64::from(limit) - i64::try_from(reports.len()).unwrap_or(i64::MAX);
    let epoch = fleet::State::load(&mut tx.conn, site).await?.epoch;
    let rows = old_rows(&mut tx.conn, site, &present_stamp(&calendar, epoch, now), rest.max(0)).await?;
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
    let machines: BTreeSet<MachineId> = rows.into_iter().collect();
    refreshed += plan_again(&mut tx.conn, site, &mut mind, &machines, today).await?;
    tx.keep_mind(mind)?;
    ended::turn(tx, site, &machines).await?;
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

/// The stamp of a row that is computed now, from the fleet figures in use.
pub(super) fn present_stamp(calendar: &Calendar, fleet_epoch: i64, now: Ts) -> Stamp {
    stamp(calendar.shop_day_of(now), fleet_epoch, calendar)
}

/// Binds a stamp as the statements over rows of another one take it.
pub(super) fn bind_stamp(query: Query, present: &Stamp) -> Query {
    query
        .bind(i64::from(present.as_of.to_days()))
        .bind(present.fleet_epoch)
        .bind(present.calendar_revision)
        .bind(i64::from(present.planner))
        .bind(present.zone_data.to_string())
}

/// The machines of rows that were computed for another day, or from or by something else; one entry a row.
async fn old_rows(conn: &mut Conn, site: SiteId, present: &Stamp, limit: i64) -> Result<Vec<MachineId>> {
    let query = bind_stamp(sqlx::query(OLD).bind(i64::from(site.0)), present);
    let rows = query.bind(limit).fetch_all(conn).await?;
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
    machines: &BTreeSet<MachineId>,
    today: ShopDay,
) -> Result<u64> {
    refresh::clear(conn, site, machines).await?;
    for machine in machines {
        // Whatever is remembered of them, the stored rows are to be written anew.
        if let Some(known) = mind.machines.get_mut(machine) {
            known.stored = None;
        }
    }
    refresh::refresh(conn, site, mind, machines, today).await
}

#[cfg(test)]
mod tests {
    use super::super::plan_reads::STALE;
    use super::*;
    use fettler_domain::calendar::{WallTime, Zone};
    use sqlx::Row as _;

    const ROW: &str = "INSERT INTO plan (site, number, section, key_time, machine, area, hazard, payload, as_of, \
        fleet_epoch, calendar, planner, zone_data, stale) VALUES (1, $1, 0, 0, $1, '', 0, '', $2, $3, $4, $5, $6, $7)";

    /// A row that differs from the present stamp: what differs, and whether upkeep or only a newer service may mend it.
    type Case = (&'static str, fn(&mut Stamp), i64, bool, bool);

    const CASES: &[Case] = &[
        ("nothing", |_| {}, 0, false, false),
        ("marked", |_| {}, 1, true, true),
        ("an earlier day", |s| s.as_of = ShopDay::from_days(s.as_of.to_days() - 1), 0, true, true),
        ("a later day", |s| s.as_of = ShopDay::from_days(s.as_of.to_days() + 1), 0, true, true),
        ("an earlier calendar", |s| s.calendar_revision -= 1, 0, true, true),
        ("other fleet figures", |s| s.fleet_epoch += 1, 0, true, true),
        ("earlier zone data", |s| s.zone_data = "2001a".into(), 0, true, true),
        ("later zone data", |s| s.zone_data = "2999z".into(), 0, true, true),
        ("an older planner", |s| s.planner -= 1, 0, true, true),
        ("a newer planner", |s| s.planner += 1, 0, false, false),
        ("a newer planner, marked", |s| s.planner += 1, 1, false, true),
        (
            "a newer planner, other fleet figures",
            |s| {
                s.planner += 1;
                s.fleet_epoch += 1;
            },
            0,
            false,
            true,
        ),
        (
            "a newer planner, an earlier day",
            |s| {
                s.planner += 1;
                s.as_of = ShopDay::from_days(s.as_of.to_days() - 1);
            },
            0,
            false,
            true,
        ),
    ];

    #[tokio::test]
    async fn the_list_counts_what_upkeep_computes_afresh_and_what_it_must_leave() {
        let (_folder, mut conn, _readers, _again) = super::super::super::scratch().await;
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let present = present_stamp(&calendar, 7, Ts(1_790_000_000_000_000));
        for (number, (what, alter, stale, to_do, counted)) in CASES.iter().enumerate() {
            let mut stamp = present.clone();
            alter(&mut stamp);
            sqlx::query("DELETE FROM plan").execute(&mut conn).await.expect("cleared");
            let row = bind_stamp(sqlx::query(ROW).bind(i64::try_from(number).expect("few")), &stamp);
            row.bind(stale).execute(&mut conn).await.expect(what);
            let old = old_rows(&mut conn, SiteId(1), &present, 10).await.expect(what);
            assert_eq!(old.len(), usize::from(*to_do), "{what}");
            let listed = bind_stamp(sqlx::query(STALE).bind(1_i64), &present).bind(i64::MAX);
            let listed = listed.fetch_one(&mut conn).await.expect(what);
            assert_eq!(listed.get::<i64, _>(0), i64::from(*counted), "{what}");
        }
    }

    #[tokio::test]
    async fn rows_of_another_day_are_counted_up_to_a_bound_and_the_oldest_is_named() {
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let present = present_stamp(&calendar, 7, Ts(1_790_000_000_000_000));
        for (number, days) in (1_i64..).zip([1, 9, 0, 4, -2]) {
            let stamp = Stamp { as_of: present.as_of.plus_days(-days), ..present.clone() };
            let row = bind_stamp(sqlx::query(ROW).bind(number), &stamp).bind(0_i64);
            row.execute(&mut conn).await.expect("a row");
        }
        for (most, counted) in [(1_i64, 1_i64), (2, 2), (i64::MAX, 4)] {
            let listed = bind_stamp(sqlx::query(STALE).bind(1_i64), &present).bind(most);
            let listed = listed.fetch_one(&mut conn).await.expect("a count");
            let oldest = i64::from(present.as_of.plus_days(-9).to_days());
            assert_eq!((listed.get::<i64, _>(0), listed.get::<i64, _>(1)), (counted, oldest), "{most}");
        }
    }
}
