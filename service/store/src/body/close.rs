//! Closing a work order: one transaction with the closings it makes, the next orders, their plan and the leaf.

use super::decode::{Reading, to_json};
use super::journal::Fact;
use super::orders::RaisedCard;
use super::people::{known_person, names, speaker};
use super::request::Keep;
use super::shop_write::OPEN_ORDER;
use super::tx::Tx;
use super::{closing_reads, ended, fluids, orders, plan_reads, raised, readings, refresh, shelf_use, sites};
use crate::contract::{Ended, Result, StoreError};
use fettler_domain::closing::slips::{Known, slips};
use fettler_domain::closing::{Asked, Judged, Stood, judge};
use fettler_domain::error::Error;
use fettler_domain::ids::{ClosingId, MachineId, OrderNumber, PersonId, SiteId, TaskId};
use fettler_domain::journal::Kind;
use fettler_domain::order::{ClosingRecord, ClosingSaid, GovernedThen, OrderState};
use fettler_domain::plan::{ClauseState, Counted, PlanRow};
use fettler_domain::reading::ask::Odd;
use fettler_domain::shop::{KitItem, PointCard, TaskCard};
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

const ORDER: &str = "SELECT o.state, o.machine, m.tag, o.task, t.card, t.sheet, t.active, m.state, o.hazard, o.card, o.opened_at FROM work_order o \
    JOIN machine m ON m.site = o.site AND m.number = o.machine \
    LEFT JOIN task t ON t.site = o.site AND t.number = o.task WHERE o.site = $1 AND o.number = $2";
/// The open orders of all tasks that a task covers, directly and through others.
const COVERED: &str = "WITH RECURSIVE smaller_of(task) AS (SELECT smaller FROM task_cover WHERE site = $1 AND larger = $2 \
    UNION SELECT x.smaller FROM smaller_of s JOIN task_cover x ON x.site = $1 AND x.larger = s.task) \
    SELECT o.number FROM smaller_of CROSS JOIN work_order o WHERE o.site = $1 AND o.task = smaller_of.task AND o.planned = 1 AND o.state = 'open' ORDER BY o.number";
const LAST: &str = "SELECT MAX(done_at) FROM closing WHERE site = $1 AND task = $2 AND undone = 0";
const PUT_CLOSING: &str = "INSERT INTO closing (site, number, work_order, task, machine, done_at, entered_at, covered_by, \
    undone, record, leaf) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, 0, $9, $10)";
const CLOSE: &str = "UPDATE work_order SET state = 'closed', planned = 0, ended_at = $3, closing = $4, leaf = $5 \
    WHERE site = $1 AND number = $2 AND state = 'open'";
const OPEN_BY_TASK: &str = "SELECT number FROM work_order WHERE site = $1 AND planned = 1 AND state = 'open' AND task IN \
    (SELECT task FROM closing WHERE site = $1 AND (work_order = $2 OR covered_by = \
    (SELECT closing FROM work_order WHERE site = $1 AND number = $2))) ORDER BY number";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[ORDER, COVERED, LAST, PUT_CLOSING, CLOSE, OPEN_BY_TASK];

/// An order with what its ending needs.
pub(super) struct Subject {
    pub(super) order: OrderNumber,
    pub(super) state: OrderState,
    pub(super) machine: MachineId,
    /// The machine's tag.
    pub(super) tag: String,
    pub(super) task: Option<TaskId>,
    pub(super) card: Option<TaskCard>,
    sheet: Option<Key>,
    /// Whether a next order is to stand when this one ends.
    goes_on: bool,
    /// Whether an order of this task on this machine may be open: neither has been retired.
    pub(super) may_be_open: bool,
    /// Whether neglect or the work can hurt someone.
    pub(super) hazard: bool,
    /// What to heed at a raised order.
    raised: Vec<String>,
    opened_at: Ts,
}

impl Subject {
    fn asked(&self) -> Asked {
        let cautions = self.cautions();
        let Some(card) = &self.card else {
            return Asked { order: self.order, cautions, ..Asked::default() };
        };
        Asked {
            order: self.order,
            task: Some(card.key.clone()),
            cautions,
            readings: card.readings.clone(),
            certificate: card.certificate,
            second_person: card.second_person,
        }
    }

