//! Planned use: stated period by period, listed, and handed to the forecast.

use super::bulk::{Binding, Bulk, Query};
use super::decode::Reading;
use super::journal::{Fact, digest_of};
use super::people::speaker;
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, Db, meters, refresh};
use crate::contract::{
    Page, PageAsk, PlanSaid, PlanTaken, PlannedCursor, PlannedFilter, PlannedPeriod, PlannedShift, Result,
};
use fettler_domain::ids::{MeterId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::planned::{Intent, Period, Planned, PlannedStretch, checked_shifts, joined, without};
use fettler_domain::quantity::{Amount, MeterKind};
use fettler_domain::shop::MeterRecord;
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sqlx::QueryBuilder;
use std::collections::HashMap;

const SHIFTS_OF_PERIOD: &str = "SELECT starts, ends, amount FROM planned_shift \
    WHERE site = $1 AND meter = $2 AND starts >= $3 AND starts < $4 ORDER BY starts, ends";
const CLEAR_SHIFTS: &str =
    "DELETE FROM planned_shift WHERE site = $1 AND meter = $2 AND starts >= $3 AND starts < $4";
static KEEP_SHIFTS: Bulk =
    Bulk::new("INSERT INTO planned_shift (site, meter, leaf, starts, ends, amount) VALUES", 3, 3, "");
/// Periods that touch another.
const PERIODS_AT: &str = "SELECT starts, ends FROM planned_period \
    WHERE site = $1 AND meter = $2 AND starts <= $4 AND ends >= $3 ORDER BY starts";
const CLEAR_PERIODS: &str =
    "DELETE FROM planned_period WHERE site = $1 AND meter = $2 AND starts <= $4 AND ends >= $3";
static KEEP_PERIODS: Bulk =
    Bulk::new("INSERT INTO planned_period (site, meter, starts, ends) VALUES", 2, 2, "");
static SHIFTS_AHEAD: Bulk = Bulk::new(
    "WITH k(site, now, meter) AS (VALUES",
    2,
    1,
    ") SELECT k.meter, p.starts, p.ends, p.amount FROM k CROSS JOIN planned_shift p \
     WHERE p.site = k.site AND p.meter = k.meter AND p.ends > k.now",
);
static PERIODS_AHEAD: Bulk = Bulk::new(
    "WITH k(site, now, meter) AS (VALUES",
    2,
    1,
    ") SELECT k.meter, p.starts, p.ends FROM k CROSS JOIN planned_period p \
     WHERE p.site = k.site AND p.meter = k.meter AND p.ends > k.now",
);
/// The index is walked in its order.
const SHIFTS: &str = "SELECT p.starts, p.meter, p.ends, p.amount, p.leaf, a.tag, m.key, m.kind FROM planned_shift p \
    CROSS JOIN meter m CROSS JOIN machine a WHERE m.site = p.site AND m.number = p.meter AND a.site = m.site \
    AND a.number = m.machine AND p.site = ";
const PERIODS: &str = "SELECT p.starts, p.ends, m.key FROM machine_name n \
    JOIN meter m ON m.site = n.site AND m.machine = n.machine \
    JOIN planned_period p ON p.site = m.site AND p.meter = m.number \
    WHERE n.site = $1 AND n.name = $2 AND p.ends > $3 ORDER BY p.starts, p.meter LIMIT $4";
/// How many periods of one machine are listed: one a day for nearly three years.
const PERIODS_MAX: i64 = 1_000;

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    let bulks = [&KEEP_SHIFTS, &KEEP_PERIODS, &SHIFTS_AHEAD, &PERIODS_AHEAD].map(Bulk::sample);
    let mut all = vec![SHIFTS_OF_PERIOD, CLEAR_SHIFTS, PERIODS_AT, CLEAR_PERIODS, PERIODS];
    all.extend(bulks);
    all
}

/// What a statement brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Brought {
    meter: MeterId,
    replaced: u64,
    planned: u64,
    amount: Amount,
}

