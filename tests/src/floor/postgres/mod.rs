//! A database, connected to as the store's writer does.

mod dialect {
    use anyhow::Result;
    use sqlx::ConnectOptions as _;
    use sqlx::postgres::PgConnectOptions;
    use std::str::FromStr as _;

    pub(super) type Db = sqlx::Postgres;
    pub(super) type Conn = sqlx::PgConnection;
    pub(super) type DbRow = sqlx::postgres::PgRow;
    pub(super) const BEGIN: &str = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE";
    pub(super) const NUMBERED: bool = true;

    /// Connects as the store's writer does.
    pub(super) async fn open(place: &str) -> Result<Conn> {
        let options = PgConnectOptions::from_str(place)?.statement_cache_capacity(512);
        Ok(options.options([("synchronous_commit", "on")]).connect().await?)
    }
}

#[expect(clippy::duplicate_mod, reason = "one text, compiled for each driver")]
#[path = "../body.rs"]
mod body;
pub(super) use body::{Group, pages, read, replay};
