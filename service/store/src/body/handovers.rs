//! Handovers: made when a round ends, acknowledged by the next shift.

use super::decode::{Reading, to_json};
use super::journal::Fact;
use super::people::speaker;
use super::request::Keep;
use super::round_reads::{self, round_at};
use super::tx::Tx;
use super::{Conn, Db, DbRow, sites};
use crate::contract::{KeptHandover, Page, PageAsk, Result};
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::round::handover::HandoverRecord;
use fettler_domain::round::{Tally, handed_over, starting};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use serde_json::json;
use sqlx::QueryBuilder;

const COLUMNS: &str = "SELECT h.leaf, h.record, n.text, h.acknowledged_by, h.acknowledged_at FROM handover h \
    LEFT JOIN sealed_note n ON n.site = h.site AND n.leaf = h.leaf WHERE h.site = ";
const PUT: &str = "INSERT INTO handover (site, leaf, shift, record) VALUES ($1, $2, $3, $4)";
const ACKNOWLEDGE: &str =
    "UPDATE handover SET acknowledged_by = $3, acknowledged_at = $4 WHERE site = $1 AND leaf = $2";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[PUT, ACKNOWLEDGE];

fn kept(row: &DbRow) -> Result<KeptHandover> {
    let mut row = Reading::new(row, "handover");
    let number = row.next()?;
    let mut record: HandoverRecord = row.json("record")?;
    record.note = row.next::<Option<String>>()?.unwrap_or_default();
    let by = row.next::<Option<i64>>()?.map(PersonId);
    let at = row.next::<Option<i64>>()?.map(Ts);
    Ok(KeptHandover { number, record, acknowledged: by.zip(at) })
}

/// Handovers that nobody has acknowledged, the oldest first.
pub(super) async fn open(conn: &mut Conn, site: SiteId, limit: u32) -> Result<Vec<KeptHandover>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND h.acknowledged_at IS NULL ORDER BY h.leaf LIMIT ");
    let rows = query.push_bind(i64::from(limit)).build().fetch_all(conn).await?;
    rows.iter().map(kept).collect()
}

/// Handovers, the newest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    only_open: bool,
    page: PageAsk<i64>,
) -> Result<Page<KeptHandover, i64>> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0));
    if only_open {
        query.push(" AND h.acknowledged_at IS NULL");
    }
    if let Some(after) = page.after {
        query.push(" AND h.leaf < ").push_bind(after);
    }
    query.push(" ORDER BY h.leaf DESC LIMIT ").push_bind(i64::from(page.limit) + 1);
    let rows = query.build().fetch_all(conn).await?;
    let rows = rows.iter().map(kept).collect::<Result<Vec<_>>>()?;
    Ok(Page::cut(rows, page.limit, |handover| handover.number))
}

/// The handover with this number; refused where there is none.
async fn one(conn: &mut Conn, site: SiteId, number: i64) -> Result<KeptHandover> {
    let mut query = QueryBuilder::<Db>::new(COLUMNS);
    query.push_bind(i64::from(site.0)).push(" AND h.leaf = ").push_bind(number);
    let row = query.build().fetch_optional(conn).await?;
    let remedy = "`fettler round --handovers` shows those there are".to_owned();
    let missing = || Error::NotFound { kind: "handover", name: number.to_string(), remedy };
    kept(&row.ok_or_else(missing)?)
}

/// A round that is to be ended.
pub(super) struct Ending {
    /// The shift; none means the one that holds now and started earliest, else the one that ended last.
    pub(super) shift: Option<Ts>,
    /// Who hands over.
    pub(super) by: Name,
    /// What the next shift should know.
    pub(super) note: String,
}

/// Ends a round with a handover.
pub(super) async fn end(tx: &mut Tx, site: SiteId, ask: Ending) -> Result<KeptHandover> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(number) = tx.replayed(site).await? {
        return one(&mut tx.conn, site, number).await;
    }
    let by = speaker(tx, site, "by", &ask.by).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let at = tx.caller.now;
    let round = match ask.shift {
        None => handed_over(&calendar, at),
        Some(shift) => starting(&calendar, shift),
    };
    let round = round.map_or_else(|| round_at(&calendar, at), Ok)?;
    if round.start > at {
        let begins = calendar.minute_in_words(round.start);
        let text = format!(
            "the round of {} {} begins on {begins}; it is handed over once it has begun",
            round.shift, round.day
        );
        let subject = format!("the round of {} {}", round.shift, round.day);
        return Err(Error::WrongState { reason: "ROUND_NOT_BEGUN", subject, text }.into());
    }
    let mut record = HandoverRecord {
        round,
        by,
        at,
        note: String::new(),
        tally: Tally::default(),
        findings: Vec::new(),
        left_open: Vec::new(),
    };
    for (machine, walked) in round_reads::stands(&mut tx.conn, site, &record.round).await? {
        record.add(&machine, &walked);
    }
    let Tally { due, done, findings, machines } = record.tally;
    let fact = Fact {
        kind: Kind::HandoverMade,
        subject: format!("rounds/{}", record.round.start.0),
        person: Some(by),
        after: json!({
            "shift": record.round.start.0,
            "shift_end": record.round.end.0,
            "due": due,
            "done": done,
            "findings": findings,
            "machines": machines,
        }),
        before: None,
        sealed: (!ask.note.is_empty()).then_some(("note", ask.note)),
    };
    let leaf = tx.append(site, fact)?;
    sqlx::query(PUT)
        .bind(i64::from(site.0))
        .bind(leaf)
        .bind(record.round.start.0)
        .bind(to_json(&record)?)
        .execute(&mut tx.conn)
        .await?;
    tx.remember(site, &leaf, Some(leaf), Keep::ForEver).await?;
    tx.flush().await?;
    one(&mut tx.conn, site, leaf).await
}

/// Acknowledges a handover; one that was acknowledged before stands as it is.
pub(super) async fn acknowledge(tx: &mut Tx, site: SiteId, number: i64, by: Name) -> Result<KeptHandover> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(number) = tx.replayed(site).await? {
        return one(&mut tx.conn, site, number).await;
    }
    let by = speaker(tx, site, "by", &by).await?;
    let handover = one(&mut tx.conn, site, number).await?;
    if handover.acknowledged.is_some() {
        return Ok(handover);
    }
    let fact = Fact {
        kind: Kind::HandoverAcknowledged,
        subject: format!("rounds/{}", handover.record.round.start.0),
        person: Some(by),
        after: json!({ "handover": number, "acknowledged_at": tx.caller.now.0 }),
        before: None,
        sealed: None,
    };
    let leaf = tx.append(site, fact)?;
    sqlx::query(ACKNOWLEDGE)
        .bind(i64::from(site.0))
        .bind(number)
        .bind(by.0)
        .bind(tx.caller.now.0)
        .execute(&mut tx.conn)
        .await?;
    tx.remember(site, &number, Some(leaf), Keep::AWhile).await?;
    Ok(KeptHandover { acknowledged: Some((by, tx.caller.now)), ..handover })
}
