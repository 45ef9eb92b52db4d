//! What meters show, and what is recorded of their counters.

use super::bulk::{Binding, Bulk};
use super::decode::Reading;
use super::history;
use super::journal::Fact;
use super::people::speaker;
use super::request::Keep;
use super::tx::Tx;
use super::{Conn, apply, ledger, machines, refresh};
use crate::contract::{Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, MeterId, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::ledger::batch::{Batch, Dirty};
use fettler_domain::ledger::history::{History, MissingMonth, Month};
use fettler_domain::ledger::row::Feed;
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::shop::{MeterRecord, MeterShows};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};

const METERS: &str = "SELECT number, key, kind, feed, max_per_hour FROM meter WHERE site = $1 AND machine = $2 ORDER BY number";
const METER: &str =
    "SELECT machine, number, key, kind, feed, max_per_hour FROM meter WHERE site = $1 AND number = $2";
static LAST_READING: Bulk = Bulk::new(
    "WITH k(site, meter, until) AS (VALUES",
    1,
    2,
    ") SELECT k.meter, l.starts, MAX(l.amount) FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.meter = k.meter \
     AND l.kind = 'absolute' AND l.state IN ('counted', 'check') AND l.starts = (SELECT x.starts FROM ledger x \
     WHERE x.site = k.site AND x.meter = k.meter AND x.kind = 'absolute' AND x.state IN ('counted', 'check') \
     AND x.starts <= k.until ORDER BY x.starts DESC LIMIT 1) GROUP BY k.meter, l.starts",
);

const REPLACE: &str = "INSERT INTO replacement (site, meter, at, closing, opening, leaf) VALUES ($1, $2, $3, $4, $5, $6) \
    ON CONFLICT (site, meter, at) DO UPDATE SET closing = excluded.closing, opening = excluded.opening, \
    leaf = excluded.leaf";
const ADJUST: &str = "INSERT INTO adjustment (site, meter, at, leaf, amount) VALUES ($1, $2, $3, $4, $5)";
const ADD_TO_MONTH: &str = "INSERT INTO meter_month (site, meter, month, amount) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site, meter, month) DO UPDATE SET amount = meter_month.amount + excluded.amount";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![METERS, METER, LAST_READING.sample(), REPLACE, ADJUST, ADD_TO_MONTH]
}

/// A meter, a moment and a person.
pub(super) struct At {
    /// The machine, by one of its names.
    pub(super) machine: String,
    /// The meter's key; none means the machine's only meter.
    pub(super) meter: Option<Key>,
    /// When.
    pub(super) when: Ts,
    /// By whom.
    pub(super) by: Name,
}

/// Records a counter's replacement.
pub(super) async fn replace(
    tx: &mut Tx,
    site: SiteId,
    at: At,
    closing: String,
    opening: String,
) -> Result<(MeterRecord, MeterShows)> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(meter) = tx.replayed(site).await? {
        let meter = by_number(&mut tx.conn, site, meter).await?;
        return answer(tx, site, meter).await;
    }
    let meter = find(&mut tx.conn, site, &at.machine, at.meter.as_ref()).await?;
    if meter.feed == Feed::Interval {
        let text = format!("{} is fed by intervals, not by readings; book an adjustment instead", meter.key);
        return Err(Error::invalid("meter", text).into());
    }
    not_ahead(&at, tx.caller.now)?;
    let (closing, opening) = (shown("closing", &closing, &meter)?, shown("opening", &opening, &meter)?);
    let person = speaker(tx, site, "by", &at.by).await?;
    let after = json!({"machine": meter.machine.0, "meter": meter.meter.0, "at": at.when.0, "closing": closing.0, "opening": opening.0});
    let leaf = tx.append(site, fact(Kind::CounterReplaced, &meter, person, after, ""))?;
    sqlx::query(REPLACE)
        .bind(i64::from(site.0))
        .bind(meter.meter.0)
        .bind(at.when.0)
        .bind(closing.0)
        .bind(opening.0)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    // The replacement is one of the declarations by which readings are judged.
    tx.minds.forget_site(site);
    let mut mind = tx.mind(site).await?;
    let declarations = mind.declarations(&mut tx.conn).await?;
    let replaced = [(meter.meter, at.when)].into();
    let mut batch = Batch::rejudging(&declarations, Dirty { replaced, ..Dirty::default() });
    let now = tx.caller.now;
    let changes = ledger::judge(&mut tx.conn, site, &mut batch, now).await?;
    let mut touched = apply::apply(&mut tx.conn, site, &mut mind, &changes, &ledger::Arrived::new()).await?;
    // A count that was stated for a later day is the new counter's, whether or not any reading counts otherwise.
    touched.insert(meter.meter);
    apply::plan_of(&mut tx.conn, site, &mut mind, &declarations, &touched, now).await?;
    tx.keep_mind(mind)?;
    tx.remember(site, &meter.meter, Some(leaf), Keep::AWhile).await?;
    answer(tx, site, meter).await
}

