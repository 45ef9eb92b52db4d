//! Writing what a declaration changes: each step one fact of the journal, with the state before cited by its digest.

use super::decode::{to_json, to_value, to_word};
use super::ended;
use super::journal::{Fact, digest_of};
use super::people::person_named;
use super::shop_scope::Ids;
use super::shop_state::MachineExtra;
use super::tx::Tx;
use crate::contract::{Result, StoreError};
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MachineId, MeterId, PersonId, SiteId, TaskId};
use fettler_domain::journal::Kind;
use fettler_domain::shop::rule_card::{Meters, checked_rule};
use fettler_domain::shop::state::{
    MachineShape, MachineWrite, MeterShape, ShopState, ShopStep, SiteState, Stated, Write,
};
use fettler_domain::shop::{PointCard, SheetCard, SiteCard, SourceCard, TaskCard};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::ShopDay;
use serde_json::{Value, json};
use sqlx::Row as _;
use std::collections::{BTreeMap, BTreeSet};

const PUT_SITE: &str = "INSERT INTO site (number, key, card, calendar, leaf) VALUES ($1, $2, $3, $4, $5) \
    ON CONFLICT (number) DO UPDATE SET card = excluded.card, calendar = excluded.calendar, leaf = excluded.leaf";
const PUT_SOURCE: &str = "INSERT INTO source (site, name, rank, feeds, leaf) VALUES ($1, $2, $3, $4, $5) \
    ON CONFLICT (site, name) DO UPDATE SET rank = excluded.rank, feeds = excluded.feeds, leaf = excluded.leaf";
const PUT_SHEET: &str = "INSERT INTO sheet (site, key, card, leaf) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site, key) DO UPDATE SET card = excluded.card, leaf = excluded.leaf";
const PUT_MACHINE: &str = "INSERT INTO machine (site, number, tag, name, family, area, state, since, reason, card, leaf) \
    VALUES ($1, $2, $3, $4, $5, $6, 'in_service', $7, '', $8, $9) ON CONFLICT (site, number) DO UPDATE SET \
    name = excluded.name, family = excluded.family, area = excluded.area, card = excluded.card, leaf = excluded.leaf";
const DROP_NAMES: &str = "DELETE FROM machine_name WHERE site = $1 AND machine = $2";
const PUT_NAME: &str = "INSERT INTO machine_name (site, name, machine) VALUES ($1, $2, $3)";
const PUT_METER: &str = "INSERT INTO meter (site, number, machine, key, kind, feed, max_per_hour, leaf) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (site, number) DO UPDATE SET feed = excluded.feed, \
    max_per_hour = excluded.max_per_hour, leaf = excluded.leaf";
const PUT_POINT: &str = "INSERT INTO point (site, number, machine, key, card, leaf) VALUES ($1, $2, $3, $4, $5, $6) \
    ON CONFLICT (site, machine, key) DO UPDATE SET card = excluded.card, leaf = excluded.leaf";
const PUT_TASK: &str = "INSERT INTO task (site, number, machine, key, sheet, card, hazard, active, leaf) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (site, number) DO UPDATE SET sheet = excluded.sheet, \
    card = excluded.card, hazard = excluded.hazard, active = excluded.active, leaf = excluded.leaf";
/// Versions from the new one's day on, and those that are still to come.
const WITHDRAW_RULES: &str = "UPDATE rule_version SET withdrawn = $5 WHERE site = $1 AND task = $2 \
    AND withdrawn IS NULL AND (effective >= $3 OR effective > $4)";
const PUT_RULE: &str = "INSERT INTO rule_version (site, task, version, effective, rule, leaf) SELECT $1, $2, \
    COALESCE(MAX(version), 0) + 1, $3, $4, $5 FROM rule_version WHERE site = $1 AND task = $2";
