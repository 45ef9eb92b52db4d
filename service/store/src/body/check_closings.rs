//! Whether the closings are those of the journal: each as its entry says it, undone where an entry says so, and none more or less.

use super::decode::Reading;
use super::store::SqlStore;
use super::{Conn, DbRow};
use crate::contract::{Part, Result};
use fettler_domain::ids::{ClosingId, OrderNumber, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::{ClosingRecord, Undone};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// The engine holds that each has its order; one without would count as not there.
const CLOSINGS: &str = "SELECT c.number, c.work_order, c.task, c.machine, c.done_at, c.entered_at, c.covered_by, c.undone, \
    c.record, c.leaf, j.kind, j.subject, j.bytes, o.task, o.machine, o.state, o.closing FROM closing c \
    JOIN work_order o ON o.site = c.site AND o.number = c.work_order \
    LEFT JOIN journal_leaf j ON j.site = c.site AND j.number = c.leaf \
    WHERE c.site = $1 AND c.number > $2 ORDER BY c.number LIMIT $3";
const ENTRIES: &str = "SELECT j.number, j.bytes, n.text FROM journal_leaf j \
    LEFT JOIN sealed_note n ON n.site = j.site AND n.leaf = j.number \
    WHERE j.site = $1 AND j.kind = $2 AND j.number > $3 AND j.number < $4 ORDER BY j.number LIMIT $5";
/// Orders that count as closed while no closing of theirs stands.
const CLOSED_BY_NONE: &str = "SELECT o.number FROM work_order o LEFT JOIN closing c \
    ON c.site = o.site AND c.number = o.closing AND c.work_order = o.number AND c.undone = 0 \
    WHERE o.site = $1 AND o.state = 'closed' AND c.number IS NULL ORDER BY o.number LIMIT $2";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[CLOSINGS, ENTRIES, CLOSED_BY_NONE];

/// Rows that are read at once.
const AT_ONCE: i64 = 2_000;

/// What to do where a closing is not the one that was recorded.
const ALTERED: &str = "the journal holds what was recorded: stop the service, keep what is there, and restore the newest backup \
    that `fettlerd check` finds whole";

/// Checks a site's closings against the first so many entries of its journal.
pub(super) async fn check(store: &SqlStore, site: SiteId, entries: i64) -> Result<Part> {
    let mut part = Part::new("closings", Some(site));
    let (mut kept, mut undone, mut after) = (BTreeSet::new(), BTreeMap::new(), -1);
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
                if closing.is_undone() {
                    undone.insert(closing.number, closing.record.and_then(|record| record.undone));
                }
            }
        }
        if rows.is_empty() {
            break;
        }
    }
    let closing = |leaf: &Value, _: Option<&str>| {
        leaf["after"]["closing"].as_i64().map(|closing| (ClosingId(closing), ())).into_iter().collect()
    };
    let recorded = told(&mut *store.read().await?, site, (Kind::OrderClosed, entries), closing).await?;
    for missing in recorded.keys().filter(|closing| !kept.contains(closing)) {
        part.fault(format!("closing {missing} was recorded, and is not there"), ALTERED);
    }
    // One that is undone meanwhile is told by an entry that was not looked at.
    let undoings =
        told(&mut *store.read().await?, site, (Kind::ClosingUndone, i64::MAX), ToldUndone::of).await?;
    compare_undone(&mut part, &undone, &undoings, entries);
    let query = sqlx::query(CLOSED_BY_NONE).bind(i64::from(site.0)).bind(AT_ONCE);
    for row in &query.fetch_all(&mut *store.read().await?).await? {
        let order = OrderNumber(Reading::new(row, "work_order").next()?);
        part.fault(format!("order {order} counts as closed, and no closing of it stands"), ALTERED);
    }
    part.seen =
        format!("{} closings compared with their entries, {} of them undone", kept.len(), undone.len());
    Ok(part)
}

/// Holds what the closings say of their undoing, where they can be read, against the entries that tell of it.
fn compare_undone(
    part: &mut Part,
    kept: &BTreeMap<ClosingId, Option<Undone>>,
    told: &BTreeMap<ClosingId, ToldUndone>,
    entries: i64,
) {
    for (closing, said) in told {
        if said.entry < entries && !kept.contains_key(closing) {
            part.fault(format!("closing {closing} was undone by the journal, and stands"), ALTERED);
        }
    }
    for (closing, undone) in kept {
        match (told.get(closing), undone) {
            (None, _) => {
                part.fault(format!("closing {closing} counts as undone, and no entry says so"), ALTERED);
            }
            (Some(said), Some(undone)) if !said.is(undone) => {
                let text =
                    format!("how closing {closing} was undone is not what entry {} says of it", said.entry);
                part.fault(text, ALTERED);
            }
            (Some(_), _) => {}
        }
    }
}

