//! The signing key's public half, kept checkpoints, and the hashes of which proofs consist.

use super::decode::Reading;
use super::journal::{Fact, digest_of};
use super::tx::Tx;
use super::{Conn, DbRow};
use crate::contract::{
    CheckpointCursor, JournalKey, KeptCheckpoint, KeptLeaf, Page, PageAsk, Result, StoreError,
};
use fettler_domain::error::Error;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::proof::{Full, Head, Span, Stored, root_of_peaks};
use fettler_domain::journal::{Hash, Kind};
use fettler_domain::time::Ts;
use serde_json::{Value, json};

const KEY: &str = "SELECT number, installation, public FROM journal_key ORDER BY number DESC LIMIT 1";
const ADD_KEY: &str =
    "INSERT INTO journal_key (number, installation, public, made_at, leaf) VALUES ($1, $2, $3, $4, $5)";
const KEEP: &str = "INSERT INTO checkpoint (site, lineage, size, root, made_at, note) VALUES ($1, $2, $3, $4, $5, $6) \
    ON CONFLICT (site, lineage, size) DO NOTHING";
const LIST: &str = "SELECT lineage, size, root, made_at, note FROM checkpoint \
    WHERE site = $1 AND (lineage, size) < ($2, $3) ORDER BY lineage DESC, size DESC LIMIT $4";
const LEAF_HASHES: &str =
    "SELECT hash FROM journal_leaf WHERE site = $1 AND number >= $2 AND number < $3 ORDER BY number";
const NODE_HASHES: &str = "SELECT hash FROM journal_node WHERE site = $1 AND level = $4 AND position >= $2 \
    AND position < $3 ORDER BY position";
const LEAVES: &str =
    "SELECT bytes, hash FROM journal_leaf WHERE site = $1 AND number >= $2 ORDER BY number LIMIT $3";
const CLOSING: &str = "SELECT leaf FROM closing WHERE site = $1 AND work_order = $2 AND undone = 0 ORDER BY number DESC LIMIT 1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[KEY, ADD_KEY, KEEP, LIST, LEAF_HASHES, NODE_HASHES, LEAVES, CLOSING];

struct KeyRow {
    number: i64,
    key: JournalKey,
}

async fn key_row(conn: &mut Conn) -> Result<Option<KeyRow>> {
    let row = sqlx::query(KEY).fetch_optional(conn).await?;
    row.map(|row| {
        let mut row = Reading::new(&row, "journal_key");
        let number = row.next()?;
        Ok(KeyRow { number, key: JournalKey { installation: row.next()?, public: row.hash("public")? } })
    })
    .transpose()
}

/// The key that signs.
pub(super) async fn key(conn: &mut Conn) -> Result<Option<JournalKey>> {
    Ok(key_row(conn).await?.map(|row| row.key))
}

fn state(key: &JournalKey) -> Value {
    json!({"installation": key.installation, "public": hex(&key.public)})
}

fn hex(bytes: &[u8; 32]) -> String {
    Hash(*bytes).to_hex()
}