/// Books an adjustment on a meter that is fed by intervals.
pub(super) async fn adjust(
    tx: &mut Tx,
    site: SiteId,
    at: At,
    amount: String,
    note: String,
) -> Result<(MeterRecord, MeterShows)> {
    tx.take(site).await?;
    if let Some(meter) = tx.replayed(site).await? {
        let meter = by_number(&mut tx.conn, site, meter).await?;
        return answer(tx, site, meter).await;
    }
    let meter = find(&mut tx.conn, site, &at.machine, at.meter.as_ref()).await?;
    if meter.feed == Feed::Absolute {
        let text = format!("{} is fed by readings; record a replacement of its counter instead", meter.key);
        return Err(Error::invalid("meter", text).into());
    }
    not_ahead(&at, tx.caller.now)?;
    let amount = amount_of("amount", &amount, &meter)?;
    let person = speaker(tx, site, "by", &at.by).await?;
    let after =
        json!({"machine": meter.machine.0, "meter": meter.meter.0, "at": at.when.0, "amount": amount.0});
    let leaf = tx.append(site, fact(Kind::AdjustmentBooked, &meter, person, after, &note))?;
    let number = i64::from(site.0);
    sqlx::query(ADJUST)
        .bind(number)
        .bind(meter.meter.0)
        .bind(at.when.0)
        .bind(leaf)
        .bind(amount.0)
        .execute(&mut tx.conn)
        .await?;
    sqlx::query(ADD_TO_MONTH)
        .bind(number)
        .bind(meter.meter.0)
        .bind(i64::from(Month::of(at.when).0))
        .bind(amount.0)
        .execute(&mut tx.conn)
        .await?;
    tx.minds.forget_site(site);
    // Hours end no rule by themselves. Where other hours make an older closing count otherwise and a rule is over by that,
    // the order's end is a fact of its own, as it is after a push, and the answer is about the meter.
    refresh::machines(tx, site, &[meter.machine].into()).await?;
    tx.remember(site, &meter.meter, Some(leaf), Keep::AWhile).await?;
    answer(tx, site, meter).await
}

async fn answer(tx: &mut Tx, site: SiteId, meter: MeterRecord) -> Result<(MeterRecord, MeterShows)> {
    one_shows(&mut tx.conn, site, meter, None).await
}

fn not_ahead(at: &At, now: Ts) -> Result<()> {
    if at.when <= now {
        return Ok(());
    }
    Err(Error::invalid(
        "at",
        format!("lies {} in the future; give when it happened", at.when.ahead_in_words(now)),
    )
    .into())
}

fn amount_of(field: &str, text: &str, meter: &MeterRecord) -> Result<Amount> {
    Amount::parse(text, meter.kind.unit()).map_err(|error| Error::invalid(field, error.to_string()).into())
}

/// What a counter showed: never less than nothing.
fn shown(field: &str, text: &str, meter: &MeterRecord) -> Result<Amount> {
    let amount = amount_of(field, text, meter)?;
    if amount < Amount::ZERO {
        return Err(
            Error::invalid(field, format!("`{text}` is below zero; give what the counter showed")).into()
        );
    }
    Ok(amount)
}

fn fact(kind: Kind, meter: &MeterRecord, person: PersonId, after: Value, note: &str) -> Fact {
    let subject = format!("meters/{}", meter.meter);
    let sealed = (!note.is_empty()).then(|| ("note", note.to_owned()));
    Fact { kind, subject, person: Some(person), after, before: None, sealed }
}

/// A meter found by its machine's name and its own key.
pub(super) async fn find(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    key: Option<&Key>,
) -> Result<MeterRecord> {
    let id = machines::number(&mut *conn, site, machine).await?;
    let meters = of(conn, site, id).await?;
    let keys: Vec<&str> = meters.iter().map(|meter| meter.key.as_str()).collect();
    let keys = keys.join(", ");
    let only = meters.len() == 1;
    let found = meters.into_iter().find(|meter| key.map_or(only, |key| meter.key == *key));
    found.ok_or_else(|| match key {
        Some(key) => {
            let remedy = format!("machine {machine} has {}", if keys.is_empty() { "none" } else { &keys });
            Error::NotFound { kind: "meter", name: key.to_string(), remedy }.into()
        }
        None if keys.is_empty() => {
            Error::invalid("meter", format!("machine {machine} has no meter; declare one in the shop file"))
                .into()
        }
        None => Error::invalid("meter", format!("machine {machine} has several meters; name one of {keys}"))
            .into(),
    })
}

