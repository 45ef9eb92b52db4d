//! What the planner is given of a machine and its open orders.

use super::Conn;
use super::bulk::Bulk;
use super::decode::Reading;
use super::fluid_reads;
use super::plan_write::StoredRows;
use super::point_reads;
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, SiteId, TaskId};
use fettler_domain::ledger::declare::Replacement;
use fettler_domain::order::OrderState;
use fettler_domain::plan::{Closing, Covers, LastDone, Rest, RuleVersion, Skip, TaskInput};
use fettler_domain::quantity::{Amount, MeterKind};
use fettler_domain::rule::Clause;
use fettler_domain::rule::model::Model;
use fettler_domain::text::Key;
use fettler_domain::time::{ShopDay, Ts};
use std::collections::{BTreeMap, BTreeSet, HashMap};

macro_rules! by_machine {
    ($name:ident, $select:literal) => {
        static $name: Bulk = Bulk::new("WITH k(site, machine) AS (VALUES", 1, 1, concat!(") ", $select));
    };
}

by_machine!(
    MACHINES,
    "SELECT m.number, m.area, m.family FROM k CROSS JOIN machine m WHERE m.site = k.site AND m.number = k.machine"
);
by_machine!(
    METERS,
    "SELECT m.machine, m.number, m.kind FROM k CROSS JOIN meter m WHERE m.site = k.site AND m.machine = k.machine"
);
by_machine!(
    RESTS,
    "SELECT r.machine, r.starts, r.ends FROM k CROSS JOIN rest r WHERE r.site = k.site AND r.machine = k.machine"
);
by_machine!(
    ORDERS,
    "SELECT o.machine, o.number, o.task, o.hazard, o.raised_at, o.state FROM k CROSS JOIN work_order o \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 ORDER BY o.machine, o.number"
);
by_machine!(
    VERSIONS,
    "SELECT o.machine, o.number, v.effective, v.rule FROM k CROSS JOIN work_order o CROSS JOIN rule_version v \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 AND v.site = o.site AND v.task = o.task \
     AND v.withdrawn IS NULL ORDER BY v.task, v.version"
);
by_machine!(
    // What planning counts from: the last closing of all, and the last ahead of each skip. A closing with a later one
    // and no skip between them is left out.
    CLOSINGS,
    "SELECT o.machine, o.number, c.done_at FROM k CROSS JOIN work_order o CROSS JOIN closing c \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 AND c.site = o.site AND c.task = o.task \
     AND c.undone = 0 AND NOT EXISTS (SELECT 1 FROM closing d WHERE d.site = c.site AND d.task = c.task \
     AND d.undone = 0 AND d.done_at > c.done_at AND NOT EXISTS (SELECT 1 FROM work_order s WHERE s.site = c.site \
     AND s.task = c.task AND s.state = 'skipped' AND s.ended_at >= c.done_at AND s.ended_at < d.done_at))"
);
by_machine!(
    SKIPS,
    "SELECT o.machine, o.number, s.ended_at FROM k CROSS JOIN work_order o CROSS JOIN work_order s \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 AND s.site = o.site AND s.task = o.task \
     AND s.state = 'skipped'"
);
by_machine!(
    LAST_DONE,
    "SELECT o.machine, o.number, d.day, d.counts FROM k CROSS JOIN work_order o CROSS JOIN last_done d \
     WHERE o.site = k.site AND o.machine = k.machine AND o.planned = 1 AND d.site = o.site AND d.task = o.task"
);
by_machine!(
    REPLACED,
    "SELECT m.machine, m.number, r.at, r.closing, r.opening FROM k CROSS JOIN meter m CROSS JOIN replacement r \
     WHERE m.site = k.site AND m.machine = k.machine AND r.site = m.site AND r.meter = m.number ORDER BY r.at"
);
by_machine!(
    COVERS,
    "SELECT t.machine, c.larger, c.smaller FROM k CROSS JOIN task t CROSS JOIN task_cover c \
     WHERE t.site = k.site AND t.machine = k.machine AND c.site = t.site AND c.larger = t.number"
);

