//! Taking reports.

use super::tx::Tx;
use super::writer::Push;
use crate::contract::{Acknowledged, Result, StoreError};

/// Takes the reports of several pushes to one site.
pub(super) async fn push(_tx: &mut Tx, _pushes: &mut [Push]) -> Result<Vec<Vec<Acknowledged>>> {
    Err(StoreError::Unavailable("taking reports is not built".into()))
}
