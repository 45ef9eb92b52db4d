//! Skipping, raising and undoing work orders.

use super::close::{Subject, must_be_open, numbers, open_next, subject};
use super::decode::{Reading, to_json};
use super::journal::Fact;
use super::mind::Mind;
use super::orders::RaisedCard;
use super::people::{known_person, speaker};
use super::request::Keep;
use super::tx::Tx;
use super::{closing_reads, ended, fluids, orders, plan_reads, refresh, shelf_use, sites};
use crate::contract::{DueEntry, Ended, Result};
use fettler_domain::error::Error;
use fettler_domain::ids::{ClosingId, MachineId, OrderNumber, PersonId, SiteId, TaskId};
use fettler_domain::journal::Kind;
use fettler_domain::order::{ClosingRecord, OrderState, RaiseSaid, Undone};
use fettler_domain::plan::{Rest, TaskInput, plan_task};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

const SKIP: &str = "UPDATE work_order SET state = 'skipped', planned = 0, ended_at = $3, skipped_by = $4, leaf = $5 \
    WHERE site = $1 AND number = $2 AND state = 'open'";
const MACHINE: &str = "SELECT number, state FROM machine WHERE site = $1 AND tag = $2";
const RAISE: &str = "INSERT INTO work_order (site, number, machine, title, hazard, state, opened_at, raised_at, raised_by, \
    card, reason, leaf, planned) VALUES ($1, $2, $3, $4, $5, 'open', $6, $7, $8, $9, '', $10, 1)";
const RAISED: &str = "SELECT o.machine, m.tag, m.name, m.area, o.title, o.hazard, o.opened_at, o.raised_at, o.card \
    FROM work_order o JOIN machine m ON m.site = o.site AND m.number = o.machine WHERE o.site = $1 AND o.number = $2";
/// The closing of an order and those it covered.
const TO_UNDO: &str = "SELECT c.number, c.work_order, c.task, c.record FROM closing c WHERE c.site = $1 AND c.undone = 0 \
    AND (c.work_order = $2 OR c.covered_by = (SELECT closing FROM work_order WHERE site = $1 AND number = $2)) \
    ORDER BY c.number";
/// What ended an order of the task after the closing.
const LATER: &str = "SELECT number, state FROM work_order WHERE site = $1 AND task = $2 AND number > $3 \
    AND state IN ('closed', 'skipped') ORDER BY number LIMIT 1";
const NEXT: &str =
    "SELECT number FROM work_order WHERE site = $1 AND task = $2 AND planned = 1 AND state = 'open'";
const VOID: &str = "UPDATE work_order SET state = 'void', planned = 0, ended_at = $3, reason = $4, leaf = $5 \
    WHERE site = $1 AND number = $2";
const REOPEN: &str = "UPDATE work_order SET state = 'open', planned = 1, ended_at = NULL, closing = NULL, leaf = $3 \
    WHERE site = $1 AND number = $2";
const MARK: &str = "UPDATE closing SET undone = 1, record = $3 WHERE site = $1 AND number = $2";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[SKIP, MACHINE, RAISE, RAISED, TO_UNDO, LATER, NEXT, VOID, REOPEN, MARK];

/// A skip or an undo that is asked for.
pub(super) struct Ending {
    /// The order.
    pub(super) order: OrderNumber,
    /// Who asks.
    pub(super) by: Name,
    /// Why.
    pub(super) reason: String,
    /// Whether nothing is to stand.
    pub(super) validate_only: bool,
}