static ALL_CLOSINGS: Bulk = Bulk::new(
    "WITH k(site, task) AS (VALUES",
    1,
    1,
    ") SELECT c.task, c.done_at FROM k CROSS JOIN closing c WHERE c.site = k.site AND c.task = k.task AND c.undone = 0",
);

static ALL_VERSIONS: Bulk = Bulk::new(
    "WITH k(site, task) AS (VALUES",
    1,
    1,
    ") SELECT v.task, v.leaf, v.withdrawn, v.effective, v.rule FROM k CROSS JOIN rule_version v \
     WHERE v.site = k.site AND v.task = k.task ORDER BY v.task, v.version",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    let of_machines =
        [&MACHINES, &METERS, &RESTS, &ORDERS, &VERSIONS, &CLOSINGS, &SKIPS, &LAST_DONE, &REPLACED, &COVERS];
    of_machines.into_iter().chain([&ALL_CLOSINGS, &ALL_VERSIONS]).map(Bulk::sample).collect()
}

/// What is known of one machine.
pub(super) struct MachineMind {
    /// Its area, copied into its plan rows.
    pub(super) area: String,
    /// Its family; empty where none is stated.
    pub(super) family: String,
    /// Its meters, with what they accumulate.
    pub(super) meters: Vec<(MeterId, MeterKind)>,
    /// Its open orders, and those that are void because their rule has ended, each without the machine's meters and
    /// rests, which are put in while planning.
    pub(super) orders: Vec<TaskInput>,
    /// Which of its orders are void because their rule has ended.
    pub(super) ended: BTreeSet<OrderNumber>,
    /// When it was laid up.
    pub(super) rests: Vec<Rest>,
    /// Which of its tasks cover which.
    pub(super) covers: Covers,
    /// What its stored plan rows look like, once that is known.
    pub(super) stored: Option<StoredRows>,
    /// The turn of the mind in which it was last asked for.
    pub(super) used: u64,
}

impl MachineMind {
    fn order(&mut self, number: OrderNumber) -> Option<&mut TaskInput> {
        self.orders.iter_mut().find(|order| order.order == number)
    }
}

async fn of(
    bulk: &'static Bulk,
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
) -> Result<Vec<super::DbRow>> {
    let numbers: Vec<i64> = machines.iter().map(|machine| machine.0).collect();
    bulk.fetch_of(conn, &numbers, |q| q.bind(site)).await
}

