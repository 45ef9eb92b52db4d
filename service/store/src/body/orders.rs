//! Work orders: listed, closed, skipped, raised, undone.

use super::Conn;
use super::tx::Tx;
use crate::contract::{DueEntry, Ended, OrderFilter, OrderRecord, Page, PageAsk, Result, StoreError};
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::order::{ClosingSaid, RaiseSaid};
use fettler_domain::text::Name;

/// A skip or an undo that is asked for.
pub(super) struct Ending {
    /// The order.
    pub(super) order: OrderNumber,
    /// Who asks.
    pub(super) by: Name,
    /// Why.
    pub(super) reason: String,
    /// Whether nothing is to stand.
    pub(super) validate_only: bool,
}

/// Orders: open ones by number, others newest first.
pub(super) async fn list(
    _conn: &mut Conn,
    _site: SiteId,
    _filter: &OrderFilter,
    _page: PageAsk<i64>,
) -> Result<Page<OrderRecord, i64>> {
    Err(StoreError::Unavailable("listing orders is not built".into()))
}

/// One order.
pub(super) async fn one(_conn: &mut Conn, _site: SiteId, _order: OrderNumber) -> Result<OrderRecord> {
    Err(StoreError::Unavailable("showing an order is not built".into()))
}

/// Closes an order.
pub(super) async fn close(_tx: &mut Tx, _site: SiteId, _said: ClosingSaid) -> Result<Ended> {
    Err(StoreError::Unavailable("closing is not built".into()))
}

/// Skips an order.
pub(super) async fn skip(_tx: &mut Tx, _site: SiteId, _ask: Ending) -> Result<Ended> {
    Err(StoreError::Unavailable("skipping is not built".into()))
}

/// Raises an order by hand.
pub(super) async fn raise(_tx: &mut Tx, _site: SiteId, _said: RaiseSaid) -> Result<DueEntry> {
    Err(StoreError::Unavailable("raising is not built".into()))
}

/// Undoes the closing of an order.
pub(super) async fn undo(_tx: &mut Tx, _site: SiteId, _ask: Ending) -> Result<Ended> {
    Err(StoreError::Unavailable("undoing is not built".into()))
}

/// The standing closings of an order's task, newest first.
pub(super) async fn closings_of(
    _conn: &mut Conn,
    _site: SiteId,
    _order: OrderNumber,
) -> Result<Vec<fettler_domain::order::ClosingRecord>> {
    Ok(Vec::new())
}
