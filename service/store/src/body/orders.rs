//! Work orders as they are listed and shown.

use super::bulk::Bulk;
use super::decode::Reading;
use super::inputs::SavedVersion;
use super::mind::Mind;
use super::{Conn, Db, DbRow, inputs};
use crate::contract::{ClosingView, OrderFilter, OrderRecord, Page, PageAsk, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, PersonId, SiteId, TaskId};
use fettler_domain::order::{ClosingRecord, OrderState};
use fettler_domain::plan::{Closing, MeterInput, Missing, PlanRow, Satisfied, TaskInput, satisfied};
use fettler_domain::quantity::MeterKind;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet, HashMap};

const COLUMNS: &str = "SELECT o.number, o.state, m.tag, t.key, o.title, o.opened_at, o.raised_by, o.card, o.ended_at, \
    o.reason, o.skipped_by, o.machine, o.task, o.leaf FROM work_order o \
    JOIN machine m ON m.site = o.site AND m.number = o.machine \
    LEFT JOIN task t ON t.site = o.site AND t.number = o.task WHERE o.site = ";
static CLOSINGS: Bulk = Bulk::new(
    "WITH k(site, number) AS (VALUES",
    1,
    1,
    ") SELECT c.work_order, c.undone, c.record, c.leaf, n.text FROM k CROSS JOIN closing c \
     LEFT JOIN sealed_note n ON n.site = c.site AND n.leaf = c.leaf \
     WHERE c.site = k.site AND c.work_order = k.number ORDER BY c.number",
);
static NOTES: Bulk = Bulk::new(
    "WITH k(site, leaf) AS (VALUES",
    1,
    1,
    ") SELECT n.leaf, n.text FROM k CROSS JOIN sealed_note n WHERE n.site = k.site AND n.leaf = k.leaf",
);
/// Rows of the due list as stored.
static PLANS: Bulk = Bulk::new(
    "WITH k(site, number) AS (VALUES",
    1,
    1,
    ") SELECT p.number, p.payload FROM k CROSS JOIN plan p WHERE p.site = k.site AND p.number = k.number",
);
/// The closings of an order's task that stand, the newest first: what `why` shows.
const OF_TASK: &str = "SELECT c.record FROM work_order o JOIN closing c ON c.site = o.site AND c.task = o.task \
    WHERE o.site = $1 AND o.number = $2 AND c.undone = 0 ORDER BY c.done_at DESC, c.number DESC LIMIT 10";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![CLOSINGS.sample(), NOTES.sample(), PLANS.sample(), OF_TASK]
}

/// What an order without a task keeps of its raising: the leaf with which the note is sealed, the only place of its text, and
/// of the check or test point that raised it which one it is, where it is, and its cautions.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct RaisedCard {
    /// The leaf.
    pub(super) leaf: Option<i64>,
    /// What to heed at the work.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) cautions: Vec<String>,
    /// Where on the machine.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(super) place: String,
    /// The test point whose reading raised it, to be read again with the work.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) point: Option<Key>,
    /// The check whose finding raised it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) check: Option<Key>,
}

/// Orders: open ones by number, others newest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &OrderFilter,
    page: PageAsk<i64>,
) -> Result<Page<OrderRecord, i64>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(state) = filter.state {
        query.push(" AND o.state = ").push_bind(super::decode::to_word(&state)?);
    }
    if let Some(machine) = &filter.machine {
        query.push(" AND m.tag = ").push_bind(machine.as_str());
    }
    if let Some(task) = &filter.task {
        query.push(" AND t.key = ").push_bind(task.as_str());
    }
    let rising = filter.state == Some(OrderState::Open);
    let (comparison, order) = if rising { (" > ", "ASC") } else { (" < ", "DESC") };
    if let Some(after) = page.after {
        query.push(" AND o.number").push(comparison).push_bind(after);
    }
    query.push(" ORDER BY o.number ").push(order).push(" LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(&mut *conn).await?;
    let found = rows.iter().map(record).collect::<Result<Vec<_>>>()?;
    let Page { rows: mut found, next } = Page::cut(found, page.limit, |found| found.order.number.0);
    add_notes(conn, site, &mut found).await?;
    add_plans(conn, site, &mut found).await?;
    add_closings(conn, site, &mut found).await?;
    Ok(Page { rows: found.into_iter().map(|found| found.order).collect(), next })
}

/// One order, with what its closing satisfied as known now.
pub(super) async fn one(conn: &mut Conn, site: SiteId, number: OrderNumber) -> Result<OrderRecord> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND o.number = ").push_bind(number.0);
    let row = query.build().fetch_optional(&mut *conn).await?.ok_or_else(|| no_order(number))?;
    let mut found = [record(&row)?];
    add_notes(conn, site, &mut found).await?;
    add_plans(conn, site, &mut found).await?;
    add_closings(conn, site, &mut found).await?;
    let [Found { order, .. }] = found;
    Ok(order)
}

