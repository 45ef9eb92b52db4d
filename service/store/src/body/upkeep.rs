//! Upkeep: what time and changed declarations ask to be done again.

use super::tx::Tx;
use crate::contract::{Result, StoreError, Upkeep};
use fettler_domain::ids::SiteId;

/// One bounded pass over a site.
pub(super) async fn upkeep(_tx: &mut Tx, _site: SiteId, _limit: u32) -> Result<Upkeep> {
    Err(StoreError::Unavailable("not built".into()))
}