/// Takes what is planned of a meter in a period in place of what was, and plans its machine's orders anew.
pub(super) async fn take(
    tx: &mut Tx,
    site: SiteId,
    said: PlanSaid,
    validate_only: bool,
) -> Result<PlanTaken> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    if let Some(brought) = tx.replayed::<Brought>(site).await? {
        let meter = meters::by_number(&mut tx.conn, site, brought.meter).await?;
        return Ok(taken(meter, &brought));
    }
    let meter = meters::find(&mut tx.conn, site, &said.machine, said.meter.as_ref()).await?;
    let shifts = match &said.intent {
        Intent::Run(shifts) => checked_shifts(said.period, shifts, meter.kind.unit(), meter.max_per_hour)?,
        Intent::Withdraw => Vec::new(),
    };
    let person = match &said.by {
        Some(by) => Some(speaker(tx, site, "by", by).await?),
        None => None,
    };
    let before = shifts_of(&mut tx.conn, site, meter.meter, said.period).await?;
    let periods = periods_at(&mut tx.conn, site, meter.meter, said.period).await?;
    let is_planned = matches!(said.intent, Intent::Run(_));
    let amount = shifts.iter().map(|shift| shift.amount).sum();
    let (replaced, planned) = (before.len() as u64, shifts.len() as u64);
    let brought = Brought { meter: meter.meter, replaced, planned, amount };
    if before == shifts && stands(&periods, said.period, is_planned) {
        // What stands already is no new fact, however often an ERP says it.
        tx.forget_machines([]);
        tx.remember(site, &brought, None, Keep::AWhile).await?;
        return Ok(taken(meter, &brought));
    }
    let was_planned = !stands(&periods, said.period, false);
    let state_before = (was_planned || !before.is_empty())
        .then(|| digest_of(&state(&meter, said.period, was_planned, &before)))
        .transpose()?;
    let fact = Fact {
        kind: Kind::UsePlanned,
        subject: format!("meters/{}", meter.meter),
        person,
        after: state(&meter, said.period, is_planned, &shifts),
        before: state_before,
        sealed: None,
    };
    let leaf = tx.append(site, fact)?;
    write(&mut tx.conn, site, meter.meter, (said.period, is_planned), &shifts, periods, leaf).await?;
    let mut mind = tx.mind(site).await?;
    mind.meters.remove(&meter.meter);
    tx.keep_mind(mind)?;
    refresh::machines(tx, site, &[meter.machine].into()).await?;
    tx.forget_machines([meter.machine]);
    tx.remember(site, &brought, Some(leaf), Keep::AWhile).await?;
    Ok(taken(meter, &brought))
}

/// Whether all of a period is planned, or nothing of it is, by the periods that touch it; those of a meter do not touch.
fn stands(periods: &[Period], period: Period, is_planned: bool) -> bool {
    if is_planned {
        periods.iter().any(|known| known.from <= period.from && period.until <= known.until)
    } else {
        periods.iter().all(|known| known.until <= period.from || period.until <= known.from)
    }
}

fn taken(meter: MeterRecord, brought: &Brought) -> PlanTaken {
    let Brought { replaced, planned, amount, .. } = *brought;
    PlanTaken { meter, replaced, planned, amount }
}

/// The state that the journal keeps.
fn state(meter: &MeterRecord, period: Period, is_planned: bool, shifts: &[PlannedStretch]) -> Value {
    let shifts: Vec<Value> = shifts
        .iter()
        .map(|shift| json!({"start": shift.start.0, "end": shift.end.0, "amount": shift.amount.0}))
        .collect();
    json!({
        "machine": meter.machine.0,
        "meter": meter.meter.0,
        "from": period.from.0,
        "until": period.until.0,
        "planned": is_planned,
        "shifts": shifts,
    })
}

async fn shifts_of(
    conn: &mut Conn,
    site: SiteId,
    meter: MeterId,
    period: Period,
) -> Result<Vec<PlannedStretch>> {
    let query = in_period(SHIFTS_OF_PERIOD, site, meter, period);
    query.fetch_all(conn).await?.iter().map(|row| stretch(&mut Reading::new(row, "planned_shift"))).collect()
}

/// The planned periods that touch another, in their order.
async fn periods_at(conn: &mut Conn, site: SiteId, meter: MeterId, period: Period) -> Result<Vec<Period>> {
    let rows = in_period(PERIODS_AT, site, meter, period).fetch_all(conn).await?;
    let period = |row| {
        let mut row = Reading::new(row, "planned_period");
        Ok(Period { from: Ts(row.next()?), until: Ts(row.next()?) })
    };
    rows.iter().map(period).collect()
}

fn in_period(sql: &'static str, site: SiteId, meter: MeterId, period: Period) -> Query {
    sqlx::query(sql).bind(i64::from(site.0)).bind(meter.0).bind(period.from.0).bind(period.until.0)
}

/// Reads `starts, ends, amount`.
fn stretch(row: &mut Reading<'_>) -> Result<PlannedStretch> {
    Ok(PlannedStretch { start: Ts(row.next()?), end: Ts(row.next()?), amount: Amount(row.next()?) })
}

