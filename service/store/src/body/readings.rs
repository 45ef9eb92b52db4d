//! Readings: told, judged, kept as one fact each, and withdrawn.

use super::decode::{Reading, to_json, to_value};
use super::fluid_reads::judged_by;
use super::journal::Fact;
use super::machines::{self, Named};
use super::people::speaker;
use super::point_reads::{self, one};
use super::request::Keep;
use super::tx::Tx;
use super::withdrawal::Recorded;
use super::{Conn, raised, refresh, sites, withdrawal};
use crate::contract::{KeptReading, Result, StoreError, TakenReading, Telling, Withdrawal};
use fettler_domain::error::{Error, Violation};
use fettler_domain::ids::{MachineId, PersonId, PointId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::plan::{Counted, PlanRow};
use fettler_domain::reading::ask::{Before, Odd, OddKind, Told, judge};
use fettler_domain::reading::{ReadingRecord, ReadingTold, Step, Withdrawn, with_sign};
use fettler_domain::shop::PointCard;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

const POINTS: &str = "SELECT number, card FROM point WHERE site = $1 AND machine = $2 ORDER BY key";
const BEFORE: &str = "SELECT at, record FROM reading WHERE site = $1 AND point = $2 AND at <= $3 AND withdrawn IS NULL \
    AND value IS NOT NULL ORDER BY at DESC, leaf DESC LIMIT 1";
const AT: &str = "SELECT leaf, record FROM reading WHERE site = $1 AND point = $2 AND at = $3 ORDER BY leaf";
const PUT: &str = "INSERT INTO reading (site, leaf, machine, point, at, value, verdict, closing, record) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
const WITHDRAW: &str = "UPDATE reading SET withdrawn = $3, record = $4 WHERE site = $1 AND leaf = $2";
/// Plan rows of a machine, to find the orders that wait for a point.
const PLANS: &str = "SELECT p.number, w.title, p.payload FROM plan p JOIN work_order w ON w.site = p.site \
    AND w.number = p.number WHERE p.site = $1 AND p.machine = $2 ORDER BY p.number";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[POINTS, BEFORE, AT, PUT, WITHDRAW, PLANS];

/// What is said where a machine is to be stopped; who stops it is a person.
pub(super) const STOP: &str = "stop the machine until somebody competent has looked; `fettler machine forbid` says so to everybody. The \
    builder's manual, local codes and licensed practice come first";

/// A machine and its test points.
struct Of {
    machine: MachineId,
    tag: Key,
    points: Vec<(PointId, PointCard)>,
}

impl Of {
    fn point(&self, key: &Key) -> Option<(PointId, &PointCard)> {
        self.points.iter().find(|(_, card)| card.key == *key).map(|(id, card)| (*id, card))
    }
}

/// What became of one reading, as its request id keeps it.
#[derive(Serialize, Deserialize)]
pub(super) enum Became {
    Taken(i64, Vec<String>),
    Duplicate(i64),
    AskedBack(Vec<Odd>),
    Refused(Vec<Violation>),
}

/// Takes readings, each with its own outcome.
pub(super) async fn take(
    tx: &mut Tx,
    site: SiteId,
    told: Vec<Telling>,
    validate_only: bool,
) -> Result<Vec<TakenReading>> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(became) = tx.replayed(site).await? {
        return answers(&mut tx.conn, site, became).await;
    }
    let mut became = Vec::with_capacity(told.len());
    let mut touched = BTreeSet::new();
    for told in &told {
        became.push(match told {
            Ok(told) => take_one(tx, site, told, &mut touched).await?,
            Err(wrong) => Became::Refused(wrong.clone()),
        });
    }
    refresh::machines(tx, site, &touched).await?;
    let kept = kept(tx, site, &told, &became).await?;
    let raised = raise(tx, site, &kept).await?;
    for (place, told, reading) in &kept {
        let said = remarks_of(tx, site, told, reading, raised.get(place)).await?;
        if let Became::Taken(_, remarks) = &mut became[*place] {
            *remarks = said;
        }
    }
    let first = became.iter().find_map(|became| match became {
        Became::Taken(entry, _) => Some(*entry),
        Became::Duplicate(_) | Became::AskedBack(_) | Became::Refused(_) => None,
    });
    tx.remember(site, &became, first, Keep::ForEver).await?;
    tx.forget_machines(touched);
    tx.flush().await?;
    answers(&mut tx.conn, site, became).await
}

/// The readings that were taken, each with its place and what was told.
async fn kept<'t>(
    tx: &mut Tx,
    site: SiteId,
    told: &'t [Telling],
    became: &[Became],
) -> Result<Vec<(usize, &'t ReadingTold, KeptReading)>> {
    tx.flush().await?;
    let mut kept = Vec::new();
    for (place, (told, became)) in told.iter().zip(became).enumerate() {
        if let (Ok(told), Became::Taken(entry, _)) = (told, became) {
            kept.push((place, told, one(&mut tx.conn, site, *entry).await?));
        }
    }
    Ok(kept)
}

