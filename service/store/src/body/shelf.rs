//! Items on the shelf: declared, found, listed, and changed by what is said of their stock.

use super::decode::{Reading, to_json, to_value};
use super::journal::{Fact, digest_of};
use super::people::speaker;
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, Db, DbRow, sites};
use crate::contract::{KeptItem, Page, PageAsk, Result, StockDone, StockFilter, StockTold, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{ClosingId, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Shelf, Taken};
use fettler_domain::shelf::said::{Applied, apply};
use fettler_domain::shop::TaskCard;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sqlx::QueryBuilder;

const CARDS: &str = "SELECT card FROM item WHERE site = $1";
const NAMED: &str = "SELECT number, card, shelf FROM item WHERE site = $1 AND (name = $2 OR code = $2)";
const NUMBERED: &str = "SELECT number, card, shelf FROM item WHERE site = $1 AND number = $2";
const PUT: &str = "INSERT INTO item (site, number, name, code, card, shelf, leaf) VALUES ($1, $2, $3, $4, $5, $6, $7) \
    ON CONFLICT (site, number) DO UPDATE SET code = excluded.code, card = excluded.card, shelf = excluded.shelf, \
    leaf = excluded.leaf";
const PUT_USE: &str = "INSERT INTO stock_use (site, leaf, item, at, amount, closing, returned, taken) \
    VALUES ($1, $2, $3, $4, $5, $6, 0, $7)";
/// The tasks of open orders that are due before an instant and are not done with a larger one.
const SET_ASIDE: &str = "SELECT t.card FROM plan p JOIN task t ON t.site = p.site AND t.number = p.task \
    WHERE p.site = $1 AND p.section = 0 AND p.key_time < $2 AND p.covered_by IS NULL";
/// Items in the order of their names.
const ITEMS: &str = "SELECT number, card, shelf FROM item WHERE site = ";
/// How many items are read at a time where only some of them are wanted.
const READ_AT_ONCE: u32 = 500;

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[CARDS, NAMED, NUMBERED, PUT, PUT_USE, SET_ASIDE];

fn kept(row: &DbRow) -> Result<KeptItem> {
    let mut row = Reading::new(row, "item");
    let number = row.next()?;
    Ok(KeptItem { number, card: row.json("card")?, shelf: row.json("shelf")?, set_aside: None })
}

/// The cards of a site's items.
pub(super) async fn cards(conn: &mut Conn, site: SiteId) -> Result<Vec<ItemCard>> {
    let rows = sqlx::query(CARDS).bind(i64::from(site.0)).fetch_all(conn).await?;
    rows.iter().map(|row| Reading::new(row, "item").json("card")).collect()
}

/// The item with this name or code, if there is one.
pub(super) async fn named(conn: &mut Conn, site: SiteId, name: &str) -> Result<Option<KeptItem>> {
    let row = sqlx::query(NAMED).bind(i64::from(site.0)).bind(name).fetch_optional(conn).await?;
    row.as_ref().map(kept).transpose()
}

/// The item with this name or code; refused when there is none.
pub(super) async fn known(conn: &mut Conn, site: SiteId, name: &str) -> Result<KeptItem> {
    let found = named(conn, site, name).await?;
    let remedy = "`fettler stock list` shows those there are; declare it in the shop's file";
    let missing = || Error::NotFound { kind: "item", name: name.to_owned(), remedy: remedy.into() };
    Ok(found.ok_or_else(missing)?)
}

/// The item with this number.
pub(super) async fn numbered(conn: &mut Conn, site: SiteId, number: i64) -> Result<KeptItem> {
    let row = sqlx::query(NUMBERED).bind(i64::from(site.0)).bind(number).fetch_optional(conn).await?;
    let lost = || StoreError::Corrupt { table: "item", column: "number", row: number.to_string() };
    kept(&row.ok_or_else(lost)?)
}

/// Writes an item as it stands.
pub(super) async fn put(conn: &mut Conn, site: SiteId, item: &KeptItem, leaf: i64) -> Result<()> {
    sqlx::query(PUT)
        .bind(i64::from(site.0))
        .bind(item.number)
        .bind(item.card.name.as_str())
        .bind(item.card.code.as_ref().map(Name::as_str))
        .bind(to_json(&item.card)?)
        .bind(to_json(&item.shelf)?)
        .bind(leaf)
        .execute(conn)
        .await?;
    Ok(())
}

/// Declares an item, or changes its card; its stock stays.
pub(super) async fn declare(tx: &mut Tx, site: SiteId, card: ItemCard, by: Option<PersonId>) -> Result<()> {
    let known = named(&mut tx.conn, site, card.name.as_str()).await?;
    // One that has this name as its code was compared away before.
    let known = known.filter(|known| known.card.name == card.name);
    let before = known.as_ref().map(|known| digest_of(&to_value(&known.card)?)).transpose()?;
    let number = match &known {
        Some(known) => known.number,
        None => tx.head(site)?.frontier.size(),
    };
    let fact = Fact {
        kind: Kind::ItemDeclared,
        subject: format!("items/{number}"),
        person: by,
        after: to_value(&card)?,
        before,
        sealed: None,
    };
    let leaf = tx.append(site, fact)?;
    let shelf = known.map(|known| known.shelf).unwrap_or_default();
    put(&mut tx.conn, site, &KeptItem { number, card, shelf, set_aside: None }, leaf).await
}

/// A change of an item's stock that is to be recorded.
pub(super) struct Change {
    /// The kind of fact.
    pub(super) kind: Kind,
    /// What was said.
    pub(super) said: Value,
    /// The stock before.
    pub(super) before: Shelf,
    /// Who said it.
    pub(super) person: Option<PersonId>,
    /// A note.
    pub(super) note: String,
}

/// Records a change of an item's stock; gives the leaf.
pub(super) async fn record(tx: &mut Tx, site: SiteId, item: &KeptItem, change: Change) -> Result<i64> {
    let state =
        |shelf: &Shelf| Ok::<_, StoreError>(json!({ "item": item.number, "shelf": to_value(shelf)? }));
    let mut after = state(&item.shelf)?;
    after["said"] = change.said;
    let fact = Fact {
        kind: change.kind,
        subject: format!("items/{}", item.number),
        person: change.person,
        after,
        before: Some(digest_of(&state(&change.before)?)?),
        sealed: (!change.note.is_empty()).then_some(("note", change.note)),
    };
    let leaf = tx.append(site, fact)?;
    put(&mut tx.conn, site, item, leaf).await?;
    Ok(leaf)
}

/// Keeps what was taken, for a closing or by hand.
pub(super) async fn put_use(
    tx: &mut Tx,
    site: SiteId,
    item: i64,
    leaf: i64,
    amount: Amount,
    closing: Option<ClosingId>,
    taken: &Taken,
) -> Result<()> {
    sqlx::query(PUT_USE)
        .bind(i64::from(site.0))
        .bind(leaf)
        .bind(item)
        .bind(tx.caller.now.0)
        .bind(amount.0)
        .bind(closing.map(|closing| closing.0))
        .bind(to_json(taken)?)
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

/// What was brought about, as the request id keeps it.
#[derive(Serialize, Deserialize)]
pub(super) struct Brought {
    pub(super) item: i64,
    pub(super) remarks: Vec<String>,
    pub(super) entry: i64,
    pub(super) purchase: Option<i64>,
    pub(super) by: Option<PersonId>,
}

/// Takes what is said of an item's stock, or says what would come of it.
pub(super) async fn change(
    tx: &mut Tx,
    site: SiteId,
    told: StockTold,
    validate_only: bool,
) -> Result<StockDone> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    // Nothing that the writer remembers hangs on stock.
    tx.forget_machines([]);
    if let Some(brought) = tx.replayed::<Brought>(site).await? {
        let item = numbered(&mut tx.conn, site, brought.item).await?;
        return Ok(done(item, brought));
    }
    let mut item = known(&mut tx.conn, site, told.item.as_str()).await?;
    let person = match &told.by {
        Some(by) => Some(speaker(tx, site, "by", by).await?),
        None => None,
    };
    let now = tx.caller.now;
    let today = sites::by_number(&mut tx.conn, site).await?.calendar.shop_day_of(now);
    let before = item.shelf.clone();
    let Applied { kind, said, remarks, taken, purchase } =
        apply(&item.card, &mut item.shelf, &told.said, today, now)?;
    let change = Change { kind, said, before, person, note: told.note };
    let entry = record(tx, site, &item, change).await?;
    if let Some(taken) = taken {
        let amount = taken.from.iter().map(|part| part.amount).sum::<Amount>() + taken.beyond;
        put_use(tx, site, item.number, entry, amount, None, &taken).await?;
    }
    let brought = Brought { item: item.number, remarks, entry, purchase, by: person };
    tx.remember(site, &brought, Some(entry), Keep::ForEver).await?;
    Ok(done(item, brought))
}

/// What came of it, beside the item as it stands.
pub(super) fn done(item: KeptItem, brought: Brought) -> StockDone {
    let Brought { remarks, entry, purchase, by, .. } = brought;
    StockDone { item, remarks, entry, purchase, by }
}

/// Items by name, with what open orders set aside.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &StockFilter,
    page: PageAsk<String>,
) -> Result<Page<KeptItem, String>> {
    let name = |item: &KeptItem| item.card.name.to_string();
    let mut found = match &filter.item {
        Some(item) => Page { rows: vec![known(conn, site, item.as_str()).await?], next: None },
        None => Page::cut(wanted(conn, site, filter, &page).await?, page.limit, name),
    };
    set_aside(conn, site, &mut found.rows, filter.before).await?;
    Ok(found)
}

