//! Declarations: a shop as it is loaded and shown.

use super::Conn;
use super::tx::Tx;
use crate::contract::{LoadReport, Result, StoreError};
use fettler_domain::ids::SiteId;
use fettler_domain::shop::{Declaration, LastDoneCard, ShopChange};
use fettler_domain::text::Name;

/// Declares a shop, or says what would change.
pub(super) async fn load(
    _tx: &mut Tx,
    _declared: Declaration,
    _by: Option<Name>,
    _validate_only: bool,
) -> Result<LoadReport> {
    Err(StoreError::Unavailable("declaring a shop is not built".into()))
}

/// The shop as declared now.
pub(super) async fn read(_conn: &mut Conn, _site: SiteId) -> Result<Declaration> {
    Err(StoreError::Unavailable("showing a shop is not built".into()))
}

/// States when tasks were last done.
pub(super) async fn state_last_done(
    _tx: &mut Tx,
    _site: SiteId,
    _stated: Vec<LastDoneCard>,
    _by: Option<Name>,
    _validate_only: bool,
) -> Result<Vec<ShopChange>> {
    Err(StoreError::Unavailable("stating what was last done is not built".into()))
}