/// Raises the orders of readings beyond a stop limit for which no task waits, and gives what to say of each, by its place.
async fn raise(
    tx: &mut Tx,
    site: SiteId,
    kept: &[(usize, &ReadingTold, KeptReading)],
) -> Result<BTreeMap<usize, String>> {
    let mut remarks = BTreeMap::new();
    for (place, told, KeptReading { record, .. }) in kept {
        if let Some(raised) = raised::for_reading(tx, site, record, &told.by).await? {
            if raised.new {
                refresh::machines(tx, site, &BTreeSet::from([record.machine])).await?;
            }
            remarks.insert(*place, raised.remark);
        }
    }
    Ok(remarks)
}

async fn answers(conn: &mut Conn, site: SiteId, became: Vec<Became>) -> Result<Vec<TakenReading>> {
    let mut answers = Vec::with_capacity(became.len());
    for became in became {
        answers.push(match became {
            Became::Taken(entry, remarks) => {
                TakenReading::Taken(Box::new(one(conn, site, entry).await?), remarks)
            }
            Became::Duplicate(entry) => TakenReading::Duplicate(Box::new(one(conn, site, entry).await?)),
            Became::AskedBack(odd) => TakenReading::AskedBack(odd),
            Became::Refused(wrong) => TakenReading::Refused(wrong),
        });
    }
    Ok(answers)
}

/// Takes one reading. Machines whose plan it may change are added to `touched`.
pub(super) async fn take_one(
    tx: &mut Tx,
    site: SiteId,
    told: &ReadingTold,
    touched: &mut BTreeSet<MachineId>,
) -> Result<Became> {
    let (of, by) = match known(tx, site, told).await {
        Err(StoreError::Refused(Error::Invalid(wrong))) => return Ok(Became::Refused(wrong)),
        known => known?,
    };
    let Some((point, card)) = of.point(&told.point) else {
        return Ok(Became::Refused(vec![no_point(&of, &told.point)]));
    };
    // An import that is repeated does not bring back what was withdrawn since; whoever says that it is so does.
    if let Some((entry, record)) = told_before(&mut tx.conn, site, point, told).await?
        && (record.withdrawn.is_none() || !told.confirmed)
    {
        return Ok(Became::Duplicate(entry));
    }
    let said = Told {
        value: &told.value,
        unit: &told.unit,
        at: told.at,
        has_record: told.electrician_record.is_some(),
    };
    let card = &judged_by(&mut tx.conn, site, of.machine, card).await?;
    let judged = match judge(card, said, before(&mut tx.conn, site, point, card, told.at).await?) {
        Ok(judged) => judged,
        Err(wrong) => return Ok(Became::Refused(vec![wrong])),
    };
    if !judged.odd.is_empty() && !told.confirmed {
        return Ok(Became::AskedBack(judged.odd));
    }
    let record = ReadingRecord {
        machine: of.machine,
        point: told.point.clone(),
        at: told.at,
        entered_at: tx.caller.now,
        by,
        value: judged.value,
        unit: card.unit.clone(),
        said_value: told.value.clone(),
        said_unit: told.unit.clone(),
        limits: card.limits,
        beyond: judged.beyond,
        confirmed: judged.odd.iter().map(|odd| odd.kind).collect(),
        electrician_record: told.electrician_record.clone(),
        closing: None,
        withdrawn: None,
    };
    // Out of limits it makes a task due; within, it may change when one is expected.
    if record.value.is_some() {
        touched.insert(of.machine);
    }
    let note = Some(told.note.clone()).filter(|note| !note.is_empty());
    Ok(Became::Taken(put(tx, site, point, &record, note).await?, Vec::new()))
}

/// The machine with its points, and who read it.
async fn known(tx: &mut Tx, site: SiteId, told: &ReadingTold) -> Result<(Of, PersonId)> {
    let name = told.machine.as_str();
    // Each reading has an outcome of its own: a machine that is not there is a problem of this one's field.
    let named = machines::named(&mut tx.conn, site, name).await?;
    let Named { machine, tag, .. } =
        named.ok_or_else(|| Error::invalid("machine", Error::no_machine(name).to_string()))?;
    let points = points(&mut tx.conn, site, machine).await?;
    let by = speaker(tx, site, "by", &told.by).await?;
    Ok((Of { machine, tag, points }, by))
}

