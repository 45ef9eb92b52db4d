//! What closings use: taken off the shelf with the closing, given back when it is undone. A closing that says nothing of it
//! costs no statement.

use super::decode::Reading;
use super::people::speaker;
use super::request::Keep;
use super::shelf::{self, Brought, Change};
use super::tx::Tx;
use super::{DbRow, sites};
use crate::contract::{KeptItem, Result, StockDone, StoreError, Withdrawal};
use fettler_domain::closing::slips::OnShelf;
use fettler_domain::error::Error;
use fettler_domain::fluid::{FluidRecord, is_water};
use fettler_domain::ids::{ClosingId, OrderNumber, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::LotUsed;
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::book::{Shelf, Taken};
use fettler_domain::shelf::said::{taken_value, use_up};
use fettler_domain::shop::KitItem;
use fettler_domain::time::Ts;
use serde_json::json;

const NAMES: &str = "SELECT name, code FROM item WHERE site = $1 ORDER BY name";
const ANY: &str = "SELECT number FROM item WHERE site = $1 LIMIT 1";
const OF_CLOSING: &str = "SELECT leaf, item, at, amount, taken FROM stock_use \
    WHERE site = $1 AND closing = $2 AND returned = 0 ORDER BY leaf";
const BY_HAND: &str = "SELECT leaf, item, at, amount, taken FROM stock_use \
    WHERE site = $1 AND leaf = $2 AND returned = 0";
const ONE: &str = "SELECT c.work_order, u.returned FROM stock_use u \
    LEFT JOIN closing c ON c.site = u.site AND c.number = u.closing WHERE u.site = $1 AND u.leaf = $2";
const POURED: &str =
    "SELECT leaf, record FROM fluid_entry WHERE site = $1 AND leaf > $2 ORDER BY leaf LIMIT 1";
const MARK: &str = "UPDATE stock_use SET returned = 1 WHERE site = $1 AND leaf = $2";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[NAMES, ANY, OF_CLOSING, BY_HAND, ONE, POURED, MARK];

/// What a closing uses of items on the shelf, ready to be kept.
#[derive(Default)]
pub(super) struct UsedInClosing {
    /// What was not as it should be about it.
    pub(super) findings: Vec<String>,
    uses: Vec<Use>,
}

/// One use: the item after it, and its stock before.
struct Use {
    item: KeptItem,
    before: Shelf,
    amount: Amount,
    taken: Taken,
}

impl UsedInClosing {
    /// The lots that it came from.
    pub(super) fn lots(&self) -> Vec<LotUsed> {
        let of = |used: &Use| {
            let name = used.item.card.name.clone();
            let lot = |part: &fettler_domain::shelf::book::Lot| LotUsed {
                item: name.clone(),
                lot: part.lot.clone(),
                amount: part.amount,
            };
            used.taken.from.iter().map(lot).collect::<Vec<_>>()
        };
        self.uses.iter().flat_map(of).collect()
    }
}

/// What items on a site's shelf are called: those that a closing names, and all of them only where it names one that is not there, so that
/// those near it can be told.
pub(super) async fn on_shelf(tx: &mut Tx, site: SiteId, used: &[KitItem]) -> Result<Vec<OnShelf>> {
    let mut found = Vec::with_capacity(used.len());
    for said in used.iter().filter(|said| !is_water(&said.item)) {
        match shelf::named(&mut tx.conn, site, said.item.as_str()).await? {
            Some(of) => found.push(OnShelf {
                name: of.card.name.as_str().to_owned(),
                code: of.card.code.map(|code| code.as_str().to_owned()),
            }),
            None => return all_on_shelf(tx, site).await,
        }
    }
    Ok(found)
}

async fn all_on_shelf(tx: &mut Tx, site: SiteId) -> Result<Vec<OnShelf>> {
    let rows = sqlx::query(NAMES).bind(i64::from(site.0)).fetch_all(&mut tx.conn).await?;
    let called = |row| {
        let mut row = Reading::new(row, "item");
        Ok(OnShelf { name: row.next()?, code: row.next()? })
    };
    rows.iter().map(called).collect()
}

/// Takes what a closing says was used off the shelf, in mind only. What is no item, or is said in another unit, stays in the
/// closing as it was said, and is a finding where the site keeps a stock at all.
pub(super) async fn said_in_closing(
    tx: &mut Tx,
    site: SiteId,
    used: &[KitItem],
    done_at: Ts,
) -> Result<UsedInClosing> {
    let mut all = UsedInClosing::default();
    if used.is_empty() {
        return Ok(all);
    }
    let number = i64::from(site.0);
    if sqlx::query(ANY).bind(number).fetch_optional(&mut tx.conn).await?.is_none() {
        return Ok(all);
    }
    let on = sites::by_number(&mut tx.conn, site).await?.calendar.shop_day_of(done_at);
    for said in used {
        let known = all.uses.iter().rfind(|other| other.item.card.is_named(said.item.as_str()));
        let known = match known {
            Some(known) => Some(known.item.clone()),
            None => shelf::named(&mut tx.conn, site, said.item.as_str()).await?,
        };
        if known.is_none() && is_water(&said.item) {
            continue;
        }
        let Some(mut item) = known else {
            all.findings.push(format!("{} is no item on the shelf, so no stock was changed", said.item));
            continue;
        };
        let Some(amount) = item.card.amount_of(said) else {
            all.findings.push(format!(
                "{} is counted in {}, not in {}, so no stock was changed",
                said.item, item.card.unit, said.unit
            ));
            continue;
        };
        let before = item.shelf.clone();
        let used = use_up(&item.card, &mut item.shelf, amount, said.lot.as_ref(), on, tx.caller.now);
        all.findings.extend(used.findings);
        all.uses.push(Use { item, before, amount, taken: used.taken });
    }
    Ok(all)
}

/// Keeps what a closing used, one fact each.
pub(super) async fn put_of_closing(
    tx: &mut Tx,
    site: SiteId,
    used: UsedInClosing,
    (order, closing): (OrderNumber, ClosingId),
    person: PersonId,
) -> Result<()> {
    for Use { item, before, amount, taken } in used.uses {
        let said = json!({
            "amount": amount.0,
            "taken": taken_value(&taken),
            "order": order.0,
            "closing": closing.0,
        });
        let change =
            Change { kind: Kind::StockUsed, said, before, person: Some(person), note: String::new() };
        let leaf = shelf::record(tx, site, &item, change).await?;
        shelf::put_use(tx, site, item.number, leaf, amount, Some(closing), &taken).await?;
    }
    Ok(())
}

/// Gives back what a closing that is undone had used; says so.
pub(super) async fn undo_of_closing(
    tx: &mut Tx,
    site: SiteId,
    closing: ClosingId,
    person: PersonId,
) -> Result<Vec<String>> {
    let rows =
        sqlx::query(OF_CLOSING).bind(i64::from(site.0)).bind(closing.0).fetch_all(&mut tx.conn).await?;
    let back = give_back(tx, site, &rows, Some(closing), (person, "")).await?;
    Ok(back.into_iter().filter_map(|back| back.remark).collect())
}

/// Puts on record what was taken off the shelf by hand for something that is told under a subject; gives the entry of the
/// first use.
pub(super) async fn put_by_hand(
    tx: &mut Tx,
    site: SiteId,
    used: UsedInClosing,
    subject: &str,
    person: PersonId,
) -> Result<Option<i64>> {
    let mut first = None;
    for Use { item, before, amount, taken } in used.uses {
        let said = json!({ "amount": amount.0, "taken": taken_value(&taken), "for": subject });
        let change =
            Change { kind: Kind::StockIssued, said, before, person: Some(person), note: String::new() };
        let leaf = shelf::record(tx, site, &item, change).await?;
        shelf::put_use(tx, site, item.number, leaf, amount, None, &taken).await?;
        first = first.or(Some(leaf));
    }
    Ok(first)
}

/// Gives back what was taken by hand with an entry that is withdrawn; says so.
pub(super) async fn give_back_by_hand(
    tx: &mut Tx,
    site: SiteId,
    entry: i64,
    person: PersonId,
) -> Result<Vec<String>> {
    let rows = sqlx::query(BY_HAND).bind(i64::from(site.0)).bind(entry).fetch_all(&mut tx.conn).await?;
    let back = give_back(tx, site, &rows, None, (person, "")).await?;
    Ok(back.into_iter().filter_map(|back| back.remark).collect())
}

/// Takes back what was said to have been taken by hand, with its reason.
pub(super) async fn withdraw(tx: &mut Tx, site: SiteId, ask: Withdrawal) -> Result<StockDone> {
    tx.take(site).await?;
    // Nothing that the writer remembers hangs on stock.
    tx.forget_machines([]);
    if let Some(brought) = tx.replayed::<Brought>(site).await? {
        let item = shelf::numbered(&mut tx.conn, site, brought.item).await?;
        return Ok(shelf::done(item, brought));
    }
    may_be_withdrawn(tx, site, ask.entry).await?;
    let by = speaker(tx, site, "by", &ask.by).await?;
    let number = i64::from(site.0);
    let rows = sqlx::query(BY_HAND).bind(number).bind(ask.entry).fetch_all(&mut tx.conn).await?;
    let back = give_back(tx, site, &rows, None, (by, &ask.reason)).await?.into_iter().next();
    let lost = || StoreError::Corrupt { table: "stock_use", column: "leaf", row: ask.entry.to_string() };
    let Back { item, leaf, remark } = back.ok_or_else(lost)?;
    let remarks = remark.into_iter().collect();
    let brought = Brought { item: item.number, remarks, entry: leaf, purchase: None, by: Some(by) };
    tx.remember(site, &brought, Some(leaf), Keep::AWhile).await?;
    Ok(shelf::done(item, brought))
}

/// Refuses what is no use by hand of its own, or was taken back before.
async fn may_be_withdrawn(tx: &mut Tx, site: SiteId, entry: i64) -> Result<()> {
    let number = i64::from(site.0);
    let row = sqlx::query(ONE).bind(number).bind(entry).fetch_optional(&mut tx.conn).await?;
    let remedy = "`fettler journal list --kind stock.issued` shows them with their numbers".to_owned();
    let missing = || Error::NotFound { kind: "use by hand", name: entry.to_string(), remedy };
    let row = row.ok_or_else(missing)?;
    let mut row = Reading::new(&row, "stock_use");
    let (order, returned): (Option<i64>, i64) = (row.next()?, row.next()?);
    let refused = |reason, text| {
        let subject = format!("entry {entry}");
        Err(Error::WrongState { reason, subject, text }.into())
    };
    if let Some(order) = order {
        let remedy = format!("`fettler undo {order}` takes back the closing with all it said");
        let text = format!("entry {entry} came with the closing of order {order}; {remedy}");
        return refused("USE_OF_CLOSING", text);
    }
    if returned != 0 {
        let text = format!("entry {entry} was taken back before; nothing is left to withdraw");
        return refused("USE_WITHDRAWN", text);
    }
    // What is poured is put on record right behind what it took off the shelf.
    let next = sqlx::query(POURED).bind(number).bind(entry).fetch_optional(&mut tx.conn).await?;
    if let Some(row) = next {
        let mut row = Reading::new(&row, "fluid_entry");
        let (fluid, record): (i64, FluidRecord) = (row.next()?, row.json("record")?);
        if record.issued == Some(entry) {
            let remedy = format!("`fettler fluid withdraw {fluid}` takes back both");
            let text = format!("entry {entry} was poured by entry {fluid} of the record of fluids; {remedy}");
            return refused("USE_OF_FLUID", text);
        }
    }
    Ok(())
}

/// What was given back of one use.
struct Back {
    item: KeptItem,
    leaf: i64,
    remark: Option<String>,
}

async fn give_back(
    tx: &mut Tx,
    site: SiteId,
    rows: &[DbRow],
    closing: Option<ClosingId>,
    (person, reason): (PersonId, &str),
) -> Result<Vec<Back>> {
    let number = i64::from(site.0);
    let mut all = Vec::with_capacity(rows.len());
    for row in rows {
        let mut row = Reading::new(row, "stock_use");
        let (leaf, of, at): (i64, i64, i64) = (row.next()?, row.next()?, row.next()?);
        let amount = Amount(row.next()?);
        let taken: Taken = row.json("taken")?;
        let mut item = shelf::numbered(&mut tx.conn, site, of).await?;
        let before = item.shelf.clone();
        item.shelf.give_back(&taken, Ts(at), tx.caller.now);
        let mut said = json!({ "amount": amount.0, "taken": taken_value(&taken), "use": leaf });
        if let Some(closing) = closing {
            said["closing"] = closing.0.into();
        }
        let change =
            Change { kind: Kind::StockReturned, said, before, person: Some(person), note: reason.to_owned() };
        let returned = shelf::record(tx, site, &item, change).await?;
        sqlx::query(MARK).bind(number).bind(leaf).execute(&mut tx.conn).await?;
        let back = amount - taken.beyond;
        let remark = (back > Amount::ZERO)
            .then(|| format!("{} of {} is back in stock", item.card.says(back), item.card.name));
        all.push(Back { item, leaf: returned, remark });
    }
    Ok(all)
}
