//! The store: what the service asks of it, and the engines that answer.
//!
//! * [`contract`]: the calls, in the domain's words.
//! * `body`: the calls in SQL, compiled once per engine.
//! * `sqlite`, `postgres`: the drivers, and the little that really differs.

pub mod contract;
mod postgres;
mod sqlite;

use contract::{Result, Store, StoreError};
use fettler_domain::error::Error;
use std::sync::Arc;

/// Opens the store at a URL (`sqlite:PATH`, `postgres://USER@HOST/DATABASE`) or a plain path, and brings its schema up to
/// date. A file is made if it is not there, a database is not.
pub async fn open(location: &str) -> Result<Arc<dyn Store>> {
    match location.split_once(':') {
        Some(("sqlite", path)) => {
            sqlite::open(path.strip_prefix("//").unwrap_or(path)).await.map(|s| s as Arc<dyn Store>)
        }
        Some(("postgres" | "postgresql", _)) => postgres::open(location).await.map(|s| s as Arc<dyn Store>),
        None => sqlite::open(location).await.map(|s| s as Arc<dyn Store>),
        Some((scheme, _)) => Err(StoreError::Refused(Error::invalid(
            "store",
            format!(
                "`{scheme}:` is not an engine that this service knows; give sqlite:PATH, postgres://USER@HOST/DATABASE or a plain path"
            ),
        ))),
    }
}