/// These orders with all their closings, and what those that stand satisfied as known now.
pub(super) async fn these(
    conn: &mut Conn,
    site: SiteId,
    numbers: &[OrderNumber],
) -> Result<Vec<OrderRecord>> {
    if numbers.is_empty() {
        return Ok(Vec::new());
    }
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND o.number IN (");
    let mut list = query.separated(", ");
    for number in numbers {
        list.push_bind(number.0);
    }
    query.push(")");
    let rows = query.build().fetch_all(&mut *conn).await?;
    let mut found = rows.iter().map(record).collect::<Result<Vec<_>>>()?;
    add_closings(conn, site, &mut found).await?;
    Ok(found.into_iter().map(|found| found.order).collect())
}

/// That there is no such order.
pub(super) fn no_order(number: OrderNumber) -> StoreError {
    let remedy = "`fettler orders` lists those there are".into();
    StoreError::Refused(Error::NotFound { kind: "order", name: number.to_string(), remedy })
}

struct Found {
    order: OrderRecord,
    machine: MachineId,
    task: Option<TaskId>,
    /// The leaf of its raising, and that of its skip.
    sealed: [Option<i64>; 2],
}

fn record(row: &DbRow) -> Result<Found> {
    let mut row = Reading::new(row, "work_order");
    let number = OrderNumber(row.next()?);
    let state = row.word("state")?;
    let machine = row.text("tag", Key::new)?;
    let task = row.text_or_none("key", Key::new)?;
    let title = row.text("title", Name::new)?;
    let opened_at = Ts(row.next()?);
    let raised_by = row.next::<Option<i64>>()?.map(PersonId);
    let card: RaisedCard = row.json("card")?;
    let order = OrderRecord {
        number,
        state,
        machine,
        task,
        title,
        opened_at,
        raised_by,
        raised_by_point: card.point,
        raised_by_check: card.check,
        note: String::new(),
        plan: None,
        ended_at: row.next::<Option<i64>>()?.map(Ts),
        reason: row.next()?,
        skipped_by: row.next::<Option<i64>>()?.map(PersonId),
        closing: None,
        undone: Vec::new(),
    };
    let (machine, task) = (MachineId(row.next()?), row.next::<Option<i64>>()?.map(TaskId));
    let leaf = row.next::<Option<i64>>()?.filter(|_| state == OrderState::Skipped);
    Ok(Found { order, machine, task, sealed: [card.leaf, leaf] })
}

/// Adds to orders what was said when they were raised and why they were skipped, as far as it was not erased.
async fn add_notes(conn: &mut Conn, site: SiteId, found: &mut [Found]) -> Result<()> {
    let number = i64::from(site.0);
    let leaves: Vec<i64> = found.iter().flat_map(|found| found.sealed).flatten().collect();
    let mut notes: HashMap<i64, String> = HashMap::new();
    for row in &NOTES.fetch(conn, &leaves, |q| q.bind(number), |q, leaf| q.bind(*leaf)).await? {
        let mut row = Reading::new(row, "sealed_note");
        notes.insert(row.next()?, row.next()?);
    }
    for Found { order, sealed: [raised, skipped], .. } in found {
        if let Some(note) = raised.and_then(|leaf| notes.remove(&leaf)) {
            order.note = note;
        }
        if let Some(reason) = skipped.and_then(|leaf| notes.remove(&leaf)) {
            order.reason = reason;
        }
    }
    Ok(())
}

/// Adds to open orders their rows of the due list.
async fn add_plans(conn: &mut Conn, site: SiteId, found: &mut [Found]) -> Result<()> {
    let number = i64::from(site.0);
    let open = found.iter().filter(|found| found.order.state == OrderState::Open);
    let numbers: Vec<i64> = open.map(|found| found.order.number.0).collect();
    let mut plans: HashMap<i64, PlanRow> = HashMap::new();
    for row in &PLANS.fetch_of(conn, &numbers, |q| q.bind(number)).await? {
        let mut row = Reading::new(row, "plan");
        plans.insert(row.next()?, row.json("payload")?);
    }
    for Found { order, .. } in found {
        order.plan = plans.remove(&order.number.0);
    }
    Ok(())
}

/// Adds to orders their closings, with what each that stands satisfied.
async fn add_closings(conn: &mut Conn, site: SiteId, found: &mut [Found]) -> Result<()> {
    let number = i64::from(site.0);
    let numbers: Vec<OrderNumber> = found.iter().map(|found| found.order.number).collect();
    let rows = CLOSINGS.fetch(conn, &numbers, |q| q.bind(number), |q, order| q.bind(order.0)).await?;
    let mut views: BTreeMap<OrderNumber, Vec<(bool, ClosingView)>> = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "closing");
        let order = OrderNumber(row.next()?);
        let undone = row.next::<i64>()? != 0;
        let record = row.json("record")?;
        let entry = row.next()?;
        let note = row.next::<Option<String>>()?.unwrap_or_default();
        views.entry(order).or_default().push((undone, ClosingView { record, note, satisfied: None, entry }));
    }
    for Found { order, .. } in &mut *found {
        for (undone, view) in views.remove(&order.number).unwrap_or_default() {
            if undone {
                order.undone.push(view);
            } else {
                order.closing = Some(view);
            }
        }
    }
    add_satisfied(conn, site, found).await
}

