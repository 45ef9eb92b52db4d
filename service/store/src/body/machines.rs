//! Machines and the states between which they are moved.

use super::bulk::Bulk;
use super::decode::Reading;
use super::journal::{Fact, digest_of};
use super::meters;
use super::people::{known_person, speaker};
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, Db, DbRow, refresh, shop_state, sites};
use crate::contract::{MachineFilter, MachineMove, MachineRecord, MachineState, Page, PageAsk, Result};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::shop::MachineCard;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde_json::{Value, json};
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const COLUMNS: &str = "SELECT m.number, m.tag, m.name, m.family, m.area, m.state, m.since, m.reason, m.by_person, \
    (SELECT COUNT(*) FROM work_order o WHERE o.site = m.site AND o.machine = m.number AND o.planned = 1 \
    AND o.state = 'open') \
    FROM machine m WHERE m.site = ";
const NAMED: &str = "SELECT m.number, m.tag, m.name, m.state FROM machine_name n JOIN machine m ON m.site = n.site \
    AND m.number = n.machine WHERE n.site = $1 AND n.name = $2";
static METERS: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT m.machine, m.number, m.key, m.kind, m.feed, m.max_per_hour FROM k CROSS JOIN meter m \
     WHERE m.site = k.site AND m.machine = k.machine ORDER BY m.number",
);
const MOVE: &str = "UPDATE machine SET state = $3, since = $4, reason = $5, by_person = $6, leaf = $7 \
    WHERE site = $1 AND number = $2";
const REST: &str = "INSERT INTO rest (site, machine, starts, ends) VALUES ($1, $2, $3, NULL) \
    ON CONFLICT (site, machine, starts) DO UPDATE SET ends = NULL";
const END_REST: &str = "UPDATE rest SET ends = $3 WHERE site = $1 AND machine = $2 AND ends IS NULL";
const VOID_ALL: &str = "UPDATE work_order SET state = 'void', planned = 0, ended_at = $3, reason = 'machine retired' \
    WHERE site = $1 AND machine = $2 AND planned = 1 AND state = 'open' RETURNING number";
const LEAVE_ALL: &str = "UPDATE work_order SET planned = 0 WHERE site = $1 AND machine = $2 AND planned = 1";
const RETIRE_TASKS: &str = "UPDATE task SET active = 0 WHERE site = $1 AND machine = $2";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![NAMED, METERS.sample(), MOVE, REST, END_REST, VOID_ALL, LEAVE_ALL, RETIRE_TASKS]
}

/// A move that is asked for.
pub(super) struct Move {
    /// The machine's tag.
    pub(super) tag: Key,
    /// Where to.
    pub(super) to: MachineMove,
    /// Who moves it.
    pub(super) by: Name,
    /// Why.
    pub(super) reason: String,
    /// Whether nothing is to stand.
    pub(super) validate_only: bool,
}

/// The word of a state, as it is stored.
fn word(state: MachineState) -> &'static str {
    match state {
        MachineState::InService => "in_service",
        MachineState::Resting => "resting",
        MachineState::Forbidden => "forbidden",
        MachineState::Retired => "retired",
    }
}

/// The next column, a machine's state.
pub(super) fn state_of(row: &mut Reading<'_>) -> Result<MachineState> {
    let found: &str = row.next()?;
    let all =
        [MachineState::InService, MachineState::Resting, MachineState::Forbidden, MachineState::Retired];
    all.into_iter().find(|state| word(*state) == found).ok_or_else(|| row.corrupt("state", found))
}

fn record(row: &DbRow) -> Result<MachineRecord> {
    let mut row = Reading::new(row, "machine");
    Ok(MachineRecord {
        machine: MachineId(row.next()?),
        tag: row.text("tag", Key::new)?,
        name: row.text("name", Name::new)?,
        family: row.next()?,
        area: row.next()?,
        state: state_of(&mut row)?,
        since: Ts(row.next()?),
        reason: row.next()?,
        by: row.next::<Option<i64>>()?.map(PersonId),
        meters: Vec::new(),
        open_orders: row.number("number")?,
    })
}

/// Machines by area and tag.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &MachineFilter,
    page: PageAsk<(String, String)>,
) -> Result<Page<MachineRecord, (String, String)>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if let Some(state) = filter.state {
        query.push(" AND m.state = ").push_bind(word(state));
    }
    if let Some(area) = &filter.area {
        query.push(" AND m.area = ").push_bind(area.as_str());
    }
    if let Some((area, tag)) = page.after {
        query.push(" AND (m.area, m.tag) > (").push_bind(area).push(", ").push_bind(tag).push(")");
    }
    query.push(" ORDER BY m.area, m.tag LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(&mut *conn).await?;
    let rows: Vec<MachineRecord> = rows.iter().map(record).collect::<Result<_>>()?;
    let mut page = Page::cut(rows, page.limit, |machine| (machine.area.clone(), machine.tag.to_string()));
    add_meters(conn, site, &mut page.rows).await?;
    Ok(page)
}

