//! Whether the closings are those of the journal: each as its entry says it, undone where an entry says so, and none more or less.

use super::decode::Reading;
use super::store::SqlStore;
use super::{Conn, DbRow};
use crate::contract::{Part, Result};
use fettler_domain::ids::{ClosingId, OrderNumber, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::ClosingRecord;
use serde_json::Value;
use std::collections::BTreeSet;

const CLOSINGS: &str = "SELECT c.number, c.work_order, c.done_at, c.entered_at, c.covered_by, c.undone, c.record, c.leaf, \
    j.kind, j.subject, j.bytes FROM closing c LEFT JOIN journal_leaf j ON j.site = c.site AND j.number = c.leaf \
    WHERE c.site = $1 AND c.number > $2 ORDER BY c.number LIMIT $3";
const ENTRIES: &str = "SELECT number, bytes FROM journal_leaf WHERE site = $1 AND kind = $2 AND number > $3 AND number < $4 \
    ORDER BY number LIMIT $5";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[CLOSINGS, ENTRIES];

/// Rows that are read at once.
const AT_ONCE: i64 = 2_000;

/// What to do where a closing is not the one that was recorded.
const ALTERED: &str = "the journal holds what was recorded: stop the service, keep what is there, and restore the newest backup \
    that `fettlerd check` finds whole";

/// Checks a site's closings against the first so many entries of its journal.
pub(super) async fn check(store: &SqlStore, site: SiteId, entries: i64) -> Result<Part> {
    let mut part = Part::new("closings", Some(site));
    let (mut kept, mut undone, mut after) = (BTreeSet::new(), BTreeSet::new(), -1);
    loop {
        let query = sqlx::query(CLOSINGS).bind(i64::from(site.0)).bind(after).bind(AT_ONCE);
        let rows = query.fetch_all(&mut *store.read().await?).await?;
        for row in &rows {
            let closing = Closing::read(row)?;
            after = closing.number.0;
            closing.compare(&mut part);
            // What came while this was looked at is left to the next time.
            if closing.leaf < entries {
                kept.insert(closing.number);
                undone.extend(closing.record.undone.is_some().then_some(closing.number));
            }
        }
        if rows.is_empty() {
            break;
        }
    }
    let closing = |after: &Value| after["closing"].as_i64().into_iter().collect();
    let recorded = told(&mut *store.read().await?, site, (Kind::OrderClosed, entries), closing).await?;
    for missing in recorded.difference(&kept) {
        part.fault(format!("closing {missing} was recorded, and is not there"), ALTERED);
    }
    let told = told_undone(&mut *store.read().await?, site, entries).await?;
    for missing in told.difference(&undone) {
        part.fault(format!("closing {missing} was undone by the journal, and stands"), ALTERED);
    }
    // One that was undone meanwhile is told by an entry that was not read.
    let later = told_undone(&mut *store.read().await?, site, i64::MAX).await?;
    for more in undone.difference(&later) {
        part.fault(format!("closing {more} counts as undone, and no entry says so"), ALTERED);
    }
    part.seen =
        format!("{} closings compared with their entries, {} of them undone", kept.len(), undone.len());
    Ok(part)
}

async fn told_undone(conn: &mut Conn, site: SiteId, entries: i64) -> Result<BTreeSet<ClosingId>> {
    let closings = |after: &Value| {
        let all = after["closings"].as_array().map(Vec::as_slice).unwrap_or_default();
        all.iter().filter_map(Value::as_i64).collect()
    };
    told(conn, site, (Kind::ClosingUndone, entries), closings).await
}

/// The closings of which entries of a kind tell, before the entry with a number.
async fn told(
    conn: &mut Conn,
    site: SiteId,
    (kind, entries): (Kind, i64),
    closings: impl Fn(&Value) -> Vec<i64>,
) -> Result<BTreeSet<ClosingId>> {
    let (mut all, mut last) = (BTreeSet::new(), -1_i64);
    loop {
        let query = sqlx::query(ENTRIES).bind(i64::from(site.0)).bind(kind.word()).bind(last).bind(entries);
        let rows = query.bind(AT_ONCE).fetch_all(&mut *conn).await?;
        for row in &rows {
            let mut row = Reading::new(row, "journal_leaf");
            last = row.next()?;
            // Bytes that cannot be read are told where the journal is looked at.
            let leaf: Value = serde_json::from_slice(row.next::<&[u8]>()?).unwrap_or_default();
            all.extend(closings(&leaf["after"]).into_iter().map(ClosingId));
        }
        if rows.is_empty() {
            return Ok(all);
        }
    }
}

/// A closing as it is kept, and the entry to which it points.
struct Closing {
    number: ClosingId,
    order: OrderNumber,
    /// What it is listed by: when it was done and entered, which closing covers it, whether it is undone.
    listed: (i64, i64, Option<i64>, bool),
    record: ClosingRecord,
    leaf: i64,
    kind: Option<String>,
    subject: Option<String>,
    said: Option<ClosingRecord>,
}

impl Closing {
    fn read(row: &DbRow) -> Result<Closing> {
        let mut row = Reading::new(row, "closing");
        let (number, order) = (ClosingId(row.next()?), OrderNumber(row.next()?));
        let (done_at, entered_at, covered_by) = (row.next()?, row.next()?, row.next()?);
        let undone: i64 = row.next()?;
        let (record, leaf) = (row.json("record")?, row.next()?);
        let (kind, subject) = (row.next()?, row.next()?);
        let bytes: Option<&[u8]> = row.next()?;
        let said = bytes.and_then(|bytes| serde_json::from_slice::<Value>(bytes).ok());
        let said = said.and_then(|mut leaf| serde_json::from_value(leaf["after"].take()).ok());
        let listed = (done_at, entered_at, covered_by, undone != 0);
        Ok(Closing { number, order, listed, record, leaf, kind, subject, said })
    }

    fn compare(&self, part: &mut Part) {
        let Closing { number, order, leaf, record, .. } = self;
        let name = format!("closing {number} of order {order}");
        let is_its_own = self.kind.as_deref() == Some(Kind::OrderClosed.word())
            && self.subject.as_deref() == Some(format!("orders/{order}").as_str());
        if !is_its_own {
            return part
                .fault(format!("{name} was recorded by entry {leaf}, which does not tell of it"), ALTERED);
        }
        let as_recorded = ClosingRecord { undone: None, ..record.clone() };
        if self.said.as_ref() != Some(&as_recorded) {
            part.fault(format!("{name} is not what entry {leaf} says of it"), ALTERED);
        }
        let covered_by = record.covered_by.map(|closing| closing.0);
        let said = (record.done_at.0, record.entered_at.0, covered_by, record.undone.is_some());
        if (record.closing, record.order, self.listed) != (*number, *order, said) {
            part.fault(format!("{name} is listed by other things than its record says"), ALTERED);
        }
    }
}