/// Says of closings what they satisfied, as known now; nothing where the task has no open order any more to judge from.
async fn add_satisfied(conn: &mut Conn, site: SiteId, found: &mut [Found]) -> Result<()> {
    let mut mind = Mind::load(conn, site).await?;
    let mut asked: Vec<Asked<'_>> = found.iter_mut().filter_map(Asked::of).collect();
    let machines: BTreeSet<MachineId> = asked.iter().map(|asked| asked.machine).collect();
    mind.know_machines(conn, &machines).await?;
    let known = machines.iter().filter_map(|machine| mind.machines.get(machine));
    let meters: Vec<MeterId> = known.flat_map(|known| &known.meters).map(|(meter, _)| *meter).collect();
    mind.know_meters(conn, meters).await?;
    let tasks: BTreeSet<TaskId> = asked.iter().map(|asked| asked.task).collect();
    let tasks: Vec<TaskId> = tasks.into_iter().collect();
    let closings = inputs::all_closings(conn, site, &tasks).await?;
    let versions = inputs::all_versions(conn, site, &tasks).await?;
    // Each round loads the months that the one before named; a clause names a bounded number of them.
    for _ in 0..super::refresh::ROUNDS_MAX {
        let mut missing = Vec::new();
        asked.retain_mut(|asked| match asked.judge(&mind, &closings, &versions) {
            Ok(answer) => {
                asked.closing.satisfied = answer;
                false
            }
            Err(months) => {
                missing.extend(months);
                true
            }
        });
        if asked.is_empty() {
            return Ok(());
        }
        mind.know_months(conn, &missing).await?;
    }
    let machine = asked.first().map(|asked| asked.machine.to_string()).unwrap_or_default();
    Err(StoreError::Corrupt { table: "meter_month", column: "month", row: machine })
}

/// A closing of a task of which is asked what it satisfied.
struct Asked<'f> {
    machine: MachineId,
    task: TaskId,
    closing: &'f mut ClosingView,
}

impl<'f> Asked<'f> {
    fn of(found: &'f mut Found) -> Option<Asked<'f>> {
        Some(Asked { machine: found.machine, task: found.task?, closing: found.order.closing.as_mut()? })
    }

    fn judge(
        &self,
        mind: &Mind,
        closings: &HashMap<TaskId, Vec<Closing>>,
        versions: &HashMap<TaskId, Vec<SavedVersion>>,
    ) -> std::result::Result<Option<Satisfied>, Missing> {
        let Some(known) = mind.machines.get(&self.machine) else { return Ok(None) };
        let Some(order) = known.orders.iter().find(|order| order.task == Some(self.task)) else {
            return Ok(None);
        };
        let history = |(meter, kind): &(MeterId, MeterKind)| {
            let history = mind.meters.get(meter)?.history.clone();
            Some((*meter, MeterInput { unit: kind.unit(), history, forecast: None }))
        };
        let versions = versions.get(&self.task).into_iter().flatten();
        let versions = versions.filter(|saved| saved.stood_at(self.closing.entry));
        let input = TaskInput {
            versions: versions.map(|saved| saved.version.clone()).collect(),
            closings: closings.get(&self.task).cloned().unwrap_or_default(),
            rests: known.rests.clone(),
            meters: known.meters.iter().filter_map(history).collect(),
            ..order.clone()
        };
        satisfied(&input, &mind.calendar, self.closing.record.done_at).map(Some)
    }
}

/// The standing closings of an order's task, newest first.
pub(super) async fn closings_of(
    conn: &mut Conn,
    site: SiteId,
    order: OrderNumber,
) -> Result<Vec<ClosingRecord>> {
    let rows = sqlx::query(OF_TASK).bind(i64::from(site.0)).bind(order.0).fetch_all(conn).await?;
    rows.iter().map(|row| Reading::new(row, "closing").json("record")).collect()
}
