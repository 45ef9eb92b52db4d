//! A shop as it stands, read for a comparison, and turned back into a declaration.

use super::decode::Reading;
use super::shop_scope::{AT_ONCE, Ids};
use super::{Conn, Db, DbRow, shelf, sites};
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, SiteId, TaskId};
use fettler_domain::ledger::row::Feed;
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind};
use fettler_domain::shop::check::CheckCard;
use fettler_domain::shop::state::{MachineShape, MeterShape, ShopState, SiteState, Stated, TaskShape};
use fettler_domain::shop::{
    Declaration, LastDoneCard, MachineCard, MeterCard, PointCard, SheetCard, SiteCard, SourceCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::ShopDay;
use serde::{Deserialize, Serialize};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const PEOPLE: &str = "SELECT name FROM person WHERE name IS NOT NULL";
const SOURCES: &str = "SELECT name, rank, feeds FROM source WHERE site = $1";
const SHEETS: &str = "SELECT key, card FROM sheet WHERE site = $1";
const MACHINES: &str =
    "SELECT m.number, m.tag, m.name, m.family, m.area, m.state, m.card FROM machine m WHERE m.site = ";
const METERS: &str = "SELECT m.number, m.machine, m.key, m.kind, m.feed, m.max_per_hour, m.known_to, \
    (SELECT CAST(SUM(t.amount) AS BIGINT) FROM meter_month t WHERE t.site = m.site AND t.meter = m.number), \
    (SELECT MIN(l.amount - l.segment_amount) FROM ledger l WHERE l.site = m.site AND l.meter = m.number \
    AND l.kind = 'absolute' AND l.state = 'counted' AND l.starts = (SELECT MIN(x.starts) FROM ledger x \
    WHERE x.site = m.site AND x.meter = m.number AND x.kind = 'absolute' AND x.state = 'counted')), \
    (SELECT CAST(SUM(r.closing - r.opening) AS BIGINT) FROM replacement r WHERE r.site = m.site AND r.meter = m.number \
    AND r.at > (SELECT MIN(x.starts) FROM ledger x WHERE x.site = m.site AND x.meter = m.number \
    AND x.kind = 'absolute' AND x.state = 'counted')) \
    FROM meter m WHERE m.site = ";
const POINTS: &str = "SELECT p.machine, p.card FROM point p WHERE p.site = ";
const TASKS: &str = "SELECT t.number, t.machine, t.key, t.sheet, t.card, t.active, \
    (SELECT COUNT(*) FROM closing c WHERE c.site = t.site AND c.task = t.number AND c.undone = 0), d.day, d.counts \
    FROM task t LEFT JOIN last_done d ON d.site = t.site AND d.task = t.number WHERE t.site = ";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[PEOPLE, SOURCES, SHEETS];

/// What a machine's row keeps of its card beside its own columns.
#[derive(Serialize, Deserialize)]
pub(super) struct MachineExtra {
    /// Names that other systems give it.
    pub(super) also_known_as: Vec<ForeignName>,
    /// Its task sheets.
    pub(super) sheets: Vec<Key>,
    /// Its own checks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) checks: Vec<CheckCard>,
}

/// The digits that state an amount so exactly that it is read back as the same.
pub(super) const EXACT_DIGITS: u32 = 7;

/// The shop as it stands but for its machines; without a site, only the people.
pub(super) async fn without_machines(conn: &mut Conn, site: Option<SiteId>) -> Result<ShopState> {
    let mut state = ShopState::default();
    for row in &sqlx::query(PEOPLE).fetch_all(&mut *conn).await? {
        state.people.insert(Reading::new(row, "person").text("name", Name::new)?);
    }
    let Some(site) = site else { return Ok(state) };
    let record = sites::by_number(conn, site).await?;
    let name = match record.card.name {
        Some(name) => name,
        None => Name::new(record.card.key.as_str()).map_err(|_| StoreError::Corrupt {
            table: "site",
            column: "card",
            row: site.to_string(),
        })?,
    };
    state.site = Some(SiteState {
        name,
        calendar: record.calendar.spec().clone(),
        asks_pin: record.card.asks_pin == Some(true),
    });
    let number = i64::from(site.0);
    for row in &sqlx::query(SOURCES).bind(number).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "source");
        let name = row.text("name", ForeignName::new)?;
        let rank: Option<i64> = row.next()?;
        let feeds = row.word_or_none("feeds")?;
        let rank = rank.and_then(|rank| u32::try_from(rank).ok()).unwrap_or(u32::MAX);
        state.sources.insert(name.clone(), SourceCard { name, rank, feeds });
    }
    for row in &sqlx::query(SHEETS).bind(number).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "sheet");
        let key = row.text("key", Key::new)?;
        let card: SheetCard = row.json("card")?;
        state.sheets.insert(key, card);
    }
    let items = shelf::cards(conn, site).await?;
    state.items = items.into_iter().map(|card| (card.name.clone(), card)).collect();
    Ok(state)
}

