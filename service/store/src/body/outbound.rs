//! What other systems book: closings and undone closings are taken from the journal, lines of the buy list are compared with what was
//! told last, and each is given the next number under the site's row.

use super::bulk::Bulk;
use super::decode::{Reading, to_json};
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, DbRow, meters, shelf};
use crate::contract::{OutboundEntry, Page, PageAsk, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{ClosingId, MachineId, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::ClosingRecord;
use fettler_domain::outbound::{
    BUY_KEPT_MICROS, BuyTold, MeterTold, READERS_MAX, Told, UndoneTold, WorkTold, buy_changes, used,
};
use fettler_domain::shelf::ItemCard;
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use serde_json::Value;
use std::collections::BTreeMap;

/// Journal entries that are told in one transaction: each takes some statements, and writers wait meanwhile.
const ENTRIES_AT_ONCE: i64 = 50;

const HEAD: &str = "SELECT next, entry, compared_at FROM outbound_head WHERE site = $1";
const PUT_HEAD: &str = "INSERT INTO outbound_head (site, next, entry, compared_at) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site) DO UPDATE SET next = excluded.next, entry = excluded.entry, compared_at = excluded.compared_at";
/// The second comparison of the kind is that of the index.
const ENTRIES: &str = "SELECT number, at, person, kind, bytes FROM journal_leaf WHERE site = $1 \
    AND kind IN ('order.closed', 'closing.undone') AND kind <> 'report.arrived' AND number > $2 ORDER BY number LIMIT $3";
const CLOSING: &str = "SELECT c.record, c.machine, m.tag, t.key, o.title FROM closing c \
    JOIN work_order o ON o.site = c.site AND o.number = c.work_order \
    JOIN machine m ON m.site = c.site AND m.number = c.machine \
    LEFT JOIN task t ON t.site = c.site AND t.number = c.task WHERE c.site = $1 AND c.number = $2";
/// An undone closing can be closed again only as another one, so the first that was told of it is the closing.
const OF_CLOSING: &str =
    "SELECT number, told FROM outbound WHERE site = $1 AND closing = $2 ORDER BY number LIMIT 1";
const LINES: &str = "SELECT o.told FROM outbound o WHERE o.site = $1 AND o.item IS NOT NULL AND NOT EXISTS \
    (SELECT 1 FROM outbound l WHERE l.site = o.site AND l.item = o.item AND l.number > o.number) ORDER BY o.number";
const FORGET: &str = "DELETE FROM outbound WHERE site = $1 AND item IS NOT NULL AND told_at < $2 AND EXISTS \
    (SELECT 1 FROM outbound l WHERE l.site = outbound.site AND l.item = outbound.item AND l.number > outbound.number)";
const LIST: &str = "SELECT number, lineage, told_at, told FROM outbound WHERE site = $1 AND number > $2 ORDER BY number LIMIT $3";
const PLACE: &str = "SELECT through FROM outbound_reader WHERE site = $1 AND name = $2";
const READERS: &str = "SELECT COUNT(*) FROM outbound_reader WHERE site = $1";
const MOVE: &str = "INSERT INTO outbound_reader (site, name, through, moved_at) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site, name) DO UPDATE SET through = excluded.through, moved_at = excluded.moved_at";
static TELL: Bulk =
    Bulk::new("INSERT INTO outbound (site, number, lineage, closing, item, told_at, told) VALUES", 1, 6, "");

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![
        HEAD,
        PUT_HEAD,
        ENTRIES,
        CLOSING,
        OF_CLOSING,
        LINES,
        FORGET,
        LIST,
        PLACE,
        READERS,
        MOVE,
        TELL.sample(),
    ]
}

/// Up to where it was told.
struct Head {
    next: i64,
    entry: i64,
    compared_at: Option<Ts>,
}

async fn head(conn: &mut Conn, site: SiteId) -> Result<Head> {
    let row = sqlx::query(HEAD).bind(i64::from(site.0)).fetch_optional(conn).await?;
    let Some(row) = row else { return Ok(Head { next: 1, entry: -1, compared_at: None }) };
    let mut row = Reading::new(&row, "outbound_head");
    Ok(Head { next: row.next()?, entry: row.next()?, compared_at: row.next::<Option<i64>>()?.map(Ts) })
}

/// When the buy list was compared last.
pub(super) async fn compared_at(conn: &mut Conn, site: SiteId) -> Result<Option<Ts>> {
    Ok(head(conn, site).await?.compared_at)
}

async fn entries_after(conn: &mut Conn, site: SiteId, entry: i64, limit: i64) -> Result<Vec<DbRow>> {
    Ok(sqlx::query(ENTRIES).bind(i64::from(site.0)).bind(entry).bind(limit).fetch_all(conn).await?)
}

/// Whether something was closed or undone that is not told yet.
pub(super) async fn is_behind(conn: &mut Conn, site: SiteId) -> Result<bool> {
    let entry = head(conn, site).await?.entry;
    Ok(!entries_after(conn, site, entry, 1).await?.is_empty())
}

/// What is told, with the closing or the item by which it is found again.
struct Row {
    number: i64,
    closing: Option<i64>,
    item: Option<i64>,
    told: String,
}

/// Tells what was closed and undone since, and what the buy list says otherwise.
pub(super) async fn tell(tx: &mut Tx, site: SiteId, lines: Option<Vec<BuyTold>>) -> Result<bool> {
    tx.forget_machines([]);
    tx.take(site).await?;
    let (now, lineage) = (tx.caller.now, tx.head(site)?.lineage);
    let mut head = head(&mut tx.conn, site).await?;
    let mut rows = Vec::new();
    let entries = entries_after(&mut tx.conn, site, head.entry, ENTRIES_AT_ONCE).await?;
    for row in &entries {
        let entry = Entry::read(row)?;
        head.entry = entry.number;
        for closing in entry.closings(row)? {
            let work = entry.work(&mut tx.conn, site, closing, &rows).await?;
            let told = to_json(&Told::Work(Box::new(work)))?;
            rows.push(Row { number: head.next, closing: Some(closing.0), item: None, told });
            head.next += 1;
        }
    }
    // Lines that were gathered before others were told say nothing new.
    let is_newer = head.compared_at.is_none_or(|at| at < now);
    if let Some(lines) = lines.filter(|_| is_newer) {
        for line in buy_changes(told_lines(&mut tx.conn, site).await?, lines) {
            let (item, told) = (Some(line.item), to_json(&Told::Buy(Box::new(line)))?);
            rows.push(Row { number: head.next, closing: None, item, told });
            head.next += 1;
        }
        head.compared_at = Some(now);
    }
    let number = i64::from(site.0);
    let bind = |query: super::bulk::Binding, row: &Row| {
        let query = query.bind(row.number).bind(i64::from(lineage)).bind(row.closing).bind(row.item);
        query.bind(now.0).bind(row.told.clone())
    };
    TELL.run(&mut tx.conn, &rows, |query| query.bind(number), bind).await?;
    let over = now.plus_micros(-BUY_KEPT_MICROS);
    sqlx::query(FORGET).bind(number).bind(over.0).execute(&mut tx.conn).await?;
    sqlx::query(PUT_HEAD)
        .bind(number)
        .bind(head.next)
        .bind(head.entry)
        .bind(head.compared_at.map(|at| at.0))
        .execute(&mut tx.conn)
        .await?;
    Ok(i64::try_from(entries.len()).unwrap_or(i64::MAX) == ENTRIES_AT_ONCE)
}

/// A journal entry of a closing or of an undoing.
struct Entry {
    number: i64,
    at: Ts,
    person: Option<PersonId>,
    is_undone: bool,
    after: Value,
}

impl Entry {
    fn read(row: &DbRow) -> Result<Entry> {
        let mut row = Reading::new(row, "journal_leaf");
        let (number, at, person) = (row.next()?, Ts(row.next()?), row.next::<Option<i64>>()?.map(PersonId));
        let is_undone = row.next::<String>()? == Kind::ClosingUndone.word();
        let bytes: &[u8] = row.next()?;
        let leaf: Value = serde_json::from_slice(bytes).map_err(|_| row.corrupt("bytes", number))?;
        Ok(Entry { number, at, person, is_undone, after: leaf["after"].clone() })
    }

    /// The closings that it is about.
    fn closings(&self, row: &DbRow) -> Result<Vec<ClosingId>> {
        let corrupt = || Reading::new(row, "journal_leaf").corrupt("bytes", self.number);
        if !self.is_undone {
            return Ok(vec![ClosingId(self.after["closing"].as_i64().ok_or_else(corrupt)?)]);
        }
        let all = self.after["closings"].as_array().ok_or_else(corrupt)?;
        all.iter().map(|closing| closing.as_i64().map(ClosingId).ok_or_else(corrupt)).collect()
    }

    /// What is told of a closing: itself, or, as it was told, that it is reversed. What is told by the same transaction is not yet in
    /// its table.
    async fn work(
        &self,
        conn: &mut Conn,
        site: SiteId,
        closing: ClosingId,
        pending: &[Row],
    ) -> Result<WorkTold> {
        if !self.is_undone {
            return closed(conn, site, closing, self.number).await;
        }
        let missing =
            || StoreError::Corrupt { table: "outbound", column: "closing", row: closing.to_string() };
        let pending = pending.iter().find(|row| row.closing == Some(closing.0));
        let (reverses, told) = if let Some(row) = pending {
            (row.number, row.told.clone())
        } else {
            let row = sqlx::query(OF_CLOSING).bind(i64::from(site.0)).bind(closing.0);
            let row = row.fetch_optional(conn).await?.ok_or_else(missing)?;
            let mut row = Reading::new(&row, "outbound");
            (row.next()?, row.next()?)
        };
        let told: Told = serde_json::from_str(&told).map_err(|_| missing())?;
        let (Told::Work(work), Some(by)) = (told, self.person) else { return Err(missing()) };
        Ok(WorkTold { entry: self.number, undone: Some(UndoneTold { at: self.at, by, reverses }), ..*work })
    }
}

/// A closing as it is told.
async fn closed(conn: &mut Conn, site: SiteId, closing: ClosingId, entry: i64) -> Result<WorkTold> {
    let row = sqlx::query(CLOSING).bind(i64::from(site.0)).bind(closing.0).fetch_optional(&mut *conn).await?;
    let missing = || StoreError::Corrupt { table: "closing", column: "number", row: closing.to_string() };
    let row = row.ok_or_else(missing)?;
    let mut row = Reading::new(&row, "closing");
    let record: ClosingRecord = row.json("record")?;
    let machine = MachineId(row.next()?);
    let (tag, task, title) = (row.next()?, row.next()?, row.next()?);
    let mut told = Vec::with_capacity(record.used.len());
    for said in &record.used {
        let card: Option<ItemCard> =
            shelf::named(conn, site, said.item.as_str()).await?.map(|item| item.card);
        told.push(used(said, card.as_ref(), &record));
    }
    Ok(WorkTold {
        order: record.order,
        closing: record.closing,
        entry,
        machine: tag,
        task,
        title,
        done_at: record.done_at,
        done_by: record.done_by,
        entered_at: record.entered_at,
        entered_by: record.entered_by,
        as_found: record.as_found,
        minutes: record.minutes,
        covered_by: record.covered_by,
        meters: counted(conn, site, machine, record.done_at).await?,
        used: told,
        undone: None,
    })
}

/// What a machine's meters had counted at an instant.
async fn counted(conn: &mut Conn, site: SiteId, machine: MachineId, at: Ts) -> Result<Vec<MeterTold>> {
    let of = meters::of(conn, site, machine).await?;
    let shows = meters::shows_of(conn, site, &of, Some(at)).await?;
    let told = of.iter().zip(shows).map(|(meter, shows)| MeterTold {
        meter: meter.key.to_string(),
        counted: shows.counted,
        unit: meter.kind.unit(),
        known_to: shows.known_to,
    });
    Ok(told.collect())
}

/// The lines of the buy list as they were told last.
async fn told_lines(conn: &mut Conn, site: SiteId) -> Result<Vec<BuyTold>> {
    let rows = sqlx::query(LINES).bind(i64::from(site.0)).fetch_all(conn).await?;
    let mut lines: BTreeMap<i64, BuyTold> = BTreeMap::new();
    for row in &rows {
        if let Told::Buy(line) = Reading::new(row, "outbound").json("told")? {
            lines.insert(line.item, *line);
        }
    }
    Ok(lines.into_values().collect())
}

/// What was told after a number.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    page: PageAsk<i64>,
) -> Result<Page<OutboundEntry, i64>> {
    let query = sqlx::query(LIST).bind(i64::from(site.0)).bind(page.after.unwrap_or(0));
    let rows = query.bind(i64::from(page.limit) + 1).fetch_all(conn).await?;
    let entry = |row: &DbRow| -> Result<OutboundEntry> {
        let mut row = Reading::new(row, "outbound");
        let (number, lineage) = (row.next()?, row.number("lineage")?);
        Ok(OutboundEntry { number, lineage, told_at: Ts(row.next()?), told: row.json("told")? })
    };
    let rows = rows.iter().map(entry).collect::<Result<Vec<_>>>()?;
    Ok(Page::cut(rows, page.limit, |entry| entry.number))
}