/// Skips an order: the next one counts from the skipped due point.
pub(super) async fn skip(tx: &mut Tx, site: SiteId, ask: Ending) -> Result<Ended> {
    if ask.validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    if let Some(brought) = tx.replayed::<Skipping>(site).await? {
        let own = subject(tx, site, ask.order).await?;
        return skipped(tx, site, &own, brought).await;
    }
    let own = subject(tx, site, ask.order).await?;
    must_be_open(tx, site, &own).await?;
    if own.hazard {
        let text = "a hazard is skipped by a manager only; do the work, or ask a manager";
        must_decide(tx, ask.order, text.to_owned())?;
    }
    let person = speaker(tx, site, "by", &ask.by).await?;
    let next = own.next(tx, site)?;
    let after = json!({
        "order": ask.order.0,
        "state": "skipped",
        "machine": own.machine.0,
        "task": own.task.map(|task| task.0),
        "hazard": own.hazard,
        "next": next.map(|order| order.0),
    });
    let leaf = append(tx, site, Kind::OrderSkipped, ask.order, person, after, &ask.reason)?;
    sqlx::query(SKIP)
        .bind(i64::from(site.0))
        .bind(ask.order.0)
        .bind(tx.caller.now.0)
        .bind(person.0)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    if let Some(next) = next {
        open_next(tx, site, &own, next).await?;
    }
    let void = refresh::machines(tx, site, &BTreeSet::from([own.machine])).await?;
    let brought = Skipping { next: next.into_iter().collect(), void };
    tx.remember(site, &brought, Some(leaf), Keep::AWhile).await?;
    tx.forget_machines([own.machine]);
    skipped(tx, site, &own, brought).await
}

/// Refuses what is a manager's to decide.
fn must_decide(tx: &Tx, order: OrderNumber, text: String) -> Result<()> {
    if tx.caller.as_manager {
        return Ok(());
    }
    Err(Error::NotAllowed { reason: "MANAGER_ONLY", subject: format!("order {order}"), text }.into())
}

/// Refuses an undo of what was entered on an earlier shop day: that is a manager's to decide.
async fn of_this_day(tx: &mut Tx, site: SiteId, order: OrderNumber, steps: &[Step]) -> Result<()> {
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let today = calendar.shop_day_of(tx.caller.now);
    let earlier =
        steps.iter().map(|step| calendar.shop_day_of(step.record.entered_at)).find(|day| *day != today);
    match earlier {
        None => Ok(()),
        Some(day) => {
            let text =
                format!("the closing was entered on {day}; after its shop day a manager undoes it, ask one");
            must_decide(tx, order, text)
        }
    }
}

/// What a skip brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Skipping {
    next: Vec<OrderNumber>,
    void: Vec<OrderNumber>,
}

async fn skipped(tx: &mut Tx, site: SiteId, own: &Subject, brought: Skipping) -> Result<Ended> {
    tx.flush().await?;
    let order = orders::one(&mut tx.conn, site, own.order).await?;
    let next = plan_reads::entries(&mut tx.conn, site, &brought.next).await?;
    let hazard = own.hazard.then(|| "a hazard was skipped; it is still there".to_owned());
    let remarks = hazard.into_iter().chain(brought.void.iter().copied().map(ended::remark)).collect();
    Ok(Ended { order: Some(order), next, void: brought.void, remarks, ..Ended::default() })
}

fn append(
    tx: &mut Tx,
    site: SiteId,
    kind: Kind,
    order: OrderNumber,
    person: PersonId,
    after: serde_json::Value,
    text: &str,
) -> Result<i64> {
    let sealed = (!text.is_empty()).then(|| ("note", text.to_owned()));
    let subject = format!("orders/{order}");
    tx.append(site, Fact { kind, subject, person: Some(person), after, before: None, sealed })
}