/// Lets a key sign from now on.
pub(super) async fn set_key(tx: &mut Tx, key: JournalKey, instead_of: Option<JournalKey>) -> Result<()> {
    tx.forget_machines([]);
    tx.take(SiteId::INSTALLATION).await?;
    let before = key_row(&mut tx.conn).await?;
    if before.as_ref().map(|row| &row.key) != instead_of.as_ref() {
        return Err(StoreError::Conflict);
    }
    let number = before.as_ref().map_or(1, |row| row.number + 1);
    let before = before.map(|row| digest_of(&state(&row.key))).transpose()?;
    let subject = format!("keys/{number}");
    let fact = Fact { kind: Kind::KeyMade, subject, person: None, after: state(&key), before, sealed: None };
    let leaf = tx.append(SiteId::INSTALLATION, fact)?;
    sqlx::query(ADD_KEY)
        .bind(number)
        .bind(key.installation.as_str())
        .bind(key.public.as_slice())
        .bind(tx.caller.now.0)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

/// Keeps a checkpoint. It changes nothing that a site's row guards, so that none is taken.
pub(super) async fn keep(tx: &mut Tx, site: SiteId, kept: KeptCheckpoint) -> Result<()> {
    tx.forget_machines([]);
    sqlx::query(KEEP)
        .bind(i64::from(site.0))
        .bind(i64::from(kept.lineage))
        .bind(kept.head.size)
        .bind(kept.head.root.0.to_vec())
        .bind(kept.made_at.0)
        .bind(kept.note.as_str())
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

fn record(row: &DbRow) -> Result<KeptCheckpoint> {
    let mut row = Reading::new(row, "checkpoint");
    Ok(KeptCheckpoint {
        lineage: row.number("lineage")?,
        head: Head { size: row.next()?, root: Hash(row.hash("root")?) },
        made_at: Ts(row.next()?),
        note: row.next()?,
    })
}

/// Checkpoints, the latest lineage and in it the largest first.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    page: PageAsk<CheckpointCursor>,
) -> Result<Page<KeptCheckpoint, CheckpointCursor>> {
    let before = page.after.map_or((i64::MAX, 0), |(lineage, entries)| (i64::from(lineage), entries));
    let rows = sqlx::query(LIST)
        .bind(i64::from(site.0))
        .bind(before.0)
        .bind(before.1)
        .bind(i64::from(page.limit) + 1)
        .fetch_all(conn)
        .await?;
    let rows: Vec<KeptCheckpoint> = rows.iter().map(record).collect::<Result<_>>()?;
    Ok(Page::cut(rows, page.limit, |kept| (kept.lineage, kept.head.size)))
}

/// The root of each span.
pub(super) async fn subtrees(conn: &mut Conn, site: SiteId, spans: &[Span]) -> Result<Vec<Hash>> {
    let mut roots = Vec::with_capacity(spans.len());
    for span in spans {
        let mut peaks = Vec::new();
        for full in span.peaks() {
            peaks.push(root(conn, site, full).await?);
        }
        roots.push(root_of_peaks(&peaks));
    }
    Ok(roots)
}

async fn root(conn: &mut Conn, site: SiteId, full: Full) -> Result<Hash> {
    let Stored { level, first, count } = full.stored();
    let (table, text) =
        if level == 0 { ("journal_leaf", LEAF_HASHES) } else { ("journal_node", NODE_HASHES) };
    let query = sqlx::query(text).bind(i64::from(site.0)).bind(first).bind(first + count);
    let query = if level == 0 { query } else { query.bind(i64::from(level)) };
    let rows = query.fetch_all(conn).await?;
    let hashes: Vec<Hash> =
        rows.iter().map(|row| Reading::new(row, table).hash("hash").map(Hash)).collect::<Result<_>>()?;
    let whole = i64::try_from(hashes.len()) == Ok(count);
    let root = Full::root(&hashes).filter(|_| whole);
    root.ok_or_else(|| StoreError::Corrupt {
        table,
        column: "hash",
        row: format!("{site}, {level}, {first}"),
    })
}

/// The entries from a number on.
pub(super) async fn leaves(conn: &mut Conn, site: SiteId, from: i64, limit: u32) -> Result<Vec<KeptLeaf>> {
    let query = sqlx::query(LEAVES).bind(i64::from(site.0)).bind(from).bind(i64::from(limit));
    let rows = query.fetch_all(conn).await?;
    rows.iter()
        .map(|row| {
            let mut row = Reading::new(row, "journal_leaf");
            Ok(KeptLeaf { bytes: row.next()?, hash: Hash(row.hash("hash")?) })
        })
        .collect()
}

/// The entry that records the closing of an order.
pub(super) async fn closing_entry(conn: &mut Conn, site: SiteId, order: OrderNumber) -> Result<i64> {
    let query = sqlx::query(CLOSING).bind(i64::from(site.0)).bind(order.0);
    let row = query.fetch_optional(conn).await?;
    let row = row.ok_or_else(|| Error::NotFound {
        kind: "closing",
        name: order.to_string(),
        remedy: "name an order that was closed, or an entry by its number".into(),
    })?;
    Reading::new(&row, "closing").next()
}
