//! Orders that a reading beyond a stop limit raises where no task waits for it, so that it stands on the list and not in an
//! answer alone. While such an order is open, the same test point raises no second one.

use super::decode::Reading;
use super::ending::{Raising, raise_one};
use super::orders::RaisedCard;
use super::tx::Tx;
use super::{machines, readings, refresh};
use crate::contract::{MachineState, Result, StoreError};
use fettler_domain::ids::{MachineId, OrderNumber, SiteId};
use fettler_domain::order::RaiseSaid;
use fettler_domain::reading::{ReadingRecord, Step, with_sign};
use fettler_domain::round::answer::order_title;
use fettler_domain::shop::PointCard;
use fettler_domain::text::{Key, Name};
use std::collections::BTreeSet;

/// The order that a key's findings raised last, while it is open. A key is a check's, or `point:` and a test point's, which no
/// check can be called.
const ORDER: &str = "SELECT o.number FROM check_order c JOIN work_order o ON o.site = c.site AND o.number = c.number \
    WHERE c.site = $1 AND c.machine = $2 AND c.check_key = $3 AND o.state = 'open'";
const PUT_ORDER: &str = "INSERT INTO check_order (site, machine, check_key, number) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site, machine, check_key) DO UPDATE SET number = excluded.number";
const MACHINE: &str = "SELECT tag, state FROM machine WHERE site = $1 AND number = $2";
const LATER: &str = "SELECT COUNT(*) FROM reading r JOIN point p ON p.site = r.site AND p.number = r.point \
    WHERE r.site = $1 AND p.machine = $2 AND p.key = $3 AND r.at > $4 AND r.withdrawn IS NULL AND r.value IS NOT NULL";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[ORDER, PUT_ORDER, MACHINE, LATER];

/// What raises an order.
#[derive(Clone, Copy)]
pub(super) enum By<'a> {
    /// A check.
    Check(&'a Key),
    /// A reading at a test point.
    Point(&'a Key),
}

impl By<'_> {
    fn key(self) -> String {
        match self {
            By::Check(key) => key.to_string(),
            By::Point(key) => format!("point:{key}"),
        }
    }
}

/// The order that it raised last, while that is open.
pub(super) async fn open_of(
    tx: &mut Tx,
    site: SiteId,
    machine: MachineId,
    by: By<'_>,
) -> Result<Option<OrderNumber>> {
    let row = sqlx::query(ORDER)
        .bind(i64::from(site.0))
        .bind(machine.0)
        .bind(by.key())
        .fetch_optional(&mut tx.conn)
        .await?;
    row.map(|row| Ok(OrderNumber(Reading::new(&row, "check_order").next()?))).transpose()
}

/// Keeps which order it raised last.
pub(super) async fn keep(
    tx: &mut Tx,
    site: SiteId,
    machine: MachineId,
    by: By<'_>,
    order: OrderNumber,
) -> Result<()> {
    sqlx::query(PUT_ORDER)
        .bind(i64::from(site.0))
        .bind(machine.0)
        .bind(by.key())
        .bind(order.0)
        .execute(&mut tx.conn)
        .await?;
    Ok(())
}

/// The order for a reading beyond a stop limit: one that waits for the reading or stands open for its test point, else a new
/// one, with what to say of it. None for every other reading, and for one after which another was taken.
pub(super) async fn for_reading(
    tx: &mut Tx,
    site: SiteId,
    record: &ReadingRecord,
    by: &Name,
) -> Result<Option<Raised>> {
    let Some(beyond) = record.beyond.filter(|beyond| beyond.step == Step::Stop) else { return Ok(None) };
    let later = sqlx::query(LATER)
        .bind(i64::from(site.0))
        .bind(record.machine.0)
        .bind(record.point.as_str())
        .bind(record.at.0)
        .fetch_one(&mut tx.conn)
        .await?;
    if Reading::new(&later, "reading").next::<i64>()? > 0
        || !readings::waiting(&mut tx.conn, site, record).await?.is_empty()
    {
        return Ok(None);
    }
    let point = By::Point(&record.point);
    if let Some(order) = open_of(tx, site, record.machine, point).await? {
        return Ok(Some(Raised { new: false, remark: format!("order {order} stands open for it already") }));
    }
    let row = sqlx::query(MACHINE).bind(i64::from(site.0)).bind(record.machine.0);
    let row = row.fetch_one(&mut tx.conn).await?;
    let mut row = Reading::new(&row, "machine");
    let (tag, state) = (row.text("tag", Key::new)?, machines::state_of(&mut row)?);
    if state == MachineState::Retired {
        return Ok(Some(Raised {
            new: false,
            remark: format!("{tag} has left the shop, so no order was raised"),
        }));
    }
    let cards = readings::points(&mut tx.conn, site, record.machine).await?;
    let card = cards.into_iter().map(|(_, card)| card).find(|card| card.key == record.point);
    let value = record.value.map(|value| with_sign(value, record.sign())).unwrap_or_default();
    let note = format!("{value} is {}", beyond.in_words(record.sign()));
    let (title, card) = titled(record, card);
    let lost = || StoreError::Corrupt { table: "machine", column: "tag", row: tag.to_string() };
    let said = RaiseSaid {
        machine: tag.clone(),
        title: Name::new(order_title(&title, &note)).map_err(|_| lost())?,
        by: by.clone(),
        due_day: None,
        hazard: true,
        note,
    };
    let raising = Raising { said: &said, card };
    let (order, _) = raise_one(tx, site, raising, record.machine, record.by).await?;
    keep(tx, site, record.machine, point, order).await?;
    Ok(Some(Raised { new: true, remark: format!("no task waits for it, so order {order} was raised") }))
}

/// What became of a reading beyond a stop limit.
pub(super) struct Raised {
    /// Whether an order was raised, so that the machine's plan is to be computed afresh.
    pub(super) new: bool,
    /// What to say of it.
    pub(super) remark: String,
}

/// What a test point is called, and what an order keeps of it.
fn titled(record: &ReadingRecord, card: Option<PointCard>) -> (String, RaisedCard) {
    let point = Some(record.point.clone());
    let (title, kept) = card.map_or_else(
        || (String::new(), RaisedCard { point: point.clone(), ..RaisedCard::default() }),
        |card| {
            let (cautions, place) = (card.cautions, card.place);
            (card.title, RaisedCard { cautions, place, point: point.clone(), ..RaisedCard::default() })
        },
    );
    (if title.is_empty() { record.point.to_string() } else { title }, kept)
}

/// What is said of a closing's reading beyond a stop limit, the order for it raised where no task waits for it.
pub(super) async fn of_closing(
    tx: &mut Tx,
    site: SiteId,
    record: &ReadingRecord,
    by: &Name,
    void: &mut Vec<OrderNumber>,
) -> Result<Vec<String>> {
    let mut remarks = vec![readings::STOP.to_owned()];
    if let Some(raised) = for_reading(tx, site, record, by).await? {
        if raised.new {
            void.extend(refresh::machines(tx, site, &BTreeSet::from([record.machine])).await?);
        }
        remarks.push(format!("{}: {}", record.point, raised.remark));
    }
    Ok(remarks)
}