/// The whole shop as it stands.
async fn whole(conn: &mut Conn, site: SiteId) -> Result<ShopState> {
    let mut state = without_machines(conn, Some(site)).await?;
    add_machines(conn, site, None, &mut state.machines).await?;
    Ok(state)
}

/// Adds the machines of a site, or only some of them; gives the numbers behind their keys.
pub(super) async fn add_machines(
    conn: &mut Conn,
    site: SiteId,
    only: Option<&BTreeSet<MachineId>>,
    machines: &mut BTreeMap<Key, MachineShape>,
) -> Result<Ids> {
    let mut ids = Ids::default();
    let Some(only) = only else {
        add_part(conn, site, &[], &mut ids, machines).await?;
        return Ok(ids);
    };
    let only: Vec<MachineId> = only.iter().copied().collect();
    for part in only.chunks(AT_ONCE) {
        add_part(conn, site, part, &mut ids, machines).await?;
    }
    Ok(ids)
}

/// Adds some machines, or all where none are named.
async fn add_part(
    conn: &mut Conn,
    site: SiteId,
    only: &[MachineId],
    ids: &mut Ids,
    machines: &mut BTreeMap<Key, MachineShape>,
) -> Result<()> {
    let mut shapes: BTreeMap<MachineId, (Key, MachineShape)> = BTreeMap::new();
    for row in &of(MACHINES, site, "m.number", only).build().persistent(false).fetch_all(&mut *conn).await? {
        let (id, tag, shape) = machine(row)?;
        ids.machines.insert(tag.clone(), id);
        shapes.insert(id, (tag, shape));
    }
    let mut meter_keys: BTreeMap<MeterId, Key> = BTreeMap::new();
    for row in &of(METERS, site, "m.machine", only).build().persistent(false).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "meter");
        let (meter, machine) = (MeterId(row.next()?), MachineId(row.next()?));
        let key = row.text("key", Key::new)?;
        let shape = meter_shape(&mut row)?;
        meter_keys.insert(meter, key.clone());
        ids.meters.insert((machine, key.clone()), meter);
        if let Some((_, machine)) = shapes.get_mut(&machine) {
            machine.meters.insert(key, shape);
        }
    }
    for row in &of(POINTS, site, "p.machine", only).build().persistent(false).fetch_all(&mut *conn).await? {
        let mut row = Reading::new(row, "point");
        let machine = MachineId(row.next()?);
        let card: PointCard = row.json("card")?;
        if let Some((_, machine)) = shapes.get_mut(&machine) {
            machine.points.insert(card.key.clone(), card);
        }
    }
    for row in &of(TASKS, site, "t.machine", only).build().persistent(false).fetch_all(&mut *conn).await? {
        let (number, machine, key, shape) = task(row, &meter_keys)?;
        ids.tasks.insert((machine, key.clone()), number);
        if let Some((_, machine)) = shapes.get_mut(&machine) {
            machine.tasks.insert(key, shape);
        }
    }
    machines.extend(shapes.into_values());
    Ok(())
}

/// A query of a site's rows, or only of those of some machines.
fn of(text: &'static str, site: SiteId, column: &str, only: &[MachineId]) -> QueryBuilder<Db> {
    let mut query = QueryBuilder::new(text);
    query.push_bind(i64::from(site.0));
    if !only.is_empty() {
        query.push(" AND ").push(column).push(" IN (");
        let mut list = query.separated(", ");
        for machine in only {
            list.push_bind(machine.0);
        }
        query.push(")");
    }
    query
}

fn machine(row: &DbRow) -> Result<(MachineId, Key, MachineShape)> {
    let mut row = Reading::new(row, "machine");
    let id = MachineId(row.next()?);
    let tag = row.text("tag", Key::new)?;
    let name = row.text("name", Name::new)?;
    let (family, area) = (row.next()?, row.next()?);
    let state: &str = row.next()?;
    let extra: MachineExtra = row.json("card")?;
    let shape = MachineShape {
        name,
        also_known_as: extra.also_known_as,
        family,
        area,
        retired: state == "retired",
        meters: BTreeMap::new(),
        points: BTreeMap::new(),
        sheets: extra.sheets,
        tasks: BTreeMap::new(),
        checks: extra.checks,
    };
    Ok((id, tag, shape))
}

fn meter_shape(row: &mut Reading<'_>) -> Result<MeterShape> {
    let (kind, feed): (MeterKind, Feed) = (row.word("kind")?, row.word("feed")?);
    let max_per_hour = MaxPerHour(row.next()?);
    let counts = row.next::<Option<i64>>()?.is_some();
    let total = row.next::<Option<i64>>()?.map(Amount);
    // On a meter that is fed by readings a count is the counter's own value.
    let opening =
        row.next::<Option<i64>>()?.map(Amount).filter(|_| feed == Feed::Absolute).unwrap_or_default();
    // What the counters before the present one showed beyond its opening is put back by the plan.
    let replaced = row.next::<Option<i64>>()?.map(Amount).unwrap_or_default();
    let now = counts.then(|| total.unwrap_or_default() + opening - replaced);
    Ok(MeterShape { kind, feed, max_per_hour, counts, now })
}

