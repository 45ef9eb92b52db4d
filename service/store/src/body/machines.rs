//! Machines and the states between which they are moved.

use super::Conn;
use super::tx::Tx;
use crate::contract::{MachineFilter, MachineMove, MachineRecord, Page, PageAsk, Result, StoreError};
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::shop::MachineCard;
use fettler_domain::text::{Key, Name};

/// A move that is asked for.
pub(super) struct Move {
    /// The machine's tag.
    pub(super) tag: Key,
    /// Where to.
    pub(super) to: MachineMove,
    /// Who moves it.
    pub(super) by: Name,
    /// Why.
    pub(super) reason: String,
    /// Whether nothing is to stand.
    pub(super) validate_only: bool,
}

/// Machines by area and tag.
pub(super) async fn list(
    _conn: &mut Conn,
    _site: SiteId,
    _filter: &MachineFilter,
    _page: PageAsk<(String, String)>,
) -> Result<Page<MachineRecord, (String, String)>> {
    Err(StoreError::Unavailable("listing machines is not built".into()))
}

/// A machine by one of its names, with its card.
pub(super) async fn find(
    _conn: &mut Conn,
    _site: SiteId,
    _name: &str,
) -> Result<Option<(MachineRecord, MachineCard)>> {
    Err(StoreError::Unavailable("finding a machine is not built".into()))
}

/// Moves a machine between its states.
pub(super) async fn move_to(
    _tx: &mut Tx,
    _site: SiteId,
    _ask: Move,
) -> Result<(MachineRecord, Vec<OrderNumber>)> {
    Err(StoreError::Unavailable("moving a machine is not built".into()))
}

/// Machines that must not start, longest first.
pub(super) async fn forbidden(_conn: &mut Conn, _site: SiteId) -> Result<Vec<MachineRecord>> {
    Ok(Vec::new())
}
