//! Due calendars: secret addresses made, found by their hash and taken back; and what was told under them, kept so that a change
//! is told as one.

use super::bulk::Bulk;
use super::decode::{Reading, to_json};
use super::journal::{Fact, digest_of};
use super::people::known_person;
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, DbRow, machines, plan_reads, sites};
use crate::contract::{
    DueCalendarRecord, DueEntry, DueFilter, DuePart, NewDueCalendar, Page, PageAsk, Result,
};
use fettler_domain::calendar::Calendar;
use fettler_domain::due_calendar::{
    CANCELLED_FOR_MICROS, DAYS_AHEAD, ENTRIES_MAX, Entry, Said, Shown, Work, changes, listed,
};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, PersonId, SiteId};
use fettler_domain::journal::{Hash, Kind};
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Orders that are looked up in one statement.
const LOOKED_UP: usize = 500;

const BY_HASH: &str =
    "SELECT site, leaf, name, person, areas, made_at, revoked_at, hash FROM due_calendar WHERE hash = $1";
const BY_NUMBER: &str = "SELECT site, leaf, name, person, areas, made_at, revoked_at, hash FROM due_calendar WHERE site = $1 AND leaf = $2";
const LIST: &str = "SELECT site, leaf, name, person, areas, made_at, revoked_at, hash FROM due_calendar \
    WHERE site = $1 AND leaf > $2 ORDER BY leaf LIMIT $3";
const ADD: &str = "INSERT INTO due_calendar (site, leaf, hash, name, person, areas, made_at) VALUES ($1, $2, $3, $4, $5, $6, $7)";
const REVOKE: &str = "UPDATE due_calendar SET revoked_at = $3 WHERE site = $1 AND leaf = $2";
const KEPT: &str = "SELECT entry FROM due_entry WHERE site = $1 ORDER BY number";
const FORGET: &str = "DELETE FROM due_entry WHERE site = $1 AND cancelled = 1 AND told_at < $2";
const INSTALLATION: &str = "SELECT installation FROM journal_key ORDER BY number DESC LIMIT 1";
static TELL: Bulk = Bulk::new(
    "INSERT INTO due_entry (site, number, cancelled, told_at, entry) VALUES",
    1,
    4,
    "ON CONFLICT (site, number) DO UPDATE SET cancelled = excluded.cancelled, told_at = excluded.told_at, entry = excluded.entry",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![BY_HASH, BY_NUMBER, LIST, ADD, REVOKE, KEPT, FORGET, INSTALLATION, TELL.sample()]
}

/// An address with its hash.
fn record(row: &DbRow) -> Result<(DueCalendarRecord, [u8; 32])> {
    let mut row = Reading::new(row, "due_calendar");
    let record = DueCalendarRecord {
        site: SiteId(row.number("site")?),
        number: row.next()?,
        name: row.next()?,
        person: row.next::<Option<i64>>()?.map(PersonId),
        areas: row.json("areas")?,
        made_at: Ts(row.next()?),
        revoked_at: row.next::<Option<i64>>()?.map(Ts),
    };
    Ok((record, row.hash("hash")?))
}

/// The address with a hash.
pub(super) async fn by_hash(conn: &mut Conn, hash: &[u8; 32]) -> Result<Option<DueCalendarRecord>> {
    let row = sqlx::query(BY_HASH).bind(hash.as_slice()).fetch_optional(conn).await?;
    row.as_ref().map(|row| Ok(record(row)?.0)).transpose()
}

async fn by_number(conn: &mut Conn, site: SiteId, number: i64) -> Result<(DueCalendarRecord, [u8; 32])> {
    let row = sqlx::query(BY_NUMBER).bind(i64::from(site.0)).bind(number).fetch_optional(conn).await?;
    let missing = || Error::NotFound {
        kind: "due calendar",
        name: number.to_string(),
        remedy: "`fettler calendar list` shows them with their numbers".into(),
    };
    record(&row.ok_or_else(missing)?)
}

/// Addresses by number.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    page: PageAsk<i64>,
) -> Result<Page<DueCalendarRecord, i64>> {
    let query = sqlx::query(LIST).bind(i64::from(site.0)).bind(page.after.unwrap_or(-1));
    let rows = query.bind(i64::from(page.limit) + 1).fetch_all(conn).await?;
    let rows: Vec<DueCalendarRecord> = rows.iter().map(|row| Ok(record(row)?.0)).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |calendar| calendar.number))
}