    fn kit(&self) -> &[KitItem] {
        self.card.as_ref().map_or(&[], |card| &card.kit)
    }

    /// What was used that is not the oil of the machine's card.
    fn wrongly_poured(&self, said: &ClosingSaid, points: &BTreeMap<Key, PointCard>) -> Vec<String> {
        let used: Vec<&str> = said.used.iter().map(|used| used.item.as_str()).collect();
        self.card.as_ref().map(|card| card.wrongly_poured(points, &used)).unwrap_or_default()
    }

    /// What to heed before starting.
    fn cautions(&self) -> Vec<String> {
        self.card.as_ref().map_or_else(|| self.raised.clone(), TaskCard::heeded)
    }
}

/// Reads an order for its ending.
pub(super) async fn subject(tx: &mut Tx, site: SiteId, order: OrderNumber) -> Result<Subject> {
    let row = sqlx::query(ORDER).bind(i64::from(site.0)).bind(order.0).fetch_optional(&mut tx.conn).await?;
    let row = row.ok_or_else(|| orders::no_order(order))?;
    let mut row = Reading::new(&row, "work_order");
    let state = row.word("state")?;
    let machine = MachineId(row.next()?);
    let tag = row.next()?;
    let task = row.next::<Option<i64>>()?.map(TaskId);
    let card: Option<&str> = row.next()?;
    let card =
        card.map(|text| serde_json::from_str(text).map_err(|_| row.corrupt("card", text))).transpose()?;
    let sheet: Option<String> = row.next()?;
    let sheet = sheet.map(|key| Key::new(key.clone()).map_err(|_| row.corrupt("sheet", key))).transpose()?;
    let active = row.next::<Option<i64>>()?.is_some_and(|active| active != 0);
    let machine_state: &str = row.next()?;
    let in_shop = machine_state != "retired";
    let hazard = row.next::<i64>()? != 0;
    let raised = row.json_or_none::<RaisedCard>("card")?.unwrap_or_default().cautions;
    let opened_at = Ts(row.next()?);
    let (goes_on, may_be_open) = (active && in_shop, in_shop && (active || task.is_none()));
    Ok(Subject {
        order,
        state,
        machine,
        tag,
        task,
        card,
        sheet,
        goes_on,
        may_be_open,
        hazard,
        raised,
        opened_at,
    })
}

/// Refuses what is to end an order that is not open, and says how it ended.
pub(super) async fn must_be_open(tx: &mut Tx, site: SiteId, subject: &Subject) -> Result<()> {
    if subject.state == OrderState::Open {
        return Ok(());
    }
    let order = orders::one(&mut tx.conn, site, subject.order).await?;
    let by = order.closing.as_ref().map(|closing| closing.record.done_by).or(order.skipped_by);
    let known = names(&mut tx.conn, &by.into_iter().collect::<Vec<_>>()).await?;
    let by = by.and_then(|person| known.get(&person)).map(|name| format!(" by {name}")).unwrap_or_default();
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let when = order.ended_at.map(|at| format!(" on {}", calendar.minute_in_words(at))).unwrap_or_default();
    let how = match order.state {
        OrderState::Open => "is open",
        OrderState::Closed => "was closed",
        OrderState::Skipped => "was skipped",
        OrderState::Void => "is void",
    };
    let reason = if order.reason.is_empty() { String::new() } else { format!(" ({})", order.reason) };
    Err(Error::WrongState {
        reason: "ORDER_NOT_OPEN",
        subject: format!("order {}", subject.order),
        text: format!(
            "order {} {how}{when}{by}{reason}; `fettler orders --machine {} --state open` shows what is open",
            subject.order, order.machine
        ),
    }
    .into())
}