/// Loads machines with their open orders.
pub(super) async fn load(
    conn: &mut Conn,
    site: SiteId,
    machines: &[MachineId],
) -> Result<HashMap<MachineId, MachineMind>> {
    let mut minds = load_machines(conn, site, machines).await?;
    let site = i64::from(site.0);
    for row in &of(&VERSIONS, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "rule_version");
        let (machine, number) = (MachineId(row.next()?), OrderNumber(row.next()?));
        let effective = ShopDay::from_days(row.number("effective")?);
        let version = RuleVersion { effective, rule: row.json("rule")? };
        if let Some(order) = minds.get_mut(&machine).and_then(|mind| mind.order(number)) {
            order.versions.push(version);
        }
    }
    for row in &of(&CLOSINGS, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "closing");
        let (machine, number) = (MachineId(row.next()?), OrderNumber(row.next()?));
        let closing = Closing { done_at: Ts(row.next()?) };
        if let Some(order) = minds.get_mut(&machine).and_then(|mind| mind.order(number)) {
            order.closings.push(closing);
        }
    }
    cut_to_size(&mut minds);
    for row in &of(&SKIPS, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "work_order");
        let (machine, number) = (MachineId(row.next()?), OrderNumber(row.next()?));
        let skip = Skip { at: Ts(row.next()?) };
        if let Some(order) = minds.get_mut(&machine).and_then(|mind| mind.order(number)) {
            order.skips.push(skip);
        }
    }
    for row in &of(&LAST_DONE, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "last_done");
        let (machine, number) = (MachineId(row.next()?), OrderNumber(row.next()?));
        let day = ShopDay::from_days(row.number("day")?);
        let last_done = LastDone { day, counts: row.json("counts")? };
        if let Some(order) = minds.get_mut(&machine).and_then(|mind| mind.order(number)) {
            order.last_done = Some(last_done);
        }
    }
    for row in &of(&REPLACED, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "replacement");
        let (machine, meter) = (MachineId(row.next()?), MeterId(row.next()?));
        let replacement =
            Replacement { at: Ts(row.next()?), closing: Amount(row.next()?), opening: Amount(row.next()?) };
        for order in minds.get_mut(&machine).into_iter().flat_map(|mind| &mut mind.orders) {
            order.replaced.entry(meter).or_default().push(replacement);
        }
    }
    load_readings(&mut *conn, site, machines, &mut minds).await?;
    let mut covers: BTreeMap<MachineId, Vec<(TaskId, TaskId)>> = BTreeMap::new();
    for row in &of(&COVERS, conn, site, machines).await? {
        let mut row = Reading::new(row, "task_cover");
        let machine = MachineId(row.next()?);
        covers.entry(machine).or_default().push((TaskId(row.next()?), TaskId(row.next()?)));
    }
    for (machine, pairs) in covers {
        if let Some(mind) = minds.get_mut(&machine) {
            mind.covers = Covers::new(pairs).map_err(|error| StoreError::Corrupt {
                table: "task_cover",
                column: "smaller",
                row: error.to_string(),
            })?;
        }
    }
    Ok(minds)
}

/// Most orders have one version of their rule and few closings, and lists of either room for four: with many orders that is most of
/// what they take.
fn cut_to_size(minds: &mut HashMap<MachineId, MachineMind>) {
    for order in minds.values_mut().flat_map(|mind| &mut mind.orders) {
        order.versions.shrink_to_fit();
        order.closings.shrink_to_fit();
    }
}

/// Gives each order the readings out of limits for which it waits.
async fn load_readings(
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
    minds: &mut HashMap<MachineId, MachineMind>,
) -> Result<()> {
    for (machine, reading) in point_reads::out_of_limits(&mut *conn, site, machines).await? {
        for order in minds.get_mut(&machine).into_iter().flat_map(|mind| &mut mind.orders) {
            if waits_for(order, &reading.point) {
                order.readings.push(reading.clone());
            }
        }
    }
    let expecting: Vec<MachineId> = minds
        .iter()
        .filter(|(_, mind)| {
            let reads = |order: &TaskInput| {
                expected_points(order).next().is_some()
                    || models(order).any(|model| !model.points().is_empty())
            };
            mind.orders.iter().any(reads)
        })
        .map(|(machine, _)| *machine)
        .collect();
    let modelled = load_models(&mut *conn, site, minds).await?;
    if modelled {
        load_poured(&mut *conn, site, &expecting, minds).await?;
    }
    for (machine, key, point) in point_reads::recent(conn, site, &expecting).await? {
        for order in minds.get_mut(&machine).into_iter().flat_map(|mind| &mut mind.orders) {
            if expected_points(order).any(|expected| *expected == key) {
                order.points.insert(key.clone(), point.clone());
            }
            if modelled && models(order).any(|model| model.points().iter().any(|(_, of)| **of == key)) {
                let models = order.models.get_or_insert_default();
                models.points.insert(key.clone(), point.clone());
            }
        }
    }
    Ok(())
}

