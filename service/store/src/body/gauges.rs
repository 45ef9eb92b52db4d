//! Counts that operators watch. Each is a stretch of an index, or a table of which a site has few rows; only orders that are
//! due are looked up one by one.

use super::decode::Reading;
use super::plan_reads::STALE;
use super::{Conn, Db, entries, fleet, machines, reports, sites, upkeep};
use crate::contract::{MachineGauge, MachineState, OrderGauge, Result, SILENT_AFTER_DAYS, SiteGauge};
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use sqlx::Pool;

const DAY_MICROS: i64 = 86_400_000_000;

const DUE: &str = "SELECT COUNT(*), CAST(COALESCE(SUM(CASE WHEN late <= $2 THEN 1 ELSE 0 END), 0) AS BIGINT), \
    CAST(COALESCE(SUM(CASE WHEN late <= $2 AND hazard = 1 THEN 1 ELSE 0 END), 0) AS BIGINT) \
    FROM plan WHERE site = $1 AND section = 0 AND key_time <= $2";
const AHEAD: &str = "SELECT COUNT(*) FROM plan WHERE site = $1 AND section = 0 AND key_time > $2";
const NEVER_RECORDED: &str = "SELECT COUNT(*) FROM plan WHERE site = $1 AND section = 1";
const MACHINES: &str = "SELECT state, COUNT(*) FROM machine WHERE site = $1 GROUP BY state";
const SILENT: &str = "SELECT COUNT(*) FROM meter m JOIN machine a ON a.site = m.site AND a.number = m.machine \
    WHERE m.site = $1 AND a.state = 'in_service' AND m.known_to <= $2";
const UNHEARD: &str = "SELECT COUNT(*) FROM meter m JOIN machine a ON a.site = m.site AND a.number = m.machine \
    WHERE m.site = $1 AND a.state = 'in_service' AND m.known_to IS NULL";
const CHECKPOINT: &str =
    "SELECT made_at FROM checkpoint WHERE site = $1 ORDER BY lineage DESC, size DESC LIMIT 1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] =
    &[DUE, AHEAD, NEVER_RECORDED, MACHINES, SILENT, UNHEARD, CHECKPOINT, super::dialect::DATABASE_BYTES];

/// Counts of a site.
pub(super) async fn of_site(conn: &mut Conn, site: SiteId, now: Ts) -> Result<SiteGauge> {
    let held = reports::held_counts(conn, site).await?;
    let mut silent_meters = [0; SILENT_AFTER_DAYS.len()];
    for (silent, days) in silent_meters.iter_mut().zip(SILENT_AFTER_DAYS) {
        *silent = count(conn, SILENT, site, Some(now.plus_micros(-i64::from(days) * DAY_MICROS))).await?;
    }
    let checkpoint = sqlx::query(CHECKPOINT).bind(i64::from(site.0)).fetch_optional(&mut *conn).await?;
    let checkpoint_at = checkpoint.map(|row| Reading::new(&row, "checkpoint").next()).transpose()?;
    Ok(SiteGauge {
        site,
        orders: orders(conn, site, now).await?,
        held: held.held,
        waiting: held.waiting,
        stale_rows: stale(conn, site, now).await?,
        machines: machines_of(conn, site).await?,
        silent_meters,
        unheard_meters: count(conn, UNHEARD, site, None).await?,
        journal_entries: u64::try_from(entries::head(conn, site).await?.size).unwrap_or(0),
        checkpoint_at: checkpoint_at.map(Ts),
    })
}

/// What the database takes, without its log.
pub(super) async fn database_bytes(readers: &Pool<Db>) -> Result<u64> {
    let row = sqlx::query(super::dialect::DATABASE_BYTES).fetch_one(readers).await?;
    Reading::new(&row, "database").number("size")
}

async fn count(conn: &mut Conn, sql: &'static str, site: SiteId, at: Option<Ts>) -> Result<u64> {
    let query = sqlx::query(sql).bind(i64::from(site.0));
    let query = match at {
        Some(at) => query.bind(at.0),
        None => query,
    };
    Reading::new(&query.fetch_one(conn).await?, "plan").number("count")
}

async fn orders(conn: &mut Conn, site: SiteId, now: Ts) -> Result<OrderGauge> {
    let row = sqlx::query(DUE).bind(i64::from(site.0)).bind(now.0).fetch_one(&mut *conn).await?;
    let mut row = Reading::new(&row, "plan");
    let (reached, late, hazard_late): (u64, u64, u64) =
        (row.number("key_time")?, row.number("late")?, row.number("hazard")?);
    Ok(OrderGauge {
        late,
        hazard_late,
        due: reached - late,
        ahead: count(conn, AHEAD, site, Some(now)).await?,
        never_recorded: count(conn, NEVER_RECORDED, site, None).await?,
    })
}

async fn stale(conn: &mut Conn, site: SiteId, now: Ts) -> Result<u64> {
    let calendar = sites::by_number(conn, site).await?.calendar;
    let epoch = fleet::State::load(conn, site).await?.epoch;
    let present = upkeep::present_stamp(&calendar, epoch, now);
    let query = upkeep::bind_stamp(sqlx::query(STALE).bind(i64::from(site.0)), &present).bind(i64::MAX);
    Reading::new(&query.fetch_one(conn).await?, "plan").number("as_of")
}

async fn machines_of(conn: &mut Conn, site: SiteId) -> Result<MachineGauge> {
    let mut gauge = MachineGauge::default();
    for row in sqlx::query(MACHINES).bind(i64::from(site.0)).fetch_all(conn).await? {
        let mut row = Reading::new(&row, "machine");
        let state = machines::state_of(&mut row)?;
        let count = row.number("state")?;
        match state {
            MachineState::InService => gauge.in_service = count,
            MachineState::Resting => gauge.resting = count,
            MachineState::Forbidden => gauge.forbidden = count,
            MachineState::Retired => gauge.retired = count,
        }
    }
    Ok(gauge)
}