pub(super) async fn points(
    conn: &mut Conn,
    site: SiteId,
    machine: MachineId,
) -> Result<Vec<(PointId, PointCard)>> {
    let rows = sqlx::query(POINTS).bind(i64::from(site.0)).bind(machine.0).fetch_all(conn).await?;
    let card = |row| {
        let mut row = Reading::new(row, "point");
        Ok((PointId(row.next()?), row.json("card")?))
    };
    rows.iter().map(card).collect()
}

fn no_point(of: &Of, point: &Key) -> Violation {
    let known: Vec<&str> = of.points.iter().map(|(_, card)| card.key.as_str()).collect();
    let known = if known.is_empty() { "it has none so far".to_owned() } else { known.join(", ") };
    Violation::new("point", format!("{} has no test point `{point}`; its test points: {known}", of.tag))
}

/// The reading that was taken last at a point, at an instant or before it, in the point's present unit.
pub(super) async fn before(
    conn: &mut Conn,
    site: SiteId,
    point: PointId,
    card: &PointCard,
    at: Ts,
) -> Result<Option<Before>> {
    let row =
        sqlx::query(BEFORE).bind(i64::from(site.0)).bind(point.0).bind(at.0).fetch_optional(conn).await?;
    let Some(row) = row else { return Ok(None) };
    let mut row = Reading::new(&row, "reading");
    let at = Ts(row.next()?);
    let record: ReadingRecord = row.json("record")?;
    Ok(record.value_in(&card.unit).map(|value| Before { at, value }))
}

/// The reading that says the same of the same point and instant: the one that stands, else one that was withdrawn.
async fn told_before(
    conn: &mut Conn,
    site: SiteId,
    point: PointId,
    told: &ReadingTold,
) -> Result<Option<(i64, ReadingRecord)>> {
    let rows = sqlx::query(AT).bind(i64::from(site.0)).bind(point.0).bind(told.at.0).fetch_all(conn).await?;
    let value = fettler_domain::reading::Value::parse(&told.value).ok();
    let mut withdrawn = None;
    for row in &rows {
        let mut row = Reading::new(row, "reading");
        let entry = row.next()?;
        let record: ReadingRecord = row.json("record")?;
        let said = fettler_domain::reading::Value::parse(&record.said_value).ok();
        let unit = if told.unit.is_empty() { record.unit.as_str() } else { told.unit.as_str() };
        let said_unit = if record.said_unit.is_empty() { &record.unit } else { &record.said_unit };
        if said == value && unit == said_unit {
            if record.withdrawn.is_none() {
                return Ok(Some((entry, record)));
            }
            withdrawn = Some((entry, record));
        }
    }
    Ok(withdrawn)
}

/// Writes a reading with its leaf, whose number it gets.
pub(super) async fn put(
    tx: &mut Tx,
    site: SiteId,
    point: PointId,
    record: &ReadingRecord,
    note: Option<String>,
) -> Result<i64> {
    let fact = Fact {
        kind: Kind::ReadingTaken,
        subject: subject(record),
        person: Some(record.by),
        after: to_value(record)?,
        before: None,
        sealed: note.map(|note| ("note", note)),
    };
    let leaf = tx.append(site, fact)?;
    let verdict = match record.beyond.map(|beyond| beyond.step) {
        Some(Step::Act) => "act",
        Some(Step::Stop) => "stop",
        None if record.limits.is_none() || record.value.is_none() => "none",
        None => "good",
    };
    sqlx::query(PUT)
        .bind(i64::from(site.0))
        .bind(leaf)
        .bind(record.machine.0)
        .bind(point.0)
        .bind(record.at.0)
        .bind(record.value.map(|value| value.0))
        .bind(verdict)
        .bind(record.closing.map(|closing| closing.0))
        .bind(to_json(record)?)
        .execute(&mut tx.conn)
        .await?;
    Ok(leaf)
}

fn subject(record: &ReadingRecord) -> String {
    format!("machines/{}/points/{}", record.machine, record.point)
}

