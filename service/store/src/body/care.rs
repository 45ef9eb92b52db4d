//! The orders and hours behind figures: closings, what is open, what was left out, and what machines ran.

use super::decode::Reading;
use super::mind::Mind;
use super::{Conn, DbRow, machines, shelf};
use crate::contract::{CARE_EARLY_DAYS, CARE_ORDERS_MAX, CareFilter, CareRead, Result, StoreError};
use fettler_domain::calendar::Calendar;
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

/// A period's closings are few of all: the sign keeps the planner from walking all for the sake of their order.
const CLOSED: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, c.done_at, c.record FROM closing c \
    JOIN work_order o ON o.site = c.site AND o.number = c.work_order \
    JOIN machine m ON m.site = c.site AND m.number = c.machine \
    LEFT JOIN task t ON t.site = c.site AND t.number = c.task \
    WHERE c.site = $1 AND c.undone = 0 AND c.done_at >= $2 AND m.number = COALESCE($3, m.number) \
    AND m.family = COALESCE($4, m.family) AND COALESCE(t.key, '') = COALESCE($5, COALESCE(t.key, '')) \
    ORDER BY +c.number LIMIT $6";
const OPEN: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, p.payload FROM plan p \
    JOIN work_order o ON o.site = p.site AND o.number = p.number \
    JOIN machine m ON m.site = p.site AND m.number = p.machine \
    JOIN task t ON t.site = p.site AND t.number = p.task \
    WHERE p.site = $1 AND p.section = 0 AND p.due < $2 AND m.number = COALESCE($3, m.number) \
    AND m.family = COALESCE($4, m.family) AND t.key = COALESCE($5, t.key) ORDER BY p.number LIMIT $6";
/// What was skipped, or is void; what an undo made void stands for no work that was left out: its order stands again.
const LEFT_OUT: &str = "SELECT o.number, m.tag, m.family, t.key, o.opened_at, o.ended_at FROM work_order o \
    JOIN machine m ON m.site = o.site AND m.number = o.machine \
    JOIN task t ON t.site = o.site AND t.number = o.task \
    LEFT JOIN journal_leaf l ON l.site = o.site AND l.number = o.leaf \
    WHERE o.site = $1 AND o.state IN ('skipped', 'void') AND COALESCE(l.kind, '') <> 'closing.undone' AND o.ended_at >= $2 AND o.ended_at < $7 \
    AND m.number = COALESCE($3, m.number) AND m.family = COALESCE($4, m.family) AND t.key = COALESCE($5, t.key) \
    ORDER BY o.number LIMIT $6";
const METERS: &str = "SELECT m.number, m.tag, m.family, x.number, x.kind FROM machine m \
    LEFT JOIN meter x ON x.site = m.site AND x.machine = m.number \
    WHERE m.site = $1 AND m.state <> 'retired' AND m.number = COALESCE($2, m.number) \
    AND m.family = COALESCE($3, m.family) ORDER BY m.number, x.number";

/// When machines were declared and moved. Arrivals are left out in so many words, as the index over kinds holds none.
const MOVES: &str = "SELECT subject, kind, at FROM journal_leaf WHERE site = $1 AND kind <> 'report.arrived' AND kind IN ('machine.declared', \
    'machine.forbidden', 'machine.rested', 'machine.returned', 'machine.retired') ORDER BY number";
/// The first closing of each machine: what was done before it was declared may be told afterwards.
const FIRST_DONE: &str = "SELECT machine, MIN(done_at) FROM closing WHERE site = $1 AND undone = 0 GROUP BY machine ORDER BY machine";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CLOSED, OPEN, LEFT_OUT, METERS, MOVES, FIRST_DONE]
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
    let with_larger = record.covered_by.is_some();
    let work = Work { as_found: record.as_found, minutes: record.minutes, used: used.collect(), with_larger };
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

/// What is known of the machines that are asked about.
#[derive(Default)]
struct Machines {
    tags: BTreeMap<MachineId, Key>,
    families: BTreeMap<Key, String>,
    meters: BTreeMap<Key, Option<(usize, MeterId)>>,
    /// From when on anything is on record, hours aside.
    since: BTreeMap<Key, Ts>,
    /// When they must not start; up to the end of time where they must not yet.
    forbidden: Vec<(Key, Ts, Ts)>,
}

async fn machines_of(conn: &mut Conn, asked: &Asked<'_>) -> Result<Machines> {
    let rows = sqlx::query(METERS)
        .bind(i64::from(asked.site.0))
        .bind(asked.machine.map(|machine| machine.0))
        .bind(asked.filter.family.as_deref())
        .fetch_all(&mut *conn)
        .await?;
    let mut found = Machines::default();
    for row in &rows {
        let mut row = Reading::new(row, "meter");
        let machine = MachineId(row.next()?);
        let tag = row.text("tag", Key::new)?;
        found.tags.insert(machine, tag.clone());
        found.families.insert(tag.clone(), row.next()?);
        let meter = row.next::<Option<i64>>()?.map(MeterId);
        let kind: Option<MeterKind> = row.word_or_none("kind")?;
        let place = kind.and_then(|kind| OPERATION.iter().position(|wanted| *wanted == kind));
        let better = place.zip(meter);
        let best = found.meters.entry(tag).or_default();
        *best = match (*best, better) {
            (Some(best), Some(better)) => Some(best.min(better)),
            (best, better) => best.or(better),
        };
    }
    moves(conn, asked.site, &mut found).await?;
    Ok(found)
}