pub(super) const OPEN_ORDER: &str = "INSERT INTO work_order (site, number, machine, task, title, hazard, state, opened_at, \
    card, reason, planned) VALUES ($1, $2, $3, $4, $5, $6, 'open', $7, '{}', '', 1)";
const RETITLE: &str =
    "UPDATE work_order SET title = $3, hazard = $4 WHERE site = $1 AND task = $2 AND planned = 1";
const VOID: &str = "UPDATE work_order SET state = 'void', planned = 0, ended_at = $3, reason = $4 \
    WHERE site = $1 AND task = $2 AND planned = 1 AND state = 'open' RETURNING number";
const PUT_LAST_DONE: &str = "INSERT INTO last_done (site, task, day, counts, leaf) VALUES ($1, $2, $3, $4, $5) \
    ON CONFLICT (site, task) DO UPDATE SET day = excluded.day, counts = excluded.counts, leaf = excluded.leaf";
const DROP_COVERS: &str = "DELETE FROM task_cover WHERE site = $1 \
    AND larger IN (SELECT number FROM task WHERE site = $1 AND machine = $2)";
const CARDS: &str = "SELECT number, key, card FROM task WHERE site = $1 AND machine = $2 AND active = 1";
const PUT_COVER: &str =
    "INSERT INTO task_cover (site, larger, smaller) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING";
const METERS_OF: &str = "SELECT key, number, kind FROM meter WHERE site = $1 AND machine = $2";
const WAIT_BY_NAME: &str =
    "UPDATE ledger SET waiting = 1 WHERE site = $1 AND machine_sent = $2 AND state = 'held'";
/// What a name meant on a machine that gives it up, through any of its meters; what is held by it waits beside.
const WAIT_BY_LOST_NAME: &str = "UPDATE ledger SET waiting = 1 WHERE site = $1 AND machine_sent = $3 AND meter IN \
    (SELECT number FROM meter WHERE site = $1 AND machine = $2)";
/// A further meter changes what a report that counts meant by none, by a kind, or by this very key.
const WAIT_BY_MACHINE: &str = "UPDATE ledger SET waiting = 1 WHERE site = $1 AND meter IN \
    (SELECT number FROM meter WHERE site = $1 AND machine = $2)";
const WAIT_BY_METER: &str = "UPDATE ledger SET waiting = 1 WHERE site = $1 AND meter = $2";
const WAIT_BY_SOURCE: &str = "UPDATE ledger SET waiting = 1 WHERE site = $1 AND (meter IN \
    (SELECT meter FROM ledger WHERE site = $1 AND source = $2 AND meter IS NOT NULL) \
    OR (source = $2 AND state = 'held'))";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[
    PUT_SITE,
    PUT_SOURCE,
    PUT_SHEET,
    PUT_MACHINE,
    DROP_NAMES,
    PUT_NAME,
    PUT_METER,
    PUT_POINT,
    PUT_TASK,
    WITHDRAW_RULES,
    PUT_RULE,
    OPEN_ORDER,
    RETITLE,
    VOID,
    PUT_LAST_DONE,
    DROP_COVERS,
    CARDS,
    PUT_COVER,
    WAIT_BY_NAME,
    WAIT_BY_LOST_NAME,
    WAIT_BY_MACHINE,
    WAIT_BY_METER,
    WAIT_BY_SOURCE,
];

/// A declaration being written.
pub(super) struct Writing<'s> {
    /// The site.
    pub(super) site: SiteId,
    /// Machines whose plan is to be computed afresh.
    pub(super) touched: BTreeSet<MachineId>,
    /// How many orders were opened.
    pub(super) orders_opened: u32,
    number: i64,
    person: Option<PersonId>,
    today: ShopDay,
    before: &'s ShopState,
    ids: Ids,
    covers: BTreeSet<MachineId>,
}

fn lost(column: &'static str, row: &impl ToString) -> StoreError {
    StoreError::Corrupt { table: "machine", column, row: row.to_string() }
}