/// Raises an order for a job that no rule foresaw.
pub(super) async fn raise(tx: &mut Tx, site: SiteId, said: RaiseSaid) -> Result<DueEntry> {
    tx.take(site).await?;
    if let Some(order) = tx.replayed(site).await? {
        return raised_then(tx, site, order).await;
    }
    // Who sees something that has to be done is never sent away for a PIN.
    let person = known_person(&mut tx.conn, "by", &said.by).await?;
    let row = sqlx::query(MACHINE)
        .bind(i64::from(site.0))
        .bind(said.machine.as_str())
        .fetch_optional(&mut tx.conn)
        .await?;
    let row = row.ok_or_else(|| Error::no_machine(said.machine.as_str()))?;
    let mut row = Reading::new(&row, "machine");
    let (machine, state) = (MachineId(row.next()?), row.next::<String>()?);
    if state == "retired" {
        let text = format!("machine {} has left the shop; no order can be raised on it", said.machine);
        let subject = format!("machine {}", said.machine);
        return Err(Error::WrongState { reason: "MACHINE_RETIRED", subject, text }.into());
    }
    let raising = Raising { said: &said, card: RaisedCard::default() };
    let (order, leaf) = raise_one(tx, site, raising, machine, person).await?;
    // A raised order ends no rule. Another order of the machine whose rule had ended already may become void here, as it
    // would at the next upkeep; that is a fact of its own, and the answer is about the order that was raised.
    refresh::machines(tx, site, &BTreeSet::from([machine])).await?;
    tx.remember(site, &order, Some(leaf), Keep::AWhile).await?;
    tx.forget_machines([machine]);
    plan_reads::entry(&mut tx.conn, site, order).await
}

/// What is raised.
pub(super) struct Raising<'s> {
    /// What is said of it.
    pub(super) said: &'s RaiseSaid,
    /// What it keeps of the check or test point that raises it; the leaf is put in when it is written.
    pub(super) card: RaisedCard,
}

/// Writes an order that is raised; the machine's plan is the caller's to compute. Gives its number and its leaf.
pub(super) async fn raise_one(
    tx: &mut Tx,
    site: SiteId,
    Raising { said, card }: Raising<'_>,
    machine: MachineId,
    person: PersonId,
) -> Result<(OrderNumber, i64)> {
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let due = said.due_day.map_or(tx.caller.now, |day| calendar.start_of(day));
    let order = tx.head(site)?.next_order();
    let mut after = json!({
        "order": order.0,
        "state": "open",
        "machine": machine.0,
        "title": said.title.as_str(),
        "hazard": said.hazard,
        "due": due.0,
    });
    if !card.cautions.is_empty() {
        after["cautions"] = card.cautions.clone().into();
    }
    let leaf = append(tx, site, Kind::OrderRaised, order, person, after, &said.note)?;
    sqlx::query(RAISE)
        .bind(i64::from(site.0))
        .bind(order.0)
        .bind(machine.0)
        .bind(said.title.as_str())
        .bind(i64::from(said.hazard))
        .bind(tx.caller.now.0)
        .bind(due.0)
        .bind(person.0)
        .bind(to_json(&RaisedCard { leaf: Some(leaf), ..card })?)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok((order, leaf))
}

/// A raised order as the list shows it, or, when it is not open any more, as the list showed it when it was raised.
async fn raised_then(tx: &mut Tx, site: SiteId, order: OrderNumber) -> Result<DueEntry> {
    if let Some(entry) = plan_reads::entries(&mut tx.conn, site, &[order]).await?.pop() {
        return Ok(entry);
    }
    let number = i64::from(site.0);
    let row = sqlx::query(RAISED).bind(number).bind(order.0).fetch_one(&mut tx.conn).await?;
    let mut row = Reading::new(&row, "work_order");
    let machine = MachineId(row.next()?);
    let (tag, machine_name) = (row.text("tag", Key::new)?, row.text("name", Name::new)?);
    let (area, title) = (row.next()?, row.text("title", Name::new)?);
    let hazard = row.next::<i64>()? != 0;
    let (opened, raised) = (Ts(row.next()?), Ts(row.next()?));
    let card: RaisedCard = row.json("card")?;
    let mut mind = Mind::load(&mut tx.conn, site).await?;
    mind.know_machines(&mut tx.conn, &BTreeSet::from([machine])).await?;
    let rests = mind.machines.get(&machine).map(|known| known.rests.clone()).unwrap_or_default();
    let known_then = |rest: Rest| Rest { until: rest.until.filter(|until| *until <= opened), ..rest };
    let input = TaskInput {
        order,
        task: None,
        machine,
        hazard,
        raised: Some(raised),
        versions: Vec::new(),
        closings: Vec::new(),
        skips: Vec::new(),
        last_done: None,
        replaced: BTreeMap::new(),
        readings: Vec::new(),
        points: BTreeMap::new(),
        models: None,
        rests: rests.into_iter().filter(|rest| rest.from <= opened).map(known_then).collect(),
        meters: BTreeMap::new(),
        fleet_epoch: mind.fleet_epoch,
    };
    let as_of = mind.calendar.shop_day_of(opened);
    let plan = plan_task(&input, &mind.calendar, as_of).map_err(|_| row.corrupt("raised_at", order))?;
    let mut entry = [DueEntry {
        plan,
        machine: tag,
        machine_name,
        area,
        task: None,
        title,
        place: card.place,
        kit: Vec::new(),
        minutes: 0,
        hazard,
        cautions: card.cautions,
        readings: card.point.into_iter().collect(),
        meter_keys: BTreeMap::new(),
    }];
    plan_reads::name_meters(&mut tx.conn, site, &mut entry).await?;
    let [entry] = entry;
    Ok(entry)
}

