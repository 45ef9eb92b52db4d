//! A file, opened as the store's writer does.

mod dialect {
    use super::body::{Cell, Cells, Query};
    use anyhow::{Context as _, Result};
    use sqlx::ConnectOptions as _;
    use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};

    pub(super) type Db = sqlx::Sqlite;
    pub(super) type Conn = sqlx::SqliteConnection;
    pub(super) type DbRow = sqlx::sqlite::SqliteRow;
    pub(super) const BEGIN: &str = "BEGIN IMMEDIATE";
    /// The store has none here.
    pub(super) const STATISTICS: Option<&str> = None;

    /// The chunks of the store: a few sizes.
    pub(super) fn chunk(rows: usize) -> Option<usize> {
        [512, 64, 8, 1].into_iter().find(|size| *size <= rows)
    }

    /// Each size has a text of its own.
    pub(super) fn text_for(rows: usize) -> usize {
        rows
    }

    /// As in the store: nothing is looked up by a name, and rows bring the site along.
    pub(super) fn text(head: &str, tail: &str, rows: usize, width: usize) -> String {
        let row = format!("({})", vec!["?"; width].join(", "));
        // The tail closes the last row's bracket.
        let list = vec![row.as_str(); rows].join(", ");
        format!("{head} {list}{tail}")
    }

    /// A statement with the values of its rows.
    pub(super) fn bind<'r>(query: Query<'r>, rows: &'r [Cells]) -> Query<'r> {
        rows.iter().flatten().fold(query, |query, cell| match cell {
            Cell::Number(number) => query.bind(*number),
            Cell::Text(text) => query.bind(text.as_deref()),
            Cell::Bytes(bytes) => query.bind(bytes.as_deref()),
        })
    }

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