/// Closes an order, and those that it covers where all they ask for was given.
pub(super) async fn close(tx: &mut Tx, site: SiteId, mut said: ClosingSaid) -> Result<Ended> {
    tx.take(site).await?;
    if let Some(brought) = tx.replayed(site).await? {
        return ended(tx, site, said.order, brought).await;
    }
    let own = subject(tx, site, said.order).await?;
    must_be_open(tx, site, &own).await?;
    let people = People::of(tx, site, &said).await?;
    let covered = covered(tx, site, &own).await?;
    let asked: Vec<Asked> = covered.iter().map(Subject::asked).collect();
    let plan = plan_reads::entry(&mut tx.conn, site, said.order).await?.plan;
    let stood = Stood::by(&plan, Some(own.opened_at), last_closing(tx, site, own.task).await?);
    let points = readings::points(&mut tx.conn, site, own.machine).await?;
    let cards: BTreeMap<Key, PointCard> =
        points.iter().map(|(_, card)| (card.key.clone(), card.clone())).collect();
    let mut judged =
        judge(&said, tx.caller.now, &own.asked(), &asked, stood, &cards).map_err(Error::Invalid)?;
    let at = (own.machine, points.as_slice());
    let read = closing_reads::said_in_closing(tx, site, at, &said, people.done_by).await?;
    let closed_with = covered.iter().filter(|subject| judged.covered.contains(&subject.order));
    let kits: Vec<&KitItem> = closed_with.chain([&own]).flat_map(Subject::kit).collect();
    said.used = said.used_with(own.kit());
    let fluids = fluids::said_in_closing(tx, site, &own, &said, people.done_by).await?;
    let known = Known { tag: &own.tag, points: &cards, shelf: &[], kits: &kits };
    ask_back(tx, site, &said, stood, known, &read.odd).await?;
    judged.findings.extend(closing_reads::findings(&read.said));
    judged.findings.extend(own.wrongly_poured(&said, &cards));
    let used = shelf_use::said_in_closing(tx, site, &said.used, said.done_at).await?;
    judged.findings.extend(used.findings.iter().cloned());
    let told = |finding: &&String| {
        let used = finding.split_once(" was poured, ").map(|(item, _)| format!("{item} was used, "));
        used.is_some_and(|used| judged.findings.iter().any(|known| known.starts_with(&used)))
    };
    let of_fluids: Vec<String> = fluids.findings.iter().filter(|finding| !told(finding)).cloned().collect();
    judged.findings.extend(of_fluids);

    let machine = own.machine;
    let record = record(tx, site, &said, &people, &own, &plan, &judged)?;
    let record = ClosingRecord { lots: used.lots(), ..record };
    let number = record.closing;
    let leaf = put(tx, site, &own, &record, Some(said.note.clone())).await?;
    let beyond_stop = closing_reads::beyond_stop(&read.said);
    closing_reads::put_of_closing(tx, site, read.said, number).await?;
    fluids::put_of_closing(tx, site, fluids, number, &record.lots).await?;
    shelf_use::put_of_closing(tx, site, used, (said.order, number), people.entered_by).await?;
    for subject in covered.iter().filter(|subject| judged.covered.contains(&subject.order)) {
        let plan = plan_reads::entry(&mut tx.conn, site, subject.order).await?.plan;
        let judged = Judged::default();
        let mut smaller = self::record(tx, site, &said, &people, subject, &plan, &judged)?;
        smaller.covered_by = Some(number);
        // What both took and used together is told once, by the larger one.
        (smaller.minutes, smaller.used) = (0, Vec::new());
        put(tx, site, subject, &smaller, None).await?;
    }
    let mut void = refresh::machines(tx, site, &BTreeSet::from([machine])).await?;
    for record in &beyond_stop {
        judged.findings.extend(raised::of_closing(tx, site, record, &said.done_by, &mut void).await?);
    }
    let brought = Brought {
        void,
        next: numbers(tx, OPEN_BY_TASK, site, said.order).await?,
        covered: judged.covered,
        left_open: judged.left_open,
        findings: judged.findings,
    };
    tx.remember(site, &brought, Some(leaf), Keep::ForEver).await?;
    tx.forget_machines([machine]);
    ended(tx, site, said.order, brought).await
}

/// What a closing brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Brought {
    next: Vec<OrderNumber>,
    covered: Vec<OrderNumber>,
    left_open: Vec<(OrderNumber, Vec<String>)>,
    findings: Vec<String>,
    void: Vec<OrderNumber>,
}

