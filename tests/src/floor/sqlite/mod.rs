//! A file, opened as the store's writer does.

mod dialect {
    use anyhow::{Context as _, Result};
    use sqlx::ConnectOptions as _;
    use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};

    pub(super) type Db = sqlx::Sqlite;
    pub(super) type Conn = sqlx::SqliteConnection;
    pub(super) type DbRow = sqlx::sqlite::SqliteRow;
    pub(super) const BEGIN: &str = "BEGIN IMMEDIATE";
    pub(super) const NUMBERED: bool = false;

    /// Opens a file as the store's writer does.
    pub(super) async fn open(place: &str) -> Result<Conn> {
        let options = SqliteConnectOptions::new()
            .filename(place)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .statement_cache_capacity(256)
            .pragma("journal_size_limit", "67108864")
            .pragma("wal_autocheckpoint", "4000")
            .pragma("temp_store", "memory")
            .pragma("cache_size", "-49152");
        options.connect().await.with_context(|| place.to_owned())
    }
}

#[path = "../body.rs"]
mod body;
pub(super) use body::{Group, pages, read, replay};