/// What whoever read it should know of a reading that was taken.
async fn remarks_of(
    tx: &mut Tx,
    site: SiteId,
    told: &ReadingTold,
    kept: &KeptReading,
    raised: Option<&String>,
) -> Result<Vec<String>> {
    tx.flush().await?;
    let record = &kept.record;
    let mut remarks = Vec::new();
    if record.confirmed.contains(&OddKind::NotLicensed) {
        remarks.push(format!(
            "{} stands inside an electrical cabinet: recorded without a licensed electrician's record, which is a finding",
            record.point
        ));
    }
    // A value within its limits makes nothing due by them, but it may by a model.
    let waiting = waiting(&mut tx.conn, site, record).await?;
    let due = |(order, title): &(i64, Name)| format!("order {order}, {title}, is due because of it");
    let Some(beyond) = record.beyond else {
        remarks.extend(waiting.iter().map(due));
        return Ok(remarks);
    };
    let value = record.value.map(|value| with_sign(value, record.sign())).unwrap_or_default();
    remarks.push(format!("{} {value} is {}", record.point, beyond.in_words(record.sign())));
    remarks.extend(waiting.iter().map(due));
    remarks.extend(raised.cloned());
    if waiting.is_empty() && raised.is_none() {
        remarks.push(format!(
            "no open task waits for it; `fettler raise {} \"what is to be done\" --by \"{}\"` puts it on the list",
            kept.machine, told.by
        ));
    }
    if beyond.step == Step::Stop {
        remarks.push(STOP.to_owned());
    }
    let cards = points(&mut tx.conn, site, record.machine).await?;
    let cautions = cards.into_iter().filter(|(_, card)| card.key == record.point);
    remarks.extend(cautions.flat_map(|(_, card)| card.cautions));
    Ok(remarks)
}

/// A reading, and the open orders that it makes due.
pub(super) async fn stands(
    conn: &mut Conn,
    site: SiteId,
    entry: i64,
) -> Result<(ReadingRecord, Vec<(i64, Name)>)> {
    let record = one(conn, site, entry).await?.record;
    let waiting = waiting(conn, site, &record).await?;
    Ok((record, waiting))
}

/// The open orders that a reading makes due.
pub(super) async fn waiting(
    conn: &mut Conn,
    site: SiteId,
    record: &ReadingRecord,
) -> Result<Vec<(i64, Name)>> {
    let rows = sqlx::query(PLANS).bind(i64::from(site.0)).bind(record.machine.0).fetch_all(conn).await?;
    let mut waiting = Vec::new();
    for row in &rows {
        let mut row = Reading::new(row, "plan");
        let (order, title) = (row.next()?, row.text("title", Name::new)?);
        let plan: PlanRow = row.json("payload")?;
        let is_out = plan.clauses.iter().any(|clause| match &clause.counted {
            // One that is within its limits alters nothing of what those before it were.
            Counted::Reading { point, first: Some(_), .. } => {
                record.beyond.is_some() && *point == record.point
            }
            Counted::Reading { .. }
            | Counted::Calendar { .. }
            | Counted::Recurrence { .. }
            | Counted::Meter { .. } => false,
            Counted::Model { model, told, .. } => {
                let names = || model.points().iter().any(|(_, of)| **of == record.point);
                // Where it was due before, the reading is a further reason.
                let is_told = clause.due == Some(record.at) || told.reached.is_some_and(|at| at <= record.at);
                is_told && names()
            }
        });
        if is_out {
            waiting.push((order, title));
        }
    }
    Ok(waiting)
}

/// Withdraws a reading.
pub(super) async fn withdraw(tx: &mut Tx, site: SiteId, ask: Withdrawal) -> Result<KeptReading> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(entry) = tx.replayed(site).await? {
        return one(&mut tx.conn, site, entry).await;
    }
    let kept = point_reads::find(&mut tx.conn, site, ask.entry).await?;
    let by = speaker(tx, site, "by", &ask.by).await?;
    if let Some(withdrawn) = &kept.record.withdrawn {
        let subject = format!("reading {}", ask.entry);
        let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
        return Err(withdrawal::twice("READING_WITHDRAWN", subject, withdrawn, &calendar).into());
    }
    let machine = kept.record.machine;
    let withdrawn = Withdrawn { at: tx.caller.now, by, reason: ask.reason };
    let leaf = mark(tx, site, ask.entry, kept.record, withdrawn).await?;
    refresh::machines(tx, site, &BTreeSet::from([machine])).await?;
    tx.remember(site, &ask.entry, Some(leaf), Keep::AWhile).await?;
    tx.forget_machines([machine]);
    tx.flush().await?;
    one(&mut tx.conn, site, ask.entry).await
}

/// Marks a reading as withdrawn, as a fact of its own; the reason stands sealed.
pub(super) async fn mark(
    tx: &mut Tx,
    site: SiteId,
    entry: i64,
    record: ReadingRecord,
    withdrawn: Withdrawn,
) -> Result<i64> {
    let (kind, subject) = (Kind::ReadingWithdrawn, subject(&record));
    let what = Recorded { kind, subject, field: "reading", entry, record: &record };
    let leaf = withdrawal::append(tx, site, what, &withdrawn)?;
    let record = ReadingRecord { withdrawn: Some(withdrawn), ..record };
    sqlx::query(WITHDRAW)
        .bind(i64::from(site.0))
        .bind(entry)
        .bind(leaf)
        .bind(to_json(&record)?)
        .execute(&mut tx.conn)
        .await?;
    Ok(leaf)
}