/// A closing that is to be undone.
struct Step {
    closing: ClosingId,
    order: OrderNumber,
    task: Option<TaskId>,
    record: ClosingRecord,
}

/// Undoes the closing of an order with all it did.
pub(super) async fn undo(tx: &mut Tx, site: SiteId, ask: Ending) -> Result<Ended> {
    if ask.validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    if let Some(brought) = tx.replayed(site).await? {
        return opened_again(tx, site, ask.order, brought).await;
    }
    let own = subject(tx, site, ask.order).await?;
    let steps = to_undo(tx, site, ask.order, own.state).await?;
    of_this_day(tx, site, ask.order, &steps).await?;
    let person = speaker(tx, site, "by", &ask.by).await?;
    for step in &steps {
        nothing_retired(tx, site, step).await?;
        nothing_later(tx, site, step).await?;
    }
    let now = tx.caller.now;
    let mut void = Vec::new();
    for step in &steps {
        if let Some(task) = step.task {
            void.extend(numbers(tx, NEXT, site, OrderNumber(task.0)).await?);
        }
    }
    let after = json!({
        "closings": steps.iter().map(|step| step.closing.0).collect::<Vec<_>>(),
        "open_again": steps.iter().map(|step| step.order.0).collect::<Vec<_>>(),
        "void": void.iter().map(|order| order.0).collect::<Vec<_>>(),
    });
    let leaf = append(tx, site, Kind::ClosingUndone, ask.order, person, after, &ask.reason)?;
    let reason = format!("the closing of order {} was undone", ask.order);
    for order in &void {
        sqlx::query(VOID)
            .bind(i64::from(site.0))
            .bind(order.0)
            .bind(now.0)
            .bind(reason.as_str())
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
    }
    let mut remarks = Vec::new();
    for step in &steps {
        if let Some(task) = step.task {
            ended::leave(tx, site, task).await?;
        }
        let undone = Undone { at: now, by: person, reason: ask.reason.clone() };
        closing_reads::undo_of_closing(tx, site, step.closing, &undone).await?;
        fluids::undo_of_closing(tx, site, step.closing, &undone).await?;
        if !step.record.used.is_empty() {
            remarks.extend(shelf_use::undo_of_closing(tx, site, step.closing, person).await?);
        }
        write_undone(tx, site, step, undone, leaf).await?;
    }
    let ended = refresh::machines(tx, site, &BTreeSet::from([own.machine])).await?;
    let brought = Undoing { open: steps.iter().map(|step| step.order).collect(), void, ended, remarks };
    tx.remember(site, &brought, Some(leaf), Keep::ForEver).await?;
    tx.forget_machines([own.machine]);
    opened_again(tx, site, ask.order, brought).await
}

/// What an undo brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Undoing {
    open: Vec<OrderNumber>,
    /// The next orders, which have no place any more.
    void: Vec<OrderNumber>,
    /// Orders that were to be open again, but whose rule has ended meanwhile.
    #[serde(default)]
    ended: Vec<OrderNumber>,
    /// What is back in stock.
    #[serde(default)]
    remarks: Vec<String>,
}

