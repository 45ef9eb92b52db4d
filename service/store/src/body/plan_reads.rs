//! The due list and its explanations.

use super::Conn;
use crate::contract::{
    DueCursor, DueEntry, DueFilter, DueHead, Explained, Page, PageAsk, Result, StoreError,
};
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::text::Key;
use fettler_domain::time::Ts;

pub(super) async fn head(_conn: &mut Conn, _site: SiteId, _now: Ts) -> Result<DueHead> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn page(
    _conn: &mut Conn,
    _site: SiteId,
    _filter: &DueFilter,
    _page: PageAsk<DueCursor>,
) -> Result<Page<DueEntry, DueCursor>> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn explain(
    _conn: &mut Conn,
    _site: SiteId,
    _order: OrderNumber,
    _now: Ts,
) -> Result<Explained> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn open_order(
    _conn: &mut Conn,
    _site: SiteId,
    _machine: &str,
    _task: &Key,
) -> Result<OrderNumber> {
    Err(StoreError::Unavailable("not built".into()))
}
/// The list's view of an order.
pub(super) async fn entry(_conn: &mut Conn, _site: SiteId, _order: OrderNumber) -> Result<DueEntry> {
    Err(StoreError::Unavailable("not built".into()))
}