async fn add_meters(conn: &mut Conn, site: SiteId, machines: &mut [MachineRecord]) -> Result<()> {
    let ids: Vec<MachineId> = machines.iter().map(|machine| machine.machine).collect();
    let number = i64::from(site.0);
    let rows = METERS.fetch(conn, &ids, |q| q.bind(number), |q, machine| q.bind(machine.0)).await?;
    let mut found = BTreeMap::new();
    let mut records = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut row = Reading::new(row, "meter");
        let machine = MachineId(row.next()?);
        records.push(meters::record(&mut row, machine)?);
    }
    let shows = meters::shows_of(conn, site, &records, None).await?;
    for (meter, shows) in records.into_iter().zip(shows) {
        found.entry(meter.machine).or_insert_with(Vec::new).push((meter, shows));
    }
    for machine in machines {
        machine.meters = found.remove(&machine.machine).unwrap_or_default();
    }
    Ok(())
}

/// A machine by one of its names, with its card.
pub(super) async fn find(
    conn: &mut Conn,
    site: SiteId,
    name: &str,
) -> Result<Option<(MachineRecord, MachineCard)>> {
    let Some(Named { machine, .. }) = named(conn, site, name).await? else { return Ok(None) };
    let record = by_number(conn, site, machine).await?;
    let card = shop_state::card_of(conn, site, machine).await?;
    Ok(card.map(|card| (record, card)))
}

/// A machine as one of its names finds it.
pub(super) struct Named {
    pub(super) machine: MachineId,
    pub(super) tag: Key,
    pub(super) name: Name,
    pub(super) state: MachineState,
}

/// The machine that answers to a name: its tag, or one that other systems give it.
pub(super) async fn named(conn: &mut Conn, site: SiteId, name: &str) -> Result<Option<Named>> {
    let row = sqlx::query(NAMED).bind(i64::from(site.0)).bind(name).fetch_optional(conn).await?;
    let Some(row) = row else { return Ok(None) };
    let mut row = Reading::new(&row, "machine");
    let machine = MachineId(row.next()?);
    let (tag, name) = (row.text("tag", Key::new)?, row.text("name", Name::new)?);
    Ok(Some(Named { machine, tag, name, state: state_of(&mut row)? }))
}

/// The machine that answers to a name; refused where none does.
pub(super) async fn known(conn: &mut Conn, site: SiteId, name: &str) -> Result<Named> {
    Ok(named(conn, site, name).await?.ok_or_else(|| Error::no_machine(name))?)
}

/// The number of the machine that answers to a name; refused where none does.
pub(super) async fn number(conn: &mut Conn, site: SiteId, name: &str) -> Result<MachineId> {
    Ok(known(conn, site, name).await?.machine)
}

async fn by_number(conn: &mut Conn, site: SiteId, machine: MachineId) -> Result<MachineRecord> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND m.number = ").push_bind(machine.0);
    let row = query.build().fetch_one(&mut *conn).await?;
    let mut found = [record(&row)?];
    add_meters(conn, site, &mut found).await?;
    let [machine] = found;
    Ok(machine)
}

/// Machines that must not start, longest first.
pub(super) async fn forbidden(conn: &mut Conn, site: SiteId) -> Result<Vec<MachineRecord>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND m.state = 'forbidden' ORDER BY m.since, m.number");
    let rows = query.build().fetch_all(&mut *conn).await?;
    rows.iter().map(record).collect()
}