/// What a closing brought about, read back. Of the next orders those are shown that are still open.
async fn ended(tx: &mut Tx, site: SiteId, order: OrderNumber, brought: Brought) -> Result<Ended> {
    tx.flush().await?;
    let closed = orders::one(&mut tx.conn, site, order).await?;
    let mut covered = Vec::new();
    for smaller in brought.covered {
        covered.push(orders::one(&mut tx.conn, site, smaller).await?);
    }
    let own = closed.task.clone();
    let mut next = plan_reads::entries(&mut tx.conn, site, &brought.next).await?;
    // The next order of the closed task itself comes first.
    next.sort_by_key(|entry| entry.task != own);
    let mut remarks = brought.findings;
    for (order, lacks) in &brought.left_open {
        remarks.push(format!("order {order} stays open: {}", lacks.join(", ")));
    }
    remarks.extend(brought.void.iter().copied().map(ended::remark));
    let left_open = brought.left_open.into_iter().map(|(order, _)| order).collect();
    Ok(Ended { order: Some(closed), next, covered, left_open, void: brought.void, remarks })
}

/// The order numbers that a statement over a site and an order gives.
pub(super) async fn numbers(
    tx: &mut Tx,
    sql: &'static str,
    site: SiteId,
    order: OrderNumber,
) -> Result<Vec<OrderNumber>> {
    let rows = sqlx::query(sql).bind(i64::from(site.0)).bind(order.0).fetch_all(&mut tx.conn).await?;
    rows.iter().map(|row| Ok(OrderNumber(Reading::new(row, "work_order").next()?))).collect()
}

async fn covered(tx: &mut Tx, site: SiteId, own: &Subject) -> Result<Vec<Subject>> {
    let Some(task) = own.task else { return Ok(Vec::new()) };
    let mut subjects = Vec::new();
    for order in numbers(tx, COVERED, site, OrderNumber(task.0)).await? {
        subjects.push(subject(tx, site, order).await?);
    }
    Ok(subjects)
}

async fn last_closing(tx: &mut Tx, site: SiteId, task: Option<TaskId>) -> Result<Option<Ts>> {
    let Some(task) = task else { return Ok(None) };
    let row = sqlx::query(LAST).bind(i64::from(site.0)).bind(task.0).fetch_one(&mut tx.conn).await?;
    Ok(Reading::new(&row, "closing").next::<Option<i64>>()?.map(Ts))
}

/// Asks back, all together, what looks like a slip.
async fn ask_back(
    tx: &mut Tx,
    site: SiteId,
    said: &ClosingSaid,
    stood: Stood,
    known: Known<'_>,
    odd: &[(usize, Odd)],
) -> Result<()> {
    let shelf = shelf_use::on_shelf(tx, site, &said.used).await?;
    let asked = slips(said, stood, Known { shelf: &shelf, ..known }, odd);
    if asked.is_empty() { Ok(()) } else { Err(Error::AskedBack(asked).into()) }
}

/// The people whom a closing names.
struct People {
    done_by: PersonId,
    entered_by: PersonId,
    second_person: Option<PersonId>,
}

impl People {
    /// Whoever enters it speaks; the others are named.
    async fn of(tx: &mut Tx, site: SiteId, said: &ClosingSaid) -> Result<People> {
        let (done_by, entered_by) = if let Some(name) = &said.entered_by {
            let done_by = known_person(&mut tx.conn, "done_by", &said.done_by).await?;
            (done_by, speaker(tx, site, "entered_by", name).await?)
        } else {
            let done_by = speaker(tx, site, "done_by", &said.done_by).await?;
            (done_by, done_by)
        };
        let second_person = match &said.second_person {
            Some(name) => Some(known_person(&mut tx.conn, "second_person", name).await?),
            None => None,
        };
        Ok(People { done_by, entered_by, second_person })
    }
}

