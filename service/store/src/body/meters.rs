//! What meters show, and what is recorded of their counters.

use super::Conn;
use super::decode::Reading;
use super::history::{self, MeterMind};
use super::tx::Tx;
use crate::contract::{Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::history::{History, MissingMonth, Month};
use fettler_domain::ledger::row::Feed;
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::shop::{MeterRecord, MeterShows};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use std::collections::BTreeMap;

const MACHINE: &str = "SELECT machine FROM machine_name WHERE site = $1 AND name = $2";
const METERS: &str = "SELECT number, key, kind, feed, max_per_hour FROM meter WHERE site = $1 AND machine = $2 ORDER BY number";
const LAST_READING: &str = "SELECT starts, amount FROM ledger WHERE site = $1 AND meter = $2 AND kind = 'absolute' \
    AND starts <= $3 AND state IN ('counted', 'check') ORDER BY starts DESC LIMIT 1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[MACHINE, METERS, LAST_READING];

/// A meter, a moment and a person.
pub(super) struct At {
    /// The machine, by one of its names.
    pub(super) machine: String,
    /// The meter's key; none means the machine's only meter.
    pub(super) meter: Option<Key>,
    /// When.
    pub(super) at: Ts,
    /// By whom.
    pub(super) by: Name,
}

pub(super) async fn replace(
    _tx: &mut Tx,
    _site: SiteId,
    _at: At,
    _closing: String,
    _opening: String,
) -> Result<(MeterRecord, MeterShows)> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn adjust(
    _tx: &mut Tx,
    _site: SiteId,
    _at: At,
    _amount: String,
    _note: String,
) -> Result<(MeterRecord, MeterShows)> {
    Err(StoreError::Unavailable("not built".into()))
}
/// A meter found by its machine's name and its own key.
async fn find(conn: &mut Conn, site: SiteId, machine: &str, key: Option<&Key>) -> Result<MeterRecord> {
    let number = i64::from(site.0);
    let row = sqlx::query(MACHINE).bind(number).bind(machine).fetch_optional(&mut *conn).await?;
    let Some(row) = row else {
        let remedy = "`fettler machine list` shows those there are".into();
        return Err(Error::NotFound { kind: "machine", name: machine.to_owned(), remedy }.into());
    };
    let id = MachineId(Reading::new(&row, "machine_name").next()?);
    let rows = sqlx::query(METERS).bind(number).bind(id.0).fetch_all(conn).await?;
    let meters: Vec<MeterRecord> =
        rows.iter().map(|row| record(&mut Reading::new(row, "meter"), id)).collect::<Result<_>>()?;
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

/// The history of one meter, with the months of these instants loaded.
async fn history_at(conn: &mut Conn, site: SiteId, meter: MeterId, instants: &[Ts]) -> Result<History> {
    let mut minds = history::load(conn, site, &[meter]).await?;
    let months: Vec<(MeterId, Month)> = instants.iter().map(|at| (meter, Month::of(*at))).collect();
    history::load_months(conn, site, &mut minds, &months).await?;
    Ok(minds.get(&meter).map(MeterMind::history).unwrap_or_default())
}

fn not_loaded(meter: MeterId) -> impl Fn(MissingMonth) -> StoreError {
    move |_| StoreError::Corrupt { table: "meter_month", column: "month", row: meter.to_string() }
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
    let shows = shows_of(conn, site, &meter, at).await?;
    Ok((meter, shows))
}

/// What a meter that was found shows.
pub(super) async fn shows_of(
    conn: &mut Conn,
    site: SiteId,
    meter: &MeterRecord,
    at: Option<Ts>,
) -> Result<MeterShows> {
    let read = sqlx::query(LAST_READING)
        .bind(i64::from(site.0))
        .bind(meter.meter.0)
        .bind(at.unwrap_or(Ts::MAX).0)
        .fetch_optional(&mut *conn)
        .await?;
    let read = read
        .map(|row| {
            let mut row = Reading::new(&row, "ledger");
            Ok::<_, StoreError>((Ts(row.next()?), Amount(row.next()?)))
        })
        .transpose()?;
    let instants: Vec<Ts> = at.into_iter().chain(read.map(|(when, _)| when)).collect();
    let history = history_at(conn, site, meter.meter, &instants).await?;
    let lost = not_loaded(meter.meter);
    let counted = at.map_or_else(|| Ok(history.total()), |at| history.at(at)).map_err(&lost)?;
    let gap = match (meter.feed, read) {
        (Feed::Interval, Some((when, value))) => Some(value - history.at(when).map_err(&lost)?),
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
    Ok(minds.get(&meter.meter).map(|mind| mind.months().clone()).unwrap_or_default())
}