fn task(row: &DbRow, meter_keys: &BTreeMap<MeterId, Key>) -> Result<(TaskId, MachineId, Key, TaskShape)> {
    let mut row = Reading::new(row, "task");
    let (number, machine) = (TaskId(row.next()?), MachineId(row.next()?));
    let key = row.text("key", Key::new)?;
    let sheet = row.text_or_none("sheet", Key::new)?;
    let card = row.json("card")?;
    let retired = row.next::<i64>()? == 0;
    let closed = row.next::<i64>()? > 0;
    let day: Option<i64> = row.next()?;
    let counts: Option<&str> = row.next()?;
    let counts: BTreeMap<MeterId, Amount> = counts
        .map(|text| serde_json::from_str(text).map_err(|_| row.corrupt("counts", text)))
        .transpose()?
        .unwrap_or_default();
    let counts = counts.iter().filter_map(|(meter, count)| Some((meter_keys.get(meter)?.clone(), *count)));
    let last_done = day
        .and_then(|day| i32::try_from(day).ok())
        .map(|day| Stated { day: ShopDay::from_days(day), counts: counts.collect() });
    Ok((number, machine, key, TaskShape { card, sheet, retired, closed, last_done }))
}

/// The card of one machine.
pub(super) async fn card_of(
    conn: &mut Conn,
    site: SiteId,
    machine: MachineId,
) -> Result<Option<MachineCard>> {
    let mut found = BTreeMap::new();
    add_machines(conn, site, Some(&BTreeSet::from([machine])), &mut found).await?;
    Ok(found.pop_first().map(|(tag, shape)| machine_card(tag, shape)))
}

/// The shop as declared now.
pub(super) async fn declared(conn: &mut Conn, site: SiteId) -> Result<Declaration> {
    let key = sites::by_number(conn, site).await?.card.key;
    Ok(declaration(key, whole(conn, site).await?))
}

/// The shop as a declaration that changes nothing when it is loaded. Machines that have left the shop are left out.
fn declaration(key: Key, state: ShopState) -> Declaration {
    let calendar = state.site.as_ref().map(|site| site.calendar.clone());
    let asks_pin = state.site.as_ref().filter(|site| site.asks_pin).map(|_| true);
    let site = SiteCard {
        key,
        asks_pin,
        name: state.site.map(|site| site.name),
        zone: calendar.as_ref().map(|calendar| calendar.zone),
        day_starts_at: calendar.as_ref().map(|calendar| calendar.day_starts_at),
        shifts: calendar.as_ref().map(|calendar| calendar.shifts.clone()).unwrap_or_default(),
        closures: calendar.as_ref().map(|calendar| calendar.closures.clone()).unwrap_or_default(),
        extra_shifts: calendar.map(|calendar| calendar.extra_shifts).unwrap_or_default(),
    };
    let standing = state.machines.into_iter().filter(|(_, machine)| !machine.retired);
    Declaration {
        site,
        sources: state.sources.into_values().collect(),
        people: state.people.into_iter().collect(),
        sheets: state.sheets.into_values().collect(),
        machines: standing.map(|(tag, machine)| machine_card(tag, machine)).collect(),
        items: state.items.into_values().collect(),
        past_rules: false,
    }
}

/// A machine's card; tasks of its sheets stand in the sheets.
fn machine_card(tag: Key, machine: MachineShape) -> MachineCard {
    let meters = machine.meters.iter().map(|(key, meter)| MeterCard {
        key: key.clone(),
        kind: Some(meter.kind),
        feed: Some(meter.feed),
        max_per_hour: Some(meter.max_per_hour),
    });
    let last_done = machine.tasks.iter().filter_map(|(key, task)| {
        let stated = task.last_done.as_ref()?;
        let counts = stated.counts.iter().filter_map(|(meter, count)| {
            let unit = machine.meters.get(meter)?.kind.unit();
            Some((Some(meter.clone()), count.to_text(unit, EXACT_DIGITS)))
        });
        let counts = counts.collect();
        Some(LastDoneCard { machine: tag.clone(), task: key.clone(), day: stated.day, counts })
    });
    let (meters, last_done) = (meters.collect(), last_done.collect());
    let own = machine.tasks.into_values().filter(|task| task.sheet.is_none());
    MachineCard {
        tag,
        name: Some(machine.name),
        also_known_as: machine.also_known_as,
        family: Some(machine.family),
        area: Some(machine.area),
        meters,
        points: machine.points.into_values().collect(),
        sheets: machine.sheets,
        tasks: own
            .map(|task| {
                let mut card = task.card;
                card.retire = task.retired;
                card
            })
            .collect(),
        last_done_now: false,
        last_done,
        checks: machine.checks,
    }
}