/// Adds from when on machines are on record, and when they must not start.
async fn moves(conn: &mut Conn, site: SiteId, machines: &mut Machines) -> Result<()> {
    let site = i64::from(site.0);
    for row in &sqlx::query(MOVES).bind(site).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "journal_leaf");
        let (subject, kind, at): (String, String, i64) = (row.next()?, row.next()?, row.next()?);
        let number = subject.strip_prefix("machines/").and_then(|number| number.parse().ok());
        let Some(tag) = number.and_then(|number| machines.tags.get(&MachineId(number))) else { continue };
        machines.since.entry(tag.clone()).or_insert(Ts(at));
        let standing = machines.forbidden.iter_mut().rfind(|span| span.0 == *tag && span.2 == Ts::MAX);
        match (kind.as_str(), standing) {
            ("machine.forbidden", None) => machines.forbidden.push((tag.clone(), Ts(at), Ts::MAX)),
            ("machine.rested" | "machine.returned" | "machine.retired", Some(span)) => span.2 = Ts(at),
            // A changed declaration moves nothing.
            _ => {}
        }
    }
    for row in &sqlx::query(FIRST_DONE).bind(site).fetch_all(conn).await? {
        let mut row = Reading::new(row, "closing");
        let (machine, done) = (MachineId(row.next()?), Ts(row.next()?));
        if let Some(since) = machines.tags.get(&machine).and_then(|tag| machines.since.get_mut(tag)) {
            *since = done.min(*since);
        }
    }
    Ok(())
}

async fn runs(conn: &mut Conn, asked: &Asked<'_>, periods: &[Period]) -> Result<Vec<(Period, Run)>> {
    let mut machines = machines_of(conn, asked).await?;
    let meters = || machines.meters.values().flatten().map(|(_, meter)| *meter);
    let mut mind = Mind::load(conn, asked.site).await?;
    mind.know_meters(conn, meters()).await?;
    let edges: BTreeSet<Month> = periods.iter().flat_map(edges).map(Month::of).collect();
    let mut wanted = Vec::new();
    for meter in meters() {
        let first = mind.meters.get(&meter).and_then(|known| known.history.first_month());
        wanted.extend(edges.iter().copied().chain(first).map(|month| (meter, month)));
    }
    mind.know_months(conn, &wanted).await?;
    for (tag, meter) in &machines.meters {
        let history = meter.and_then(|(_, meter)| mind.meters.get(&meter)).map(|known| &known.history);
        let first = history.and_then(History::known_from);
        if let Some(first) = first {
            machines.since.entry(tag.clone()).and_modify(|since| *since = first.min(*since)).or_insert(first);
        }
    }
    Ok(periods.iter().map(|period| (*period, run(&mind, &machines, period))).collect())
}

/// The instants between which a period's hours are counted.
fn edges(period: &Period) -> [Ts; 2] {
    [period.from, period.until.min(period.now).max(period.from)]
}

fn run(mind: &Mind, machines: &Machines, period: &Period) -> Run {
    let mut run = Run {
        families: machines.families.clone(),
        since: machines.since.clone(),
        forbidden: machines.forbidden.clone(),
        ..Run::default()
    };
    let [from, until] = edges(period);
    for (tag, meter) in &machines.meters {
        if machines.since.get(tag).is_some_and(|first| *first >= until) {
            run.not_known.insert(tag.clone());
            continue;
        }
        let history = meter.and_then(|(_, meter)| mind.meters.get(&meter)).map(|known| &known.history);
        let ran = history.and_then(|history| Some(history.at(until).ok()? - history.at(from).ok()?));
        if let Some(ran) = ran {
            run.millis.insert(tag.clone(), ran.0);
        }
        let known_to = history.and_then(History::known_to);
        if ran.is_none() || known_to.is_none_or(|known_to| is_worked_between(&mind.calendar, known_to, until))
        {
            run.not_known.insert(tag.clone());
        }
    }
    run
}

/// Whether the shop works on a day after that of an instant and before another: a free weekend reports nothing, and nothing
/// of it is missing.
fn is_worked_between(calendar: &Calendar, known_to: Ts, until: Ts) -> bool {
    let (last, end) =
        (calendar.shop_day_of(known_to.plus_micros(-1)), calendar.shop_day_of(until.plus_micros(-1)));
    known_to < until && calendar.first_worked_after(last).is_some_and(|next| next <= end)
}