/// Moves a machine between its states.
pub(super) async fn move_to(
    tx: &mut Tx,
    site: SiteId,
    ask: Move,
) -> Result<(MachineRecord, Vec<OrderNumber>)> {
    if ask.validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    if let Some((machine, void)) = tx.replayed(site).await? {
        return Ok((by_number(&mut tx.conn, site, machine).await?, void));
    }
    let number = number(&mut tx.conn, site, ask.tag.as_str()).await?;
    let machine = by_number(&mut tx.conn, site, number).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let (state, kind) = target(&machine, ask.to, &calendar)?;
    // Who sees a danger is never sent away for a PIN.
    let person = match ask.to {
        MachineMove::Forbid => known_person(&mut tx.conn, "by", &ask.by).await?,
        MachineMove::Rest | MachineMove::Return | MachineMove::Retire => {
            speaker(tx, site, "by", &ask.by).await?
        }
    };
    if state == MachineState::Retired {
        tx.head(site)?.mark_machines();
    }
    let (leaf, mut void) = write_move(tx, site, &machine, state, &ask, person, kind).await?;
    // One whose rule had ended already, but that no plan had looked at since, is void from now on too.
    void.extend(refresh::machines(tx, site, &BTreeSet::from([machine.machine])).await?);
    tx.remember(site, &(machine.machine, &void), Some(leaf), Keep::AWhile).await?;
    tx.forget_machines([machine.machine]);
    Ok((by_number(&mut tx.conn, site, machine.machine).await?, void))
}

/// The state that a move leads to, if it leads there from where the machine stands.
fn target(machine: &MachineRecord, to: MachineMove, calendar: &Calendar) -> Result<(MachineState, Kind)> {
    let (state, kind) = match to {
        MachineMove::Rest => (MachineState::Resting, Kind::MachineRested),
        MachineMove::Forbid => (MachineState::Forbidden, Kind::MachineForbidden),
        MachineMove::Return => (MachineState::InService, Kind::MachineReturned),
        MachineMove::Retire => (MachineState::Retired, Kind::MachineRetired),
    };
    let refused = |text: String| Error::WrongState {
        reason: "MACHINE_STATE",
        subject: format!("machine {}", machine.tag),
        text,
    };
    if machine.state == MachineState::Retired {
        return Err(refused(format!(
            "machine {} has left the shop for good; declare a new one",
            machine.tag
        ))
        .into());
    }
    if machine.state == state {
        let how = match state {
            MachineState::InService => "in service",
            MachineState::Resting => "resting",
            MachineState::Forbidden => "forbidden",
            MachineState::Retired => "retired",
        };
        let since = calendar.minute_in_words(machine.since);
        return Err(refused(format!("machine {} is {how} already, since {since}", machine.tag)).into());
    }
    if (machine.state, state) == (MachineState::Forbidden, MachineState::Resting) {
        let text = format!(
            "machine {} must not start ({}); return it first, with name and reason, before it is laid up",
            machine.tag, machine.reason
        );
        return Err(refused(text).into());
    }
    Ok((state, kind))
}

/// Writes a move; gives its leaf and the orders that are void by it.
async fn write_move(
    tx: &mut Tx,
    site: SiteId,
    machine: &MachineRecord,
    state: MachineState,
    ask: &Move,
    person: PersonId,
    kind: Kind,
) -> Result<(i64, Vec<OrderNumber>)> {
    let (number, id, now) = (i64::from(site.0), machine.machine.0, tx.caller.now);
    let mut void = Vec::new();
    if machine.state == MachineState::Resting {
        sqlx::query(END_REST).bind(number).bind(id).bind(now.0).execute(&mut tx.conn).await?;
    }
    if state == MachineState::Resting {
        sqlx::query(REST).bind(number).bind(id).bind(now.0).execute(&mut tx.conn).await?;
    }
    if state == MachineState::Retired {
        let rows = sqlx::query(VOID_ALL).bind(number).bind(id).bind(now.0).fetch_all(&mut tx.conn).await?;
        for row in &rows {
            void.push(OrderNumber(Reading::new(row, "work_order").next()?));
        }
        void.sort_unstable();
        sqlx::query(LEAVE_ALL).bind(number).bind(id).execute(&mut tx.conn).await?;
        sqlx::query(RETIRE_TASKS).bind(number).bind(id).execute(&mut tx.conn).await?;
    }
    let shape =
        |state: MachineState, since: Ts| json!({"machine": id, "state": word(state), "since": since.0});
    let mut after = shape(state, now);
    if !void.is_empty() {
        after["void"] = void.iter().map(|order| order.0).collect::<Value>();
    }
    let before = Some(digest_of(&shape(machine.state, machine.since))?);
    let subject = format!("machines/{id}");
    let sealed = (!ask.reason.is_empty()).then(|| ("note", ask.reason.clone()));
    let leaf = tx.append(site, Fact { kind, subject, person: Some(person), after, before, sealed })?;
    let reason = if state == MachineState::InService { "" } else { ask.reason.as_str() };
    sqlx::query(MOVE)
        .bind(number)
        .bind(id)
        .bind(word(state))
        .bind(now.0)
        .bind(reason)
        .bind(person.0)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok((leaf, void))
}