/// A meter by its number.
pub(super) async fn by_number(conn: &mut Conn, site: SiteId, meter: MeterId) -> Result<MeterRecord> {
    let row = sqlx::query(METER).bind(i64::from(site.0)).bind(meter.0).fetch_one(conn).await?;
    let mut row = Reading::new(&row, "meter");
    let machine = MachineId(row.next()?);
    record(&mut row, machine)
}

/// Reads `number, key, kind, feed, max_per_hour`.
pub(super) fn record(row: &mut Reading<'_>, machine: MachineId) -> Result<MeterRecord> {
    Ok(MeterRecord {
        meter: MeterId(row.next()?),
        machine,
        key: row.text("key", Key::new)?,
        kind: row.word("kind")?,
        feed: row.word("feed")?,
        max_per_hour: MaxPerHour(row.next()?),
    })
}

fn not_loaded(meter: MeterId) -> impl Fn(MissingMonth) -> StoreError {
    move |_| StoreError::Corrupt { table: "meter_month", column: "month", row: meter.to_string() }
}

/// The meters of a machine.
pub(super) async fn of(conn: &mut Conn, site: SiteId, machine: MachineId) -> Result<Vec<MeterRecord>> {
    let rows = sqlx::query(METERS).bind(i64::from(site.0)).bind(machine.0).fetch_all(conn).await?;
    rows.iter().map(|row| record(&mut Reading::new(row, "meter"), machine)).collect()
}

/// What a meter shows, at an instant or in all.
pub(super) async fn shows(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    meter: Option<&Key>,
    at: Option<Ts>,
) -> Result<(MeterRecord, MeterShows)> {
    let meter = find(conn, site, machine, meter).await?;
    one_shows(conn, site, meter, at).await
}

async fn one_shows(
    conn: &mut Conn,
    site: SiteId,
    meter: MeterRecord,
    at: Option<Ts>,
) -> Result<(MeterRecord, MeterShows)> {
    let shows = shows_of(conn, site, std::slice::from_ref(&meter), at).await?.pop();
    let lost = || StoreError::Corrupt { table: "meter", column: "number", row: meter.meter.to_string() };
    Ok((meter.clone(), shows.ok_or_else(lost)?))
}

/// What meters that were found show, in their order.
pub(super) async fn shows_of(
    conn: &mut Conn,
    site: SiteId,
    meters: &[MeterRecord],
    at: Option<Ts>,
) -> Result<Vec<MeterShows>> {
    let (number, until) = (i64::from(site.0), at.unwrap_or(Ts::MAX));
    let bind = |q: Binding, meter: &MeterRecord| q.bind(meter.meter.0).bind(until.0);
    let mut read: HashMap<MeterId, (Ts, Amount)> = HashMap::new();
    for row in &LAST_READING.fetch(conn, meters, |q| q.bind(number), bind).await? {
        let mut row = Reading::new(row, "ledger");
        read.insert(MeterId(row.next()?), (Ts(row.next()?), Amount(row.next()?)));
    }
    let ids: Vec<MeterId> = meters.iter().map(|meter| meter.meter).collect();
    let mut minds = history::load(conn, site, &ids).await?;
    let of_reading = |meter| read.get(meter).map(|(when, _)| *when);
    let months = ids.iter().flat_map(|meter| {
        at.into_iter().chain(of_reading(meter)).map(|instant| (*meter, Month::of(instant)))
    });
    history::load_months(conn, site, &mut minds, &months.collect::<Vec<_>>()).await?;
    let shows = |meter: &MeterRecord| {
        let nothing = History::default();
        let history = minds.get(&meter.meter).map_or(&nothing, |mind| &mind.history);
        shown_by(meter, history, read.get(&meter.meter).copied(), at).map_err(not_loaded(meter.meter))
    };
    meters.iter().map(shows).collect()
}

fn shown_by(
    meter: &MeterRecord,
    history: &History,
    read: Option<(Ts, Amount)>,
    at: Option<Ts>,
) -> std::result::Result<MeterShows, MissingMonth> {
    let counted = at.map_or_else(|| Ok(history.total()), |at| history.at(at))?;
    let gap = match (meter.feed, read) {
        (Feed::Interval, Some((when, value))) => Some(value - history.at(when)?),
        (Feed::Interval | Feed::Absolute, _) => None,
    };
    Ok(MeterShows { counted, known_to: history.known_to(), last_reading: read.map(|(_, value)| value), gap })
}

/// A meter's totals by month.
pub(super) async fn months(
    conn: &mut Conn,
    site: SiteId,
    machine: &str,
    meter: Option<&Key>,
) -> Result<BTreeMap<Month, Amount>> {
    let meter = find(conn, site, machine, meter).await?;
    let minds = history::load(conn, site, &[meter.meter]).await?;
    Ok(minds.get(&meter.meter).map(|mind| mind.history.months().clone()).unwrap_or_default())
}