/// The state of an address as its facts hold it.
fn state(record: &DueCalendarRecord, hash: [u8; 32]) -> Value {
    json!({
        "name": record.name,
        "hash": Hash(hash).to_hex(),
        "person": record.person.map(|person| person.0),
        "areas": record.areas,
        "revoked_at": record.revoked_at.map(|at| at.0),
    })
}

/// Keeps a new address's hash.
pub(super) async fn add(tx: &mut Tx, site: SiteId, new: NewDueCalendar) -> Result<DueCalendarRecord> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(number) = tx.replayed(site).await? {
        return Ok(by_number(&mut tx.conn, site, number).await?.0);
    }
    if by_hash(&mut tx.conn, &new.hash).await?.is_some() {
        return Err(Error::invalid("secret_sha256", "is kept already; make a new secret").into());
    }
    let person = match &new.person {
        Some(name) => Some(known_person(&mut tx.conn, "person", name).await?),
        None => None,
    };
    let made_at = tx.caller.now;
    let name = new.name.to_string();
    let (areas, number) = (new.areas, tx.head(site)?.frontier.size());
    let record = DueCalendarRecord { site, number, name, person, areas, made_at, revoked_at: None };
    let subject = format!("due_calendars/{number}");
    let after = state(&record, new.hash);
    let fact = Fact { kind: Kind::DueCalendarMade, subject, person, after, before: None, sealed: None };
    let leaf = tx.append(site, fact)?;
    sqlx::query(ADD)
        .bind(i64::from(site.0))
        .bind(leaf)
        .bind(new.hash.as_slice())
        .bind(record.name.as_str())
        .bind(person.map(|person| person.0))
        .bind(to_json(&record.areas)?)
        .bind(made_at.0)
        .execute(&mut tx.conn)
        .await?;
    tx.remember(site, &leaf, Some(leaf), Keep::AWhile).await?;
    Ok(DueCalendarRecord { number: leaf, ..record })
}

/// Takes an address back.
pub(super) async fn revoke(tx: &mut Tx, site: SiteId, number: i64) -> Result<DueCalendarRecord> {
    tx.forget_machines([]);
    tx.take(site).await?;
    // A request id must not come to mean another address, though taking one back twice does it once.
    let number = tx.replayed(site).await?.unwrap_or(number);
    let (stands, hash) = by_number(&mut tx.conn, site, number).await?;
    if stands.revoked_at.is_some() {
        return Ok(stands);
    }
    let now = tx.caller.now;
    let before = Some(digest_of(&state(&stands, hash))?);
    let record = DueCalendarRecord { revoked_at: Some(now), ..stands };
    let (subject, after) = (format!("due_calendars/{number}"), state(&record, hash));
    let fact = Fact { kind: Kind::DueCalendarRevoked, subject, person: None, after, before, sealed: None };
    let leaf = tx.append(site, fact)?;
    sqlx::query(REVOKE).bind(i64::from(site.0)).bind(number).bind(now.0).execute(&mut tx.conn).await?;
    tx.remember(site, &number, Some(leaf), Keep::AWhile).await?;
    Ok(record)
}

/// What was told of a site, and what of it has to be told anew.
pub(super) struct Seen {
    kept: Vec<Entry>,
    /// What has to be told anew.
    pub(super) changes: Vec<Entry>,
}

impl Seen {
    /// The entries of some areas, once the changes are told.
    pub(super) fn listed(self, areas: &BTreeSet<String>, now: Ts) -> Vec<(Entry, bool)> {
        let mut all: BTreeMap<OrderNumber, Entry> =
            self.kept.into_iter().map(|entry| (entry.order, entry)).collect();
        all.extend(self.changes.into_iter().map(|entry| (entry.order, entry)));
        listed(all.into_values().collect(), areas, now)
    }
}