/// The wanted items of a page and one more, if there is one.
async fn wanted(
    conn: &mut Conn,
    site: SiteId,
    filter: &StockFilter,
    page: &PageAsk<String>,
) -> Result<Vec<KeptItem>> {
    let enough = usize::try_from(page.limit).unwrap_or(usize::MAX).saturating_add(1);
    let is_wanted = |item: &KeptItem| {
        filter.with_findings.is_none_or(|day| !item.shelf.findings(&item.card, day).is_empty())
    };
    let (mut found, mut after) = (Vec::new(), page.after.clone());
    loop {
        let rows = next_items(conn, site, after.as_deref(), READ_AT_ONCE.min(page.limit + 1)).await?;
        let Some(last) = rows.last() else { return Ok(found) };
        after = Some(last.card.name.to_string());
        found.extend(rows.into_iter().filter(is_wanted));
        if found.len() >= enough {
            found.truncate(enough);
            return Ok(found);
        }
    }
}

/// Items whose names come after one.
pub(super) async fn next_items(
    conn: &mut Conn,
    site: SiteId,
    after: Option<&str>,
    limit: u32,
) -> Result<Vec<KeptItem>> {
    let mut query = QueryBuilder::<Db>::new(ITEMS);
    query.push_bind(i64::from(site.0));
    if let Some(after) = after {
        query.push(" AND name > ").push_bind(after);
    }
    query.push(" ORDER BY name LIMIT ").push_bind(i64::from(limit));
    query.build().fetch_all(conn).await?.iter().map(kept).collect()
}

async fn set_aside(conn: &mut Conn, site: SiteId, items: &mut [KeptItem], before: Ts) -> Result<()> {
    if items.is_empty() {
        return Ok(());
    }
    for item in items.iter_mut() {
        item.set_aside = Some(Amount::ZERO);
    }
    let rows = sqlx::query(SET_ASIDE).bind(i64::from(site.0)).bind(before.0).fetch_all(conn).await?;
    for row in &rows {
        let card: TaskCard = Reading::new(row, "task").json("card")?;
        for said in &card.kit {
            let meant = items.iter_mut().find(|item| item.card.is_named(said.item.as_str()));
            if let Some((item, amount)) = meant.and_then(|item| item.card.amount_of(said).map(|a| (item, a)))
            {
                item.set_aside = item.set_aside.map(|sum| sum + amount);
            }
        }
    }
    Ok(())
}
