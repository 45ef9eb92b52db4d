//! The store: what the service asks of it, and the engines that answer.
//!
//! * [`contract`]: the calls, in the domain's words.
//! * `body`: the calls in SQL, compiled once per engine.
//! * `sqlite`: the driver, and the little that really differs.

pub mod contract;
mod sqlite;

use contract::{Result, Store, StoreError};
use fettler_domain::error::Error;
use std::sync::Arc;

/// Opens the store at a URL (`sqlite:PATH`) or a plain path, creating it and bringing its schema up to date.
pub async fn open(location: &str) -> Result<Arc<dyn Store>> {
    match location.split_once(':') {
        Some(("sqlite", path)) => {
            sqlite::open(path.strip_prefix("//").unwrap_or(path)).await.map(|s| s as Arc<dyn Store>)
        }
        None => sqlite::open(location).await.map(|s| s as Arc<dyn Store>),
        Some((scheme, _)) => Err(StoreError::Refused(Error::invalid(
            "store",
            format!("`{scheme}:` is not an engine that this service knows; give sqlite:PATH or a plain path"),
        ))),
    }
}