fn record(
    tx: &mut Tx,
    site: SiteId,
    said: &ClosingSaid,
    people: &People,
    subject: &Subject,
    plan: &PlanRow,
    judged: &Judged,
) -> Result<ClosingRecord> {
    let governed_then = plan.governing.zip(plan.governing.and_then(|clause| plan.clauses.get(clause)));
    let governed_then = governed_then.map(|(clause, state)| {
        // What a model follows runs by a meter, too.
        let of_meter = |part: &ClauseState| {
            if let Counted::Meter { h, known_to, .. } = &part.counted { Some((*h, *known_to)) } else { None }
        };
        let (h, known_to) = state.parts().iter().find_map(of_meter).unwrap_or_default();
        GovernedThen { clause, h, known_to }
    });
    Ok(ClosingRecord {
        closing: tx.head(site)?.next_closing(),
        order: subject.order,
        done_at: said.done_at,
        done_by: people.done_by,
        entered_at: tx.caller.now,
        entered_by: people.entered_by,
        known: tx.caller.known(people.entered_by),
        as_found: said.as_found,
        readings: said.readings.clone(),
        used: said.used.clone(),
        lots: Vec::new(),
        cautions_shown: subject.cautions(),
        cautions_confirmed: said.cautions_confirmed,
        certificate: said.certificate.clone(),
        second_person: people.second_person,
        minutes: said.minutes,
        left_out: said.left_out.clone(),
        due_then: plan.due,
        due_kind_then: Some(plan.kind),
        opens_then: plan.opens,
        late_from_then: plan.late,
        governed_then,
        rule_effective: plan.rule_effective,
        sheet: subject.sheet.clone(),
        covered: judged.covered.clone(),
        covered_by: None,
        findings: judged.findings.clone(),
        undone: None,
    })
}

/// Writes a closing, ends its order and opens the next one; gives the leaf.
async fn put(
    tx: &mut Tx,
    site: SiteId,
    subject: &Subject,
    record: &ClosingRecord,
    note: Option<String>,
) -> Result<i64> {
    let number = i64::from(site.0);
    let next = if subject.goes_on { Some(tx.head(site)?.next_order()) } else { None };
    let mut after = serde_json::to_value(record)
        .map_err(|error| StoreError::Unavailable(format!("no JSON form: {error}")))?;
    after["next"] = next.map(|order| order.0).into();
    let fact = Fact {
        kind: Kind::OrderClosed,
        subject: format!("orders/{}", subject.order),
        person: Some(record.entered_by),
        after,
        before: None,
        sealed: note.filter(|note| !note.is_empty()).map(|note| ("note", note)),
    };
    let leaf = tx.append(site, fact)?;
    let ClosingId(closing) = record.closing;
    let closed = sqlx::query(CLOSE)
        .bind(number)
        .bind(subject.order.0)
        .bind(record.done_at.0)
        .bind(closing)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    if closed.rows_affected() != 1 {
        return Err(StoreError::Conflict);
    }
    sqlx::query(PUT_CLOSING)
        .bind(number)
        .bind(closing)
        .bind(subject.order.0)
        .bind(subject.task.map(|task| task.0))
        .bind(subject.machine.0)
        .bind(record.done_at.0)
        .bind(record.entered_at.0)
        .bind(record.covered_by.map(|closing| closing.0))
        .bind(to_json(record)?)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    if let Some(next) = next {
        open_next(tx, site, subject, next).await?;
    }
    Ok(leaf)
}

/// Opens the next order of a task whose order ends.
pub(super) async fn open_next(tx: &mut Tx, site: SiteId, subject: &Subject, next: OrderNumber) -> Result<()> {
    let Some(card) = &subject.card else { return Ok(()) };
    sqlx::query(OPEN_ORDER)
        .bind(i64::from(site.0))
        .bind(next.0)
        .bind(subject.machine.0)
        .bind(subject.task.map(|task| task.0))
        .bind(card.title.as_str())
        .bind(i64::from(card.hazard))
        .bind(tx.caller.now.0)
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

impl Subject {
    /// The number of the next order, when one is to stand.
    pub(super) fn next(&self, tx: &mut Tx, site: SiteId) -> Result<Option<OrderNumber>> {
        if self.goes_on { Ok(Some(tx.head(site)?.next_order())) } else { Ok(None) }
    }
}
