//! The orders and hours behind figures: closings, what is open, what was left out, and what machines ran.

use super::decode::Reading;
use super::mind::Mind;
use super::{Conn, DbRow, machines, shelf};
use crate::contract::{CARE_EARLY_DAYS, CARE_ORDERS_MAX, CareFilter, CareRead, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::figures::care::{CareOrder, Period, Run, Used, Work};
use fettler_domain::figures::standing::End;
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, SiteId};
use fettler_domain::ledger::history::{History, Month};
use fettler_domain::order::ClosingRecord;
use fettler_domain::plan::{DueKind, PlanRow};
use fettler_domain::quantity::MeterKind;
use fettler_domain::shelf::ItemCard;
use fettler_domain::text::Key;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use std::collections::{BTreeMap, BTreeSet};

const CLOSED: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, c.done_at, c.record FROM closing c \
    JOIN work_order o ON o.site = c.site AND o.number = c.work_order \
    JOIN machine m ON m.site = c.site AND m.number = c.machine \
    LEFT JOIN task t ON t.site = c.site AND t.number = c.task \
    WHERE c.site = $1 AND c.undone = 0 AND c.done_at >= $2 AND m.number = COALESCE($3, m.number) \
    AND m.family = COALESCE($4, m.family) AND COALESCE(t.key, '') = COALESCE($5, COALESCE(t.key, '')) \
    ORDER BY c.number LIMIT $6";
const OPEN: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, p.payload FROM plan p \
    JOIN work_order o ON o.site = p.site AND o.number = p.number \
    JOIN machine m ON m.site = p.site AND m.number = p.machine \
    JOIN task t ON t.site = p.site AND t.number = p.task \
    WHERE p.site = $1 AND p.section = 0 AND p.due < $2 AND m.number = COALESCE($3, m.number) \
    AND m.family = COALESCE($4, m.family) AND t.key = COALESCE($5, t.key) ORDER BY p.number LIMIT $6";
const LEFT_OUT: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, o.ended_at FROM work_order o \
    JOIN machine m ON m.site = o.site AND m.number = o.machine \
    JOIN task t ON t.site = o.site AND t.number = o.task \
    WHERE o.site = $1 AND o.state IN ('skipped', 'void') AND o.ended_at >= $2 AND o.ended_at < $7 \
    AND m.number = COALESCE($3, m.number) AND m.family = COALESCE($4, m.family) AND t.key = COALESCE($5, t.key) \
    ORDER BY o.number LIMIT $6";
const METERS: &str = "SELECT m.tag, m.family, x.number, x.kind FROM machine m \
    LEFT JOIN meter x ON x.site = m.site AND x.machine = m.number \
    WHERE m.site = $1 AND m.state <> 'retired' AND m.number = COALESCE($2, m.number) \
    AND m.family = COALESCE($3, m.family) ORDER BY m.number, x.number";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CLOSED, OPEN, LEFT_OUT, METERS]
}

/// What is asked, with the machine by its number.
struct Asked<'f> {
    site: SiteId,
    machine: Option<MachineId>,
    filter: &'f CareFilter,
}

impl Asked<'_> {
    /// The rows of a statement about orders, from an instant on.
    async fn rows(
        &self,
        conn: &mut Conn,
        text: &'static str,
        at: Ts,
        until: Option<Ts>,
    ) -> Result<Vec<DbRow>> {
        let most = i64::try_from(CARE_ORDERS_MAX).unwrap_or(i64::MAX) + 1;
        let mut query = sqlx::query(text)
            .bind(i64::from(self.site.0))
            .bind(at.0)
            .bind(self.machine.map(|machine| machine.0))
            .bind(self.filter.family.as_deref())
            .bind(self.filter.task.as_ref().map(Key::as_str))
            .bind(most);
        if let Some(until) = until {
            query = query.bind(until.0);
        }
        Ok(query.fetch_all(conn).await?)
    }
}

/// Reads the orders and hours of periods that follow one another.
pub(super) async fn read(
    conn: &mut Conn,
    site: SiteId,
    filter: &CareFilter,
    periods: &[Period],
) -> Result<CareRead> {
    let machine = match &filter.machine {
        Some(name) => Some(machines::number(conn, site, name).await?),
        None => None,
    };
    let asked = Asked { site, machine, filter };
    let (Some(first), Some(last)) = (periods.first(), periods.last()) else {
        return Ok(CareRead { orders: Vec::new(), runs: Vec::new() });
    };
    let items = shelf::cards(conn, site).await?;
    let early = first.from.plus_micros(-CARE_EARLY_DAYS * MICROS_PER_DAY);
    let mut orders = Vec::new();
    for row in &asked.rows(conn, CLOSED, early, None).await? {
        orders.push(closed(row, &items)?);
    }
    for row in &asked.rows(conn, OPEN, last.until, None).await? {
        orders.extend(open(row)?);
    }
    for row in &asked.rows(conn, LEFT_OUT, first.from, Some(last.until)).await? {
        orders.push(left_out(row)?);
    }
    if orders.len() > CARE_ORDERS_MAX {
        let text = format!(
            "more than {CARE_ORDERS_MAX} orders have a part in this; ask for a machine, a family or a shorter period"
        );
        return Err(StoreError::Refused(Error::invalid("until_day", text)));
    }
    Ok(CareRead { orders, runs: runs(conn, &asked, periods).await? })
}