impl<'s> Writing<'s> {
    /// Starts writing over a shop that stands as `before`, with those numbers.
    pub(super) fn new(
        site: SiteId,
        person: Option<PersonId>,
        today: ShopDay,
        before: &'s ShopState,
        ids: Ids,
    ) -> Writing<'s> {
        Writing {
            site,
            touched: BTreeSet::new(),
            orders_opened: 0,
            number: i64::from(site.0),
            person,
            today,
            before,
            ids,
            covers: BTreeSet::new(),
        }
    }

    /// Writes one step.
    pub(super) async fn write(&mut self, tx: &mut Tx, write: Write) -> Result<()> {
        match write {
            Write::Site { key, state } => self.site(tx, key, state).await,
            Write::Source(card) => self.source(tx, card).await,
            Write::Person(name) => person(tx, &name).await,
            Write::Sheet(card) => self.sheet(tx, card).await,
            Write::Machine(machine) => self.machine(tx, machine).await,
            Write::Meter { machine, key, meter } => self.meter(tx, &machine, &key, meter).await,
            Write::Point { machine, point } => self.point(tx, &machine, point).await,
            Write::Task { machine, card, sheet, new_rule, opens } => {
                let task = self.task(tx, &machine, &card, sheet.as_ref(), new_rule).await?;
                if opens { self.open(tx, &machine, &card, task).await } else { Ok(()) }
            }
            Write::Item(card) => super::shelf::declare(tx, self.site, card, self.person).await,
            Write::Retire { machine, card, sheet } => self.retire(tx, &machine, card, sheet.as_ref()).await,
            Write::LastDone { machine, task, stated } => self.last_done(tx, &machine, &task, stated).await,
        }
    }

    /// Writes what depends on all steps: which tasks cover which.
    pub(super) async fn finish(&mut self, tx: &mut Tx) -> Result<()> {
        for machine in std::mem::take(&mut self.covers) {
            sqlx::query(DROP_COVERS).bind(self.number).bind(machine.0).execute(&mut tx.conn).await?;
            let rows = sqlx::query(CARDS).bind(self.number).bind(machine.0).fetch_all(&mut tx.conn).await?;
            let mut cards: BTreeMap<Key, (i64, TaskCard)> = BTreeMap::new();
            for row in &rows {
                let mut row = super::decode::Reading::new(row, "task");
                let task = row.next()?;
                cards.insert(row.text("key", Key::new)?, (task, row.json("card")?));
            }
            for (larger, card) in cards.values() {
                for (smaller, _) in card.covers.iter().filter_map(|key| cards.get(key)) {
                    sqlx::query(PUT_COVER)
                        .bind(self.number)
                        .bind(larger)
                        .bind(smaller)
                        .execute(&mut tx.conn)
                        .await?;
                }
            }
        }
        Ok(())
    }

    fn append(
        &self,
        tx: &mut Tx,
        kind: Kind,
        subject: String,
        after: Value,
        before: Option<Value>,
    ) -> Result<i64> {
        let before = before.map(|state| digest_of(&state)).transpose()?;
        let fact = Fact { kind, subject, person: self.person, after, before, sealed: None };
        tx.append(self.site, fact)
    }

    async fn site(&mut self, tx: &mut Tx, key: Key, state: SiteState) -> Result<()> {
        let head = tx.head(self.site)?;
        head.calendar_revision += 1;
        let mut spec = state.calendar.clone();
        spec.revision = head.calendar_revision;
        let of = |site: &SiteState, spec| {
            let mut said =
                json!({"key": key.as_str(), "name": site.name.as_str(), "calendar": to_value(spec)?});
            if site.asks_pin {
                said["asks_pin"] = true.into();
            }
            Ok::<Value, StoreError>(said)
        };
        let after = of(&state, &spec)?;
        let before = self.before.site.as_ref().map(|old| of(old, &old.calendar)).transpose()?;
        let before = before.map(|state| digest_of(&state)).transpose()?;
        let subject = format!("sites/{}", self.site);
        let fact =
            Fact { kind: Kind::SiteDeclared, subject, person: self.person, after, before, sealed: None };
        let leaf = tx.append(SiteId::INSTALLATION, fact)?;
        let card = SiteCard {
            key: key.clone(),
            asks_pin: state.asks_pin.then_some(true),
            name: Some(state.name),
            zone: Some(spec.zone),
            day_starts_at: Some(spec.day_starts_at),
            shifts: spec.shifts.clone(),
            closures: spec.closures.clone(),
            extra_shifts: spec.extra_shifts.clone(),
        };
        let calendar = Calendar::new(spec).map_err(|error| lost("calendar", &error))?;
        sqlx::query(PUT_SITE)
            .bind(self.number)
            .bind(key.as_str())
            .bind(to_json(&card)?)
            .bind(to_json(&calendar)?)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        Ok(())
    }

    async fn source(&mut self, tx: &mut Tx, card: SourceCard) -> Result<()> {
        let before = self.before.sources.get(&card.name).map(to_value).transpose()?;
        let subject = format!("sources/{}", card.name);
        let leaf = self.append(tx, Kind::SourceDeclared, subject, to_value(&card)?, before)?;
        sqlx::query(PUT_SOURCE)
            .bind(self.number)
            .bind(card.name.as_str())
            .bind(i64::from(card.rank))
            .bind(card.feeds.map(fettler_domain::quantity::MeterKind::word))
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        sqlx::query(WAIT_BY_SOURCE).bind(self.number).bind(card.name.as_str()).execute(&mut tx.conn).await?;
        Ok(())
    }

    async fn sheet(&mut self, tx: &mut Tx, card: SheetCard) -> Result<()> {
        let before = self.before.sheets.get(&card.key).map(to_value).transpose()?;
        let subject = format!("sheets/{}", card.key);
        let leaf = self.append(tx, Kind::SheetDeclared, subject, to_value(&card)?, before)?;
        sqlx::query(PUT_SHEET)
            .bind(self.number)
            .bind(card.key.as_str())
            .bind(to_json(&card)?)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        Ok(())
    }

    async fn machine(&mut self, tx: &mut Tx, write: MachineWrite) -> Result<()> {
        let old = self.before.machines.get(&write.tag);
        let known = self.ids.machines.get(&write.tag).copied();
        let id = match known {
            Some(id) => id,
            None => tx.head(self.site)?.next_machine(),
        };
        self.ids.machines.insert(write.tag.clone(), id);
        let before = old.map(|old| machine_state(&old.as_written(&write.tag))).transpose()?;
        let after = machine_state(&write)?;
        let leaf = self.append(tx, Kind::MachineDeclared, format!("machines/{id}"), after, before)?;
        let extra = MachineExtra {
            also_known_as: write.also_known_as.clone(),
            sheets: write.sheets,
            checks: write.checks,
        };
        sqlx::query(PUT_MACHINE)
            .bind(self.number)
            .bind(id.0)
            .bind(write.tag.as_str())
            .bind(write.name.as_str())
            .bind(write.family.as_str())
            .bind(write.area.as_str())
            .bind(tx.caller.now.0)
            .bind(to_json(&extra)?)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        let names: BTreeSet<&str> = extra
            .also_known_as
            .iter()
            .map(fettler_domain::text::ForeignName::as_str)
            .chain([write.tag.as_str()])
            .collect();
        self.names(tx, id, &names, old).await?;
        self.touched.insert(id);
        Ok(())
    }

    /// Drops the names of all machines that steps write anew: a name may go from one to another, in either order.
    pub(super) async fn drop_names(&mut self, tx: &mut Tx, steps: &[ShopStep]) -> Result<()> {
        for step in steps {
            let Write::Machine(machine) = &step.write else { continue };
            let Some(id) = self.ids.machines.get(&machine.tag).copied() else { continue };
            sqlx::query(DROP_NAMES).bind(self.number).bind(id.0).execute(&mut tx.conn).await?;
        }
        Ok(())
    }

    /// Writes the names a machine answers to, and asks for reports that gain or lose by it to be judged again.
    async fn names(
        &self,
        tx: &mut Tx,
        id: MachineId,
        names: &BTreeSet<&str>,
        old: Option<&MachineShape>,
    ) -> Result<()> {
        for name in names {
            sqlx::query(PUT_NAME).bind(self.number).bind(*name).bind(id.0).execute(&mut tx.conn).await?;
            sqlx::query(WAIT_BY_NAME).bind(self.number).bind(*name).execute(&mut tx.conn).await?;
        }
        let lost =
            old.into_iter().flat_map(|old| &old.also_known_as).filter(|name| !names.contains(name.as_str()));
        for name in lost {
            sqlx::query(WAIT_BY_LOST_NAME)
                .bind(self.number)
                .bind(id.0)
                .bind(name.as_str())
                .execute(&mut tx.conn)
                .await?;
            sqlx::query(WAIT_BY_NAME).bind(self.number).bind(name.as_str()).execute(&mut tx.conn).await?;
        }
        Ok(())
    }

    async fn meter(&mut self, tx: &mut Tx, machine: &Key, key: &Key, meter: MeterShape) -> Result<()> {
        let id = self.machine_id(machine)?;
        let known = self.ids.meters.get(&(id, key.clone())).copied();
        let number = match known {
            Some(number) => number,
            None => tx.head(self.site)?.next_meter(),
        };
        self.ids.meters.insert((id, key.clone()), number);
        let of = |meter: &MeterShape| {
            Ok::<Value, StoreError>(json!({
                "machine": id.0,
                "key": key.as_str(),
                "kind": meter.kind.word(),
                "feed": to_word(&meter.feed)?,
                "max_per_hour": meter.max_per_hour.0,
            }))
        };
        let old = self.before.machines.get(machine).and_then(|old| old.meters.get(key));
        let before = old.map(of).transpose()?;
        let leaf = self.append(tx, Kind::MeterDeclared, format!("meters/{number}"), of(&meter)?, before)?;
        sqlx::query(PUT_METER)
            .bind(self.number)
            .bind(number.0)
            .bind(id.0)
            .bind(key.as_str())
            .bind(meter.kind.word())
            .bind(to_word(&meter.feed)?)
            .bind(meter.max_per_hour.0)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        let (wait, of) = if old.is_some() { (WAIT_BY_METER, number.0) } else { (WAIT_BY_MACHINE, id.0) };
        sqlx::query(wait).bind(self.number).bind(of).execute(&mut tx.conn).await?;
        let shape = self.before.machines.get(machine);
        let aliases = shape.into_iter().flat_map(|shape| &shape.also_known_as);
        for name in aliases.map(fettler_domain::text::ForeignName::as_str).chain([machine.as_str()]) {
            sqlx::query(WAIT_BY_NAME).bind(self.number).bind(name).execute(&mut tx.conn).await?;
        }
        self.touched.insert(id);
        Ok(())
    }

    async fn point(&mut self, tx: &mut Tx, machine: &Key, point: PointCard) -> Result<()> {
        let id = self.machine_id(machine)?;
        let old = self.before.machines.get(machine).and_then(|old| old.points.get(&point.key));
        let before = old.map(to_value).transpose()?;
        let number = tx.head(self.site)?.next_point();
        let subject = format!("machines/{id}/points/{}", point.key);
        let leaf = self.append(tx, Kind::PointDeclared, subject, to_value(&point)?, before)?;
        sqlx::query(PUT_POINT)
            .bind(self.number)
            .bind(number.0)
            .bind(id.0)
            .bind(point.key.as_str())
            .bind(to_json(&point)?)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        Ok(())
    }

    async fn task(
        &mut self,
        tx: &mut Tx,
        machine: &Key,
        card: &TaskCard,
        sheet: Option<&Key>,
        new_rule: Option<ShopDay>,
    ) -> Result<TaskId> {
        let id = self.machine_id(machine)?;
        let known = self.ids.tasks.get(&(id, card.key.clone())).copied();
        let number = match known {
            Some(number) => number,
            None => tx.head(self.site)?.next_task(),
        };
        self.ids.tasks.insert((id, card.key.clone()), number);
        let old = self.before.machines.get(machine).and_then(|old| old.tasks.get(&card.key));
        let before = old.map(|old| task_state(id, &old.card, old.sheet.as_ref())).transpose()?;
        let after = task_state(id, card, sheet)?;
        let leaf = self.append(tx, Kind::TaskDeclared, format!("tasks/{number}"), after, before)?;
        self.put_task(tx, number, id, card, sheet, leaf).await?;
        if let Some((from, rule)) = new_rule.zip(card.rule.as_ref()) {
            let meters = self.meters_of(tx, id).await?;
            let rule = checked_rule(rule, "rule", &meters).map_err(fettler_domain::error::Error::Invalid)?;
            let from = i64::from(from.to_days());
            sqlx::query(WITHDRAW_RULES)
                .bind(self.number)
                .bind(number.0)
                .bind(from)
                .bind(i64::from(self.today.to_days()))
                .bind(leaf)
                .execute(&mut tx.conn)
                .await?;
            sqlx::query(PUT_RULE)
                .bind(self.number)
                .bind(number.0)
                .bind(from)
                .bind(to_json(&rule)?)
                .bind(leaf)
                .execute(&mut tx.conn)
                .await?;
        }
        if known.is_some() {
            sqlx::query(RETITLE)
                .bind(self.number)
                .bind(number.0)
                .bind(card.title.as_str())
                .bind(i64::from(card.hazard))
                .execute(&mut tx.conn)
                .await?;
        }
        Ok(number)
    }

    async fn put_task(
        &mut self,
        tx: &mut Tx,
        number: TaskId,
        machine: MachineId,
        card: &TaskCard,
        sheet: Option<&Key>,
        leaf: i64,
    ) -> Result<()> {
        sqlx::query(PUT_TASK)
            .bind(self.number)
            .bind(number.0)
            .bind(machine.0)
            .bind(card.key.as_str())
            .bind(sheet.map(Key::as_str))
            .bind(to_json(card)?)
            .bind(i64::from(card.hazard))
            .bind(i64::from(!card.retire))
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        self.touched.insert(machine);
        self.covers.insert(machine);
        Ok(())
    }

    async fn open(&mut self, tx: &mut Tx, machine: &Key, card: &TaskCard, task: TaskId) -> Result<()> {
        let id = self.machine_id(machine)?;
        let order = tx.head(self.site)?.next_order();
        sqlx::query(OPEN_ORDER)
            .bind(self.number)
            .bind(order.0)
            .bind(id.0)
            .bind(task.0)
            .bind(card.title.as_str())
            .bind(i64::from(card.hazard))
            .bind(tx.caller.now.0)
            .execute(&mut tx.conn)
            .await?;
        self.orders_opened += 1;
        Ok(())
    }

    async fn retire(
        &mut self,
        tx: &mut Tx,
        machine: &Key,
        mut card: TaskCard,
        sheet: Option<&Key>,
    ) -> Result<()> {
        let id = self.machine_id(machine)?;
        let number = self.task_id(id, &card.key)?;
        let old = self.before.machines.get(machine).and_then(|old| old.tasks.get(&card.key));
        let before = old.map(|old| task_state(id, &old.card, old.sheet.as_ref())).transpose()?;
        let void = sqlx::query(VOID)
            .bind(self.number)
            .bind(number.0)
            .bind(tx.caller.now.0)
            .bind("task retired")
            .fetch_optional(&mut tx.conn)
            .await?;
        ended::leave(tx, self.site, number).await?;
        card.retire = true;
        let mut after = task_state(id, &card, sheet)?;
        if let Some(row) = void {
            after["void_order"] = row.try_get::<i64, _>(0)?.into();
        }
        let leaf = self.append(tx, Kind::TaskRetired, format!("tasks/{number}"), after, before)?;
        self.put_task(tx, number, id, &card, sheet, leaf).await
    }

    async fn last_done(&mut self, tx: &mut Tx, machine: &Key, task: &Key, stated: Stated) -> Result<()> {
        let id = self.machine_id(machine)?;
        let number = self.task_id(id, task)?;
        let mut counts = BTreeMap::new();
        for (key, count) in &stated.counts {
            let meter = self.ids.meters.get(&(id, key.clone())).copied();
            counts.insert(meter.ok_or_else(|| lost("meter", key))?, *count);
        }
        let of = |stated: &Stated| {
            Ok::<Value, StoreError>(
                json!({"day": stated.day.to_string(), "counts": to_value(&stated.counts)?}),
            )
        };
        let old = self.before.machines.get(machine).and_then(|old| old.tasks.get(task));
        let before = old.and_then(|old| old.last_done.as_ref()).map(of).transpose()?;
        let subject = format!("tasks/{number}/last_done");
        let leaf = self.append(tx, Kind::LastDoneStated, subject, of(&stated)?, before)?;
        sqlx::query(PUT_LAST_DONE)
            .bind(self.number)
            .bind(number.0)
            .bind(i64::from(stated.day.to_days()))
            .bind(to_json(&counts)?)
            .bind(leaf)
            .execute(&mut tx.conn)
            .await?;
        self.touched.insert(id);
        Ok(())
    }

    fn machine_id(&self, tag: &Key) -> Result<MachineId> {
        self.ids.machines.get(tag).copied().ok_or_else(|| lost("tag", tag))
    }

    fn task_id(&self, machine: MachineId, key: &Key) -> Result<TaskId> {
        self.ids.tasks.get(&(machine, key.clone())).copied().ok_or_else(|| lost("task", key))
    }

    /// The meters of a machine as a rule's clauses look them up, those of this declaration among them.
    async fn meters_of(&self, tx: &mut Tx, machine: MachineId) -> Result<Meters> {
        let rows = sqlx::query(METERS_OF).bind(self.number).bind(machine.0).fetch_all(&mut tx.conn).await?;
        rows.iter()
            .map(|row| {
                let mut row = super::decode::Reading::new(row, "meter");
                Ok((row.text("key", Key::new)?, (MeterId(row.next()?), row.word("kind")?)))
            })
            .collect()
    }
}

async fn person(tx: &mut Tx, name: &Name) -> Result<()> {
    person_named(tx, name).await.map(|_| ())
}

/// A machine's state as a fact tells it, whether it is the one that is written or the one that stood before.
fn machine_state(machine: &MachineWrite) -> Result<Value> {
    let MachineWrite { tag, name, also_known_as, family, area, sheets, checks } = machine;
    let mut state = json!({
        "tag": tag.as_str(),
        "name": name.as_str(),
        "also_known_as": to_value(also_known_as)?,
        "family": family,
        "area": area,
        "sheets": to_value(sheets)?,
    });
    // Only where there are any, so that facts from before there were checks keep their digest.
    if !checks.is_empty() {
        state["checks"] = to_value(checks)?;
    }
    Ok(state)
}

fn task_state(machine: MachineId, card: &TaskCard, sheet: Option<&Key>) -> Result<Value> {
    let mut state = json!({"machine": machine.0, "sheet": sheet.map(Key::as_str)});
    state["card"] = to_value(card)?;
    Ok(state)
}