/// The orders that are open again, the one that was asked for first, and those that are void.
async fn opened_again(tx: &mut Tx, site: SiteId, asked: OrderNumber, brought: Undoing) -> Result<Ended> {
    let mut next = plan_reads::entries(&mut tx.conn, site, &brought.open).await?;
    next.sort_by_key(|entry| entry.plan.order != asked);
    let mut remarks = brought.remarks;
    remarks.extend(brought.ended.iter().copied().map(ended::remark));
    let void = brought.void.into_iter().chain(brought.ended).collect();
    Ok(Ended { next, void, remarks, ..Ended::default() })
}

/// Refuses an undo that would open an order of what is no longer cared for.
async fn nothing_retired(tx: &mut Tx, site: SiteId, step: &Step) -> Result<()> {
    if subject(tx, site, step.order).await?.may_be_open {
        return Ok(());
    }
    let text = format!(
        "order {} cannot be open again: its task or its machine has been retired since; record what was wrong in the \
         note of another order",
        step.order
    );
    Err(Error::WrongState { reason: "RETIRED_SINCE", subject: format!("order {}", step.order), text }.into())
}

async fn to_undo(tx: &mut Tx, site: SiteId, order: OrderNumber, state: OrderState) -> Result<Vec<Step>> {
    let refused = |text: String| {
        let subject = format!("order {order}");
        Error::WrongState { reason: "NOTHING_TO_UNDO", subject, text }
    };
    if state != OrderState::Closed {
        let text = format!("order {order} is not closed, so there is no closing to undo");
        return Err(refused(text).into());
    }
    let rows = sqlx::query(TO_UNDO).bind(i64::from(site.0)).bind(order.0).fetch_all(&mut tx.conn).await?;
    let mut steps = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut row = Reading::new(row, "closing");
        let (closing, order) = (ClosingId(row.next()?), OrderNumber(row.next()?));
        let task = row.next::<Option<i64>>()?.map(TaskId);
        steps.push(Step { closing, order, task, record: row.json("record")? });
    }
    if let Some(larger) =
        steps.iter().find(|step| step.order == order).and_then(|step| step.record.covered_by)
    {
        let text =
            format!("order {order} was closed together with a larger one (closing {larger}); undo that one");
        return Err(refused(text).into());
    }
    Ok(steps)
}

/// Refuses an undo on which a later closing or skip stands.
async fn nothing_later(tx: &mut Tx, site: SiteId, step: &Step) -> Result<()> {
    let Some(task) = step.task else { return Ok(()) };
    let row = sqlx::query(LATER)
        .bind(i64::from(site.0))
        .bind(task.0)
        .bind(step.order.0)
        .fetch_optional(&mut tx.conn)
        .await?;
    let Some(row) = row else { return Ok(()) };
    let mut row = Reading::new(&row, "work_order");
    let (later, state): (i64, String) = (row.next()?, row.next()?);
    let remedy = if state == "closed" { format!("undo order {later} first, or ") } else { String::new() };
    let text = format!(
        "order {later} was {state} after order {}, so its closing cannot be undone any more; {remedy}record what was \
         wrong in a raised order",
        step.order
    );
    Err(Error::WrongState { reason: "LATER_CLOSING", subject: format!("order {}", step.order), text }.into())
}

async fn write_undone(tx: &mut Tx, site: SiteId, step: &Step, undone: Undone, leaf: i64) -> Result<()> {
    let number = i64::from(site.0);
    let record = ClosingRecord { undone: Some(undone), ..step.record.clone() };
    sqlx::query(MARK).bind(number).bind(step.closing.0).bind(to_json(&record)?).execute(&mut tx.conn).await?;
    sqlx::query(REOPEN).bind(number).bind(step.order.0).bind(leaf).execute(&mut tx.conn).await?;
    Ok(())
}