/// Gives each order whose rule follows a model what was poured into the sumps and reservoirs that it reads.
async fn load_poured(
    conn: &mut Conn,
    site: i64,
    machines: &[MachineId],
    minds: &mut HashMap<MachineId, MachineMind>,
) -> Result<()> {
    for ((machine, key), poured) in fluid_reads::poured(conn, site, machines).await? {
        for order in minds.get_mut(&machine).into_iter().flat_map(|mind| &mut mind.orders) {
            if models(order).any(|model| model.points().iter().any(|(_, of)| **of == key)) {
                order.models.get_or_insert_default().poured.insert(key.clone(), poured.clone());
            }
        }
    }
    Ok(())
}

/// Gives each order whose rule follows a model all closings of its task, from which the model learns; whether there are any.
async fn load_models(
    conn: &mut Conn,
    site: i64,
    minds: &mut HashMap<MachineId, MachineMind>,
) -> Result<bool> {
    let orders = minds.values().flat_map(|mind| &mind.orders);
    let mut tasks: Vec<i64> = orders
        .filter(|order| models(order).next().is_some())
        .filter_map(|order| Some(order.task?.0))
        .collect();
    if tasks.is_empty() {
        return Ok(false);
    }
    tasks.sort_unstable();
    let mut closings: HashMap<TaskId, Vec<Ts>> = HashMap::new();
    for row in &ALL_CLOSINGS.fetch_of(conn, &tasks, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "closing");
        closings.entry(TaskId(row.next()?)).or_default().push(Ts(row.next()?));
    }
    for order in minds.values_mut().flat_map(|mind| &mut mind.orders) {
        if models(order).next().is_some() {
            let closings = order.task.and_then(|task| closings.remove(&task)).unwrap_or_default();
            order.models.get_or_insert_default().closings = closings;
        }
    }
    Ok(true)
}

/// The points of which any version of an order's rule expects when a limit is reached.
fn expected_points(order: &TaskInput) -> impl Iterator<Item = &Key> {
    let clauses = order.versions.iter().flat_map(|version| version.rule.clauses());
    clauses.filter_map(|clause| match clause {
        Clause::Reading { point, expects: true } => Some(point),
        Clause::Reading { .. }
        | Clause::Calendar { .. }
        | Clause::Meter { .. }
        | Clause::Recurrence(_)
        | Clause::Model { .. } => None,
    })
}

/// The models that any version of an order's rule follows.
fn models(order: &TaskInput) -> impl Iterator<Item = &Model<MeterId>> {
    let clauses = order.versions.iter().flat_map(|version| version.rule.clauses());
    clauses.filter_map(|clause| match clause {
        Clause::Model { model } => Some(&**model),
        Clause::Reading { .. } | Clause::Calendar { .. } | Clause::Meter { .. } | Clause::Recurrence(_) => {
            None
        }
    })
}

/// Whether any version of an order's rule waits for readings of a point.
fn waits_for(order: &TaskInput, point: &Key) -> bool {
    let clauses = order.versions.iter().flat_map(|version| version.rule.clauses());
    clauses.into_iter().any(|clause| match clause {
        Clause::Reading { point: of, .. } => of == point,
        Clause::Calendar { .. } | Clause::Meter { .. } | Clause::Recurrence(_) | Clause::Model { .. } => {
            false
        }
    })
}

