//! What meters show, and what is recorded of their counters.

use super::Conn;
use super::tx::Tx;
use crate::contract::{Result, StoreError};
use fettler_domain::ids::SiteId;
use fettler_domain::ledger::history::Month;
use fettler_domain::quantity::Amount;
use fettler_domain::shop::{MeterRecord, MeterShows};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use std::collections::BTreeMap;

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
pub(super) async fn shows(
    _conn: &mut Conn,
    _site: SiteId,
    _machine: &str,
    _meter: Option<&Key>,
    _at: Option<Ts>,
) -> Result<(MeterRecord, MeterShows)> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn months(
    _conn: &mut Conn,
    _site: SiteId,
    _machine: &str,
    _meter: Option<&Key>,
) -> Result<BTreeMap<Month, Amount>> {
    Err(StoreError::Unavailable("not built".into()))
}