/// What the entries of a kind before the one with a number tell of closings, given an entry and the text kept beside it.
async fn told<T>(
    conn: &mut Conn,
    site: SiteId,
    (kind, entries): (Kind, i64),
    of: impl Fn(&Value, Option<&str>) -> Vec<(ClosingId, T)>,
) -> Result<BTreeMap<ClosingId, T>> {
    let (mut all, mut last) = (BTreeMap::new(), -1_i64);
    loop {
        let query = sqlx::query(ENTRIES).bind(i64::from(site.0)).bind(kind.word()).bind(last).bind(entries);
        let rows = query.bind(AT_ONCE).fetch_all(&mut *conn).await?;
        for row in &rows {
            let mut row = Reading::new(row, "journal_leaf");
            last = row.next()?;
            // Bytes that cannot be read are told where the journal is looked at.
            let leaf: Value = serde_json::from_slice(row.next::<&[u8]>()?).unwrap_or_default();
            all.extend(of(&leaf, row.next()?));
        }
        if rows.is_empty() {
            return Ok(all);
        }
    }
}

/// How an entry says that a closing was undone.
struct ToldUndone {
    entry: i64,
    at: Option<i64>,
    by: Option<i64>,
    /// Why, unless the text kept beside the entry is gone.
    reason: Option<String>,
}

impl ToldUndone {
    /// The closings of which an entry tells.
    fn of(leaf: &Value, reason: Option<&str>) -> Vec<(ClosingId, ToldUndone)> {
        let said = |closing| {
            let number = |field: &str| leaf[field].as_i64();
            let entry = number("number").unwrap_or(-1);
            let said = ToldUndone {
                entry,
                at: number("at"),
                by: number("person"),
                reason: reason.map(str::to_owned),
            };
            (ClosingId(closing), said)
        };
        let closings = leaf["after"]["closings"].as_array().map(Vec::as_slice).unwrap_or_default();
        closings.iter().filter_map(Value::as_i64).map(said).collect()
    }

    fn is(&self, undone: &Undone) -> bool {
        let is_so = self.reason.as_ref().is_none_or(|reason| *reason == undone.reason);
        is_so && (self.at, self.by) == (Some(undone.at.0), Some(undone.by.0))
    }
}

/// A closing as it is kept, the order that it ended, and the entry to which it points.
struct Closing {
    number: ClosingId,
    order: OrderNumber,
    listed: Listed,
    /// None where it cannot be read.
    record: Option<ClosingRecord>,
    leaf: i64,
    kind: Option<String>,
    subject: Option<String>,
    said: Option<ClosingRecord>,
    order_is: OrderIs,
}

/// What a closing is listed by.
#[derive(PartialEq)]
struct Listed {
    done_at: i64,
    entered_at: i64,
    covered_by: Option<i64>,
    is_undone: bool,
    /// Of which task and machine.
    of: (Option<i64>, i64),
}

/// What the order of a closing says.
struct OrderIs {
    /// Of which task and machine it is.
    of: (Option<i64>, i64),
    state: String,
    closing: Option<i64>,
}

impl Closing {
    fn read(row: &DbRow) -> Result<Closing> {
        let mut row = Reading::new(row, "closing");
        let (number, order) = (ClosingId(row.next()?), OrderNumber(row.next()?));
        let of = (row.next()?, row.next()?);
        let (done_at, entered_at, covered_by) = (row.next()?, row.next()?, row.next()?);
        let listed = Listed { done_at, entered_at, covered_by, is_undone: row.next::<i64>()? != 0, of };
        let record = serde_json::from_str(row.next()?).ok();
        let (leaf, kind, subject) = (row.next()?, row.next()?, row.next()?);
        let bytes: Option<&[u8]> = row.next()?;
        let said = bytes.and_then(|bytes| serde_json::from_slice::<Value>(bytes).ok());
        let said = said.and_then(|mut leaf| serde_json::from_value(leaf["after"].take()).ok());
        let order_is = OrderIs { of: (row.next()?, row.next()?), state: row.next()?, closing: row.next()? };
        Ok(Closing { number, order, listed, record, leaf, kind, subject, said, order_is })
    }

    fn is_undone(&self) -> bool {
        self.record.as_ref().map_or(self.listed.is_undone, |record| record.undone.is_some())
    }

    fn compare(&self, part: &mut Part) {
        let Closing { number, order, leaf, listed, order_is, .. } = self;
        let name = format!("closing {number} of order {order}");
        let is_its_own = self.kind.as_deref() == Some(Kind::OrderClosed.word())
            && self.subject.as_deref() == Some(format!("orders/{order}").as_str());
        if !is_its_own {
            return part
                .fault(format!("{name} was recorded by entry {leaf}, which does not tell of it"), ALTERED);
        }
        let ended = order_is.state == "closed" && order_is.closing == Some(number.0);
        if ended == listed.is_undone {
            let stands = if ended { "is undone, and ends it" } else { "stands, and does not end it" };
            part.fault(format!("{name} {stands}"), ALTERED);
        }
        let Some(record) = &self.record else {
            return part.fault(format!("{name} cannot be read; entry {leaf} says what it was"), ALTERED);
        };
        let as_recorded = ClosingRecord { undone: None, ..record.clone() };
        if self.said.as_ref() != Some(&as_recorded) {
            part.fault(format!("{name} is not what entry {leaf} says of it"), ALTERED);
        }
        let said = Listed {
            done_at: record.done_at.0,
            entered_at: record.entered_at.0,
            covered_by: record.covered_by.map(|closing| closing.0),
            is_undone: record.undone.is_some(),
            of: order_is.of,
        };
        if (record.closing, record.order, listed) != (*number, *order, &said) {
            part.fault(format!("{name} is listed by other things than its record says"), ALTERED);
        }
    }
}