/// Loads machines with their meters, rests and open orders, without what was done of them.
async fn load_machines(
    conn: &mut Conn,
    site: SiteId,
    machines: &[MachineId],
) -> Result<HashMap<MachineId, MachineMind>> {
    let site = i64::from(site.0);
    let mut minds = HashMap::new();
    for row in &of(&MACHINES, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "machine");
        let (machine, area, family) = (MachineId(row.next()?), row.next()?, row.next()?);
        let (meters, orders, rests) = (Vec::new(), Vec::new(), Vec::new());
        let (ended, covers) = (BTreeSet::new(), Covers::default());
        let mind = MachineMind { area, family, meters, orders, ended, rests, covers, stored: None, used: 0 };
        minds.insert(machine, mind);
    }
    for row in &of(&METERS, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "meter");
        let (machine, meter) = (MachineId(row.next()?), MeterId(row.next()?));
        let kind: MeterKind = row.word("kind")?;
        if let Some(mind) = minds.get_mut(&machine) {
            mind.meters.push((meter, kind));
        }
    }
    for row in &of(&RESTS, &mut *conn, site, machines).await? {
        let mut row = Reading::new(row, "rest");
        let machine = MachineId(row.next()?);
        let rest = Rest { from: Ts(row.next()?), until: row.next::<Option<i64>>()?.map(Ts) };
        if let Some(mind) = minds.get_mut(&machine) {
            mind.rests.push(rest);
        }
    }
    for row in &of(&ORDERS, conn, site, machines).await? {
        let mut row = Reading::new(row, "work_order");
        let machine = MachineId(row.next()?);
        let order = TaskInput {
            order: OrderNumber(row.next()?),
            task: row.next::<Option<i64>>()?.map(TaskId),
            machine,
            hazard: row.next::<i64>()? != 0,
            raised: row.next::<Option<i64>>()?.map(Ts),
            versions: Vec::new(),
            closings: Vec::new(),
            skips: Vec::new(),
            last_done: None,
            replaced: BTreeMap::new(),
            readings: Vec::new(),
            points: BTreeMap::new(),
            models: None,
            rests: Vec::new(),
            meters: BTreeMap::new(),
            fleet_epoch: 0,
        };
        let state: OrderState = row.word("state")?;
        if let Some(mind) = minds.get_mut(&machine) {
            if state == OrderState::Void {
                mind.ended.insert(order.order);
            }
            mind.orders.push(order);
        }
    }
    Ok(minds)
}

/// All closings of tasks that stand: what an earlier one satisfied depends on those before it.
pub(super) async fn all_closings(
    conn: &mut Conn,
    site: SiteId,
    tasks: &[TaskId],
) -> Result<HashMap<TaskId, Vec<Closing>>> {
    let site = i64::from(site.0);
    let mut found: HashMap<TaskId, Vec<Closing>> = HashMap::new();
    let numbers: Vec<i64> = tasks.iter().map(|task| task.0).collect();
    for row in &ALL_CLOSINGS.fetch_of(conn, &numbers, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "closing");
        let task = TaskId(row.next()?);
        found.entry(task).or_default().push(Closing { done_at: Ts(row.next()?) });
    }
    Ok(found)
}

/// A version of a rule, with the entry that recorded it and the one by which it was withdrawn.
pub(super) struct SavedVersion {
    /// The version.
    pub(super) version: RuleVersion,
    /// When it was recorded, as the journal's entry.
    saved: i64,
    withdrawn: Option<i64>,
}

impl SavedVersion {
    /// Whether it stood when a journal entry was made: what was declared since changes nothing that was closed.
    pub(super) fn stood_at(&self, entry: i64) -> bool {
        self.saved <= entry && self.withdrawn.is_none_or(|withdrawn| withdrawn > entry)
    }
}