/// The columns that all three statements begin with.
fn begun(row: &mut Reading<'_>, end: End) -> Result<CareOrder> {
    let number = OrderNumber(row.next()?);
    let machine = row.text("tag", Key::new)?;
    let family = row.next()?;
    let task: Option<String> = row.next()?;
    let task = task.map(|key| Key::new(key.clone()).map_err(|_| row.corrupt("key", key))).transpose()?;
    let opened = Ts(row.next()?);
    Ok(CareOrder {
        number,
        machine,
        family,
        task,
        opened,
        due: None,
        opens: None,
        late: None,
        end,
        left_out_at: None,
        work: None,
    })
}

fn closed(row: &DbRow, items: &[ItemCard]) -> Result<CareOrder> {
    let mut row = Reading::new(row, "closing");
    let order = begun(&mut row, End::Open)?;
    let done = Ts(row.next()?);
    let record: ClosingRecord = row.json("record")?;
    let used = record.used.iter().map(|said| {
        let item = items.iter().find(|item| item.is_named(said.item.as_str()));
        let amount = item.and_then(|item| item.amount_of(said));
        Used { item: said.item.clone(), amount, unit_cost: item.and_then(|item| item.unit_cost) }
    });
    let work = Work { as_found: record.as_found, minutes: record.minutes, used: used.collect() };
    // What was only expected was not due then: nothing is early or late by a forecast.
    let measured = !matches!(record.due_kind_then, Some(DueKind::Unknown | DueKind::Expected));
    let due = record.due_then.filter(|_| measured);
    // What a larger order covers is done when that one is, and is never early.
    let opens = record.opens_then.filter(|_| record.covered_by.is_none());
    let (late, end) = (record.late_from_then, End::Closed(done));
    Ok(CareOrder { due, opens, late, end, work: Some(work), ..order })
}

/// An open order whose due point is known from what was run; what is only expected is not due.
fn open(row: &DbRow) -> Result<Option<CareOrder>> {
    let mut row = Reading::new(row, "plan");
    let order = begun(&mut row, End::Open)?;
    let plan: PlanRow = row.json("payload")?;
    let known = matches!(plan.kind, DueKind::Exact | DueKind::CalendarDay);
    Ok(known.then_some(CareOrder { due: plan.due, opens: plan.opens, late: plan.late, ..order }))
}

fn left_out(row: &DbRow) -> Result<CareOrder> {
    let mut row = Reading::new(row, "work_order");
    let order = begun(&mut row, End::LeftOut)?;
    Ok(CareOrder { left_out_at: row.next::<Option<i64>>()?.map(Ts), ..order })
}

/// The meter that tells for how long a machine operated: the first of these that it has.
const OPERATION: [MeterKind; 4] =
    [MeterKind::Operating, MeterKind::Working, MeterKind::Loaded, MeterKind::Powered];

async fn runs(conn: &mut Conn, asked: &Asked<'_>, periods: &[Period]) -> Result<Vec<(Period, Run)>> {
    let rows = sqlx::query(METERS)
        .bind(i64::from(asked.site.0))
        .bind(asked.machine.map(|machine| machine.0))
        .bind(asked.filter.family.as_deref())
        .fetch_all(&mut *conn)
        .await?;
    let mut families: BTreeMap<Key, String> = BTreeMap::new();
    let mut found: BTreeMap<Key, Option<(usize, MeterId)>> = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "meter");
        let tag = row.text("tag", Key::new)?;
        families.insert(tag.clone(), row.next()?);
        let meter = row.next::<Option<i64>>()?.map(MeterId);
        let kind: Option<MeterKind> = row.word_or_none("kind")?;
        let place = kind.and_then(|kind| OPERATION.iter().position(|wanted| *wanted == kind));
        let better = place.zip(meter);
        let best = found.entry(tag).or_default();
        *best = match (*best, better) {
            (Some(best), Some(better)) => Some(best.min(better)),
            (best, better) => best.or(better),
        };
    }
    let mut mind = Mind::load(conn, asked.site).await?;
    mind.know_meters(conn, found.values().flatten().map(|(_, meter)| *meter)).await?;
    let edges: BTreeSet<Month> = periods.iter().flat_map(edges).map(Month::of).collect();
    let wanted: Vec<(MeterId, Month)> =
        found.values().flatten().flat_map(|(_, meter)| edges.iter().map(|month| (*meter, *month))).collect();
    mind.know_months(conn, &wanted).await?;
    let run = |period: &Period| Run { families: families.clone(), ..run(&mind, &found, period) };
    Ok(periods.iter().map(|period| (*period, run(period))).collect())
}

/// The instants between which a period's hours are counted.
fn edges(period: &Period) -> [Ts; 2] {
    [period.from, period.until.min(period.now).max(period.from)]
}

fn run(mind: &Mind, meters: &BTreeMap<Key, Option<(usize, MeterId)>>, period: &Period) -> Run {
    let mut run = Run::default();
    let [from, until] = edges(period);
    for (tag, meter) in meters {
        let history = meter.and_then(|(_, meter)| mind.meters.get(&meter)).map(|known| &known.history);
        let ran = history.and_then(|history| Some(history.at(until).ok()? - history.at(from).ok()?));
        if let Some(ran) = ran {
            run.millis.insert(tag.clone(), ran.0);
        }
        let known_to = history.and_then(History::known_to);
        if ran.is_none() || known_to.is_none_or(|known_to| known_to < until) {
            run.not_known.insert(tag.clone());
        }
    }
    run
}