/// Up to where a reader has booked.
pub(super) async fn place(conn: &mut Conn, site: SiteId, reader: &Key) -> Result<i64> {
    let query = sqlx::query(PLACE).bind(i64::from(site.0)).bind(reader.to_string());
    let row = query.fetch_optional(conn).await?;
    row.map_or(Ok(0), |row| Reading::new(&row, "outbound_reader").next())
}

/// Says that a reader has booked all up to a number.
pub(super) async fn acknowledge(tx: &mut Tx, site: SiteId, reader: Key, through: i64) -> Result<i64> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(through) = tx.replayed(site).await? {
        return Ok(through);
    }
    let number = i64::from(site.0);
    let last = head(&mut tx.conn, site).await?.next - 1;
    if through > last {
        let text = format!("{through} was not told yet; the last number that was is {last}");
        return Err(Error::invalid("through", text).into());
    }
    let stands = place(&mut tx.conn, site, &reader).await?;
    let row = sqlx::query(READERS).bind(number).fetch_one(&mut tx.conn).await?;
    let readers: usize = Reading::new(&row, "outbound_reader").number("name")?;
    if stands == 0 && readers >= READERS_MAX {
        let text = format!("is one more than the {READERS_MAX} readers that a site has; use one of those");
        return Err(Error::invalid("reader", text).into());
    }
    let through = through.max(stands);
    if through > stands {
        let query = sqlx::query(MOVE).bind(number).bind(reader.to_string()).bind(through);
        query.bind(tx.caller.now.0).execute(&mut tx.conn).await?;
    }
    tx.remember(site, &through, None, Keep::AWhile).await?;
    Ok(through)
}