/// All versions of tasks' rules, withdrawn ones among them, in the order in which they were saved.
pub(super) async fn all_versions(
    conn: &mut Conn,
    site: SiteId,
    tasks: &[TaskId],
) -> Result<HashMap<TaskId, Vec<SavedVersion>>> {
    let site = i64::from(site.0);
    let mut found: HashMap<TaskId, Vec<SavedVersion>> = HashMap::new();
    let numbers: Vec<i64> = tasks.iter().map(|task| task.0).collect();
    for row in &ALL_VERSIONS.fetch_of(conn, &numbers, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "rule_version");
        let (task, saved, withdrawn) = (TaskId(row.next()?), row.next()?, row.next()?);
        let effective = ShopDay::from_days(row.number("effective")?);
        let version = RuleVersion { effective, rule: row.json("rule")? };
        found.entry(task).or_default().push(SavedVersion { version, saved, withdrawn });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::calendar::{Calendar, WallTime, Zone};
    use fettler_domain::plan::plan_task;
    use fettler_domain::rule::{CalendarUnit, Combine, Every};
    use fettler_domain::shop::rule_card::{Meters, checked_rule};
    use fettler_domain::shop::{ClauseCard, RuleCard};
    use fettler_domain::time::MICROS_PER_DAY;
    use sqlx::Executor as _;

    const SHOP: &str = "INSERT INTO machine VALUES (1, 1, 'L-1', 'L-1', '', '', 'in_service', 0, '', NULL, '', 0); \
        INSERT INTO task VALUES (1, 1, 1, 'filter', NULL, '', 0, 1, 0); \
        INSERT INTO work_order (site, number, machine, task, title, hazard, state, opened_at, card, reason, \
        planned) VALUES (1, 1, 1, 1, '', 0, 'open', 0, '', '', 1)";
    const SKIPPED: &str = "INSERT INTO work_order (site, number, machine, task, title, hazard, state, opened_at, card, \
        reason, ended_at, planned) VALUES (1, $1, 1, 1, '', 0, 'skipped', 0, '', '', $2, 0)";
    const CLOSED: &str = "INSERT INTO closing VALUES (1, $1, 1, 1, 1, $2, 0, NULL, $3, '', 0)";
    const RULE: &str = "INSERT INTO rule_version VALUES (1, 1, 1, 0, $1, 0, NULL)";

    /// A task's rule: every ten days, from the last closing or on a grid.
    fn rule(grid: bool) -> String {
        let grid_base = grid.then(|| ShopDay::from_days(3));
        let every = Every { n: 10, unit: CalendarUnit::Day };
        let clauses = vec![ClauseCard::Calendar { every, grid_base }];
        let card = RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false };
        serde_json::to_string(&checked_rule(&card, "rule", &Meters::new()).expect("a rule")).expect("JSON")
    }

    /// The plan from the closings that are loaded is the plan from all of them, whatever was closed, undone and skipped
    /// in whatever order.
    #[tokio::test]
    async fn closings_that_are_left_out_do_not_count() {
        let (_folder, mut conn, _readers, _again) = super::super::super::scratch().await;
        conn.execute(SHOP).await.expect("a shop");
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let mut seed = 7_u64;
        let mut chance = move |below: i64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            i64::try_from(seed >> 33).expect("31 bits") % below
        };
        let mut left_out = 0;
        for round in 0..60 {
            let fresh = "DELETE FROM closing; DELETE FROM work_order WHERE state = 'skipped'; DELETE FROM rule_version";
            conn.execute(fresh).await.expect("cleared");
            sqlx::query(RULE).bind(rule(round % 2 == 0)).execute(&mut conn).await.expect("a rule");
            let mut all = Vec::new();
            for number in 2..2 + chance(14) {
                let at = chance(60) * MICROS_PER_DAY / 2;
                let query = match chance(4) {
                    0 => sqlx::query(SKIPPED).bind(number).bind(at),
                    1 => sqlx::query(CLOSED).bind(number).bind(at).bind(1_i64),
                    _ => {
                        all.push(Closing { done_at: Ts(at) });
                        sqlx::query(CLOSED).bind(number).bind(at).bind(0_i64)
                    }
                };
                query.execute(&mut conn).await.expect("recorded");
            }
            let mut minds = load(&mut conn, SiteId(1), &[MachineId(1)]).await.expect("loaded");
            let order = minds.remove(&MachineId(1)).expect("the machine").orders.remove(0);
            left_out += all.len() - order.closings.len();
            let full = TaskInput { closings: all, ..order.clone() };
            let as_of = ShopDay::from_days(31);
            assert_eq!(plan_task(&order, &calendar, as_of), plan_task(&full, &calendar, as_of), "{full:?}");
        }
        assert!(left_out > 60, "{left_out} left out");
    }
}