/// Compares what was told with what stands.
pub(super) async fn look(conn: &mut Conn, site: SiteId, areas: &BTreeSet<String>, now: Ts) -> Result<Seen> {
    let card = sites::by_number(conn, site).await?;
    let kept = sqlx::query(KEPT).bind(i64::from(site.0)).fetch_all(&mut *conn).await?;
    let kept: Vec<Entry> =
        kept.iter().map(|row| Reading::new(row, "due_entry").json("entry")).collect::<Result<_>>()?;
    let mut due =
        ahead(conn, site, areas, card.calendar.end_of(card.calendar.shop_day_of(now).plus_days(DAYS_AHEAD)))
            .await?;
    // What was told once is told on, wherever it has moved to.
    let near: BTreeSet<OrderNumber> = due.iter().map(|entry| entry.plan.order).collect();
    let concerned = |entry: &Entry| near.contains(&entry.order) || entry.shown_in(areas) != Shown::Not;
    let kept: Vec<Entry> = kept.into_iter().filter(concerned).collect();
    let others = kept.iter().map(|entry| entry.order).filter(|order| !near.contains(order));
    for orders in others.collect::<Vec<_>>().chunks(LOOKED_UP) {
        due.extend(plan_reads::entries(conn, site, orders).await?);
    }
    let forbidden = machines::forbidden(conn, site).await?;
    let forbidden: BTreeSet<MachineId> = forbidden.iter().map(|machine| machine.machine).collect();
    let whole = installation(conn).await?;
    let standing = due.iter().filter_map(|entry| {
        let uid = format!(
            "{}.{}@{}.{whole}",
            entry.plan.order,
            entry.task.as_ref().map_or("raised", Key::as_str),
            card.card.key
        );
        Some((entry.plan.order, (uid, said(entry, &card.calendar, &forbidden)?)))
    });
    let changes = changes(&kept, standing.collect(), now);
    Ok(Seen { kept, changes })
}

/// The nearest dated orders of some areas.
async fn ahead(conn: &mut Conn, site: SiteId, areas: &BTreeSet<String>, before: Ts) -> Result<Vec<DueEntry>> {
    let areas: Vec<Option<String>> =
        if areas.is_empty() { vec![None] } else { areas.iter().cloned().map(Some).collect() };
    let limit = u32::try_from(ENTRIES_MAX).unwrap_or(u32::MAX);
    let mut due = Vec::new();
    for area in areas {
        let filter = DueFilter { before, part: DuePart::Dated, machine: None, area };
        due.extend(plan_reads::page(conn, site, &filter, PageAsk { after: None, limit }).await?.rows);
    }
    due.sort_by_key(|entry| (entry.plan.key_time, entry.plan.order));
    due.truncate(ENTRIES_MAX);
    Ok(due)
}

fn said(entry: &DueEntry, calendar: &Calendar, forbidden: &BTreeSet<MachineId>) -> Option<Said> {
    let work = Work {
        plan: &entry.plan,
        title: entry.title.as_str(),
        machine: entry.machine.as_str(),
        machine_name: entry.machine_name.as_str(),
        area: &entry.area,
        place: &entry.place,
        minutes: entry.minutes,
        kit: &entry.kit,
        cautions: &entry.cautions,
        hazard: entry.hazard,
        forbidden: forbidden.contains(&entry.plan.machine),
    };
    work.said(calendar)
}

/// What the installation is called in checkpoints, so that names of entries are no other installation's.
async fn installation(conn: &mut Conn) -> Result<String> {
    match sqlx::query(INSTALLATION).fetch_optional(conn).await? {
        Some(row) => Reading::new(&row, "journal_key").next(),
        None => Ok("fettler".to_owned()),
    }
}

/// Tells what has to be told anew, and keeps it.
pub(super) async fn tell(tx: &mut Tx, site: SiteId, areas: BTreeSet<String>) -> Result<Vec<(Entry, bool)>> {
    tx.forget_machines([]);
    tx.take(site).await?;
    let now = tx.caller.now;
    let seen = look(&mut tx.conn, site, &areas, now).await?;
    let mut rows = Vec::with_capacity(seen.changes.len());
    for entry in &seen.changes {
        rows.push((entry.order.0, i64::from(entry.cancelled), entry.told_at.0, to_json(entry)?));
    }
    let number = i64::from(site.0);
    let bind = |query: super::bulk::Binding, (order, cancelled, told_at, text): &(i64, i64, i64, String)| {
        query.bind(*order).bind(*cancelled).bind(*told_at).bind(text.clone())
    };
    TELL.run(&mut tx.conn, &rows, |query| query.bind(number), bind).await?;
    let over = now.plus_micros(-CANCELLED_FOR_MICROS);
    sqlx::query(FORGET).bind(number).bind(over.0).execute(&mut tx.conn).await?;
    Ok(seen.listed(&areas, now))
}
