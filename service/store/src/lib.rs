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
use sqlx::migrate::MigrateError;
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

/// A location as it may be shown: a URL without the user's name and password.
pub fn shown(location: &str) -> String {
    let Some((scheme, rest)) = location.split_once("://") else { return location.to_owned() };
    let place = rest.split('?').next().unwrap_or(rest);
    let place = place.rsplit_once('@').map_or(place, |(_, place)| place);
    format!("{scheme}://{place}")
}

/// Why a schema cannot be brought up to date.
fn schema_error(location: &str, error: &MigrateError) -> StoreError {
    let place = shown(location);
    let text = if let MigrateError::VersionMissing(step) = error {
        format!("{place} has a schema of a newer fettlerd (step {step}); start that one, or a newer one")
    } else if let MigrateError::VersionMismatch(step) = error {
        format!(
            "step {step} of the schema of {place} is not the one that this fettlerd knows; it was altered by hand"
        )
    } else {
        format!("the schema of {place} cannot be brought up to date: {error}")
    };
    StoreError::Unavailable(text)
}

/// What a newer service would leave in the list of steps.
#[cfg(test)]
const LATER_STEP: &str = "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time) \
    SELECT 9001, 'later', success, checksum, execution_time FROM _sqlx_migrations WHERE version = 1";

#[cfg(test)]
mod tests {
    use super::shown;

    #[test]
    fn a_location_is_shown_without_its_secrets() {
        for (location, expect) in [
            (
                "postgres://shop:se@cret@db.example:5432/shop?sslmode=require",
                "postgres://db.example:5432/shop",
            ),
            ("postgres:///shop?host=/run&password=x", "postgres:///shop"),
            ("sqlite:/data/fettler.db", "sqlite:/data/fettler.db"),
            ("/data/fettler.db", "/data/fettler.db"),
        ] {
            assert_eq!(shown(location), expect);
        }
    }
}