async fn write(
    conn: &mut Conn,
    site: SiteId,
    meter: MeterId,
    (period, is_planned): (Period, bool),
    shifts: &[PlannedStretch],
    mut periods: Vec<Period>,
    leaf: i64,
) -> Result<()> {
    let number = i64::from(site.0);
    in_period(CLEAR_SHIFTS, site, meter, period).execute(&mut *conn).await?;
    let shared = |q: Binding| q.bind(number).bind(meter.0).bind(leaf);
    let bind = |q: Binding, s: &PlannedStretch| q.bind(s.start.0).bind(s.end.0).bind(s.amount.0);
    KEEP_SHIFTS.run(conn, shifts, shared, bind).await?;
    in_period(CLEAR_PERIODS, site, meter, period).execute(&mut *conn).await?;
    if is_planned {
        periods.push(period);
        periods = joined(periods);
    } else {
        periods = without(&periods, period);
    }
    let shared = |q: Binding| q.bind(number).bind(meter.0);
    KEEP_PERIODS.run(conn, &periods, shared, |q, period| q.bind(period.from.0).bind(period.until.0)).await?;
    Ok(())
}

/// What is planned of meters after an instant.
pub(super) async fn ahead(
    conn: &mut Conn,
    site: SiteId,
    meters: &[MeterId],
    now: Ts,
) -> Result<HashMap<MeterId, Planned>> {
    let number = i64::from(site.0);
    let shared = |q: Binding| q.bind(number).bind(now.0);
    let mut found: HashMap<MeterId, (Vec<Period>, Vec<PlannedStretch>)> = HashMap::new();
    for row in &SHIFTS_AHEAD.fetch(conn, meters, shared, |q, meter| q.bind(meter.0)).await? {
        let mut row = Reading::new(row, "planned_shift");
        let meter = MeterId(row.next()?);
        found.entry(meter).or_default().1.push(stretch(&mut row)?);
    }
    for row in &PERIODS_AHEAD.fetch(conn, meters, shared, |q, meter| q.bind(meter.0)).await? {
        let mut row = Reading::new(row, "planned_period");
        let meter = MeterId(row.next()?);
        let period = Period { from: Ts(row.next()?), until: Ts(row.next()?) };
        found.entry(meter).or_default().0.push(period);
    }
    Ok(found.into_iter().map(|(meter, (periods, shifts))| (meter, Planned::new(periods, shifts))).collect())
}

/// Planned shifts in the order of their starts.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &PlannedFilter,
    page: PageAsk<PlannedCursor>,
) -> Result<Page<PlannedShift, PlannedCursor>> {
    let mut query = QueryBuilder::<Db>::new(SHIFTS);
    query.push_bind(i64::from(site.0));
    query.push(" AND p.ends > ").push_bind(filter.from.0);
    if let Some(until) = filter.until {
        query.push(" AND p.starts < ").push_bind(until.0);
    }
    if let Some(machine) = filter.machine {
        query.push(" AND m.machine = ").push_bind(machine.0);
    }
    if let Some((starts, meter, ends)) = page.after {
        query.push(" AND (p.starts, p.meter, p.ends) > (").push_bind(starts);
        query.push(", ").push_bind(meter).push(", ").push_bind(ends).push(")");
    }
    query.push(" ORDER BY p.starts, p.meter, p.ends LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let read = |row| {
        let mut row = Reading::new(row, "planned_shift");
        let (start, meter, end) = (Ts(row.next()?), MeterId(row.next()?), Ts(row.next()?));
        let (amount, entry) = (Amount(row.next()?), row.next()?);
        let (machine, key) = (row.text("tag", Key::new)?, row.text("key", Key::new)?);
        let kind: MeterKind = row.word("kind")?;
        let stretch = PlannedStretch { start, end, amount };
        Ok(PlannedShift { meter, machine, key, unit: kind.unit(), stretch, entry })
    };
    let rows = rows.iter().map(read).collect::<Result<Vec<_>>>()?;
    Ok(Page::cut(rows, page.limit, |row| (row.stretch.start.0, row.meter.0, row.stretch.end.0)))
}

/// The planned periods of a machine that end after an instant, in the order of their starts.
pub(super) async fn periods(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    after: Ts,
) -> Result<Vec<PlannedPeriod>> {
    let query = sqlx::query(PERIODS).bind(i64::from(site.0)).bind(machine).bind(after.0).bind(PERIODS_MAX);
    let rows = query.fetch_all(conn).await?;
    let read = |row| {
        let mut row = Reading::new(row, "planned_period");
        let period = Period { from: Ts(row.next()?), until: Ts(row.next()?) };
        Ok(PlannedPeriod { meter: row.text("key", Key::new)?, period })
    };
    rows.iter().map(read).collect()
}
