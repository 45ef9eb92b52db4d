//! A reader of a service's file that stands still: it sees the state of the moment at which it began, and SQLite keeps that for it.

use sqlx::{Connection as _, Executor as _, SqliteConnection};
use std::path::Path;

/// Such a reader.
#[derive(Debug)]
pub struct StandingReader(SqliteConnection);

impl StandingReader {
    /// Begins to read the file in a data folder.
    pub async fn begin(data: &Path) -> StandingReader {
        let place = format!("sqlite:{}", data.join("fettler.db").display());
        let mut reader = SqliteConnection::connect(&place).await.expect("a reader");
        reader.execute("BEGIN").await.expect("a transaction");
        // A transaction sees a state from its first look on.
        reader.execute("PRAGMA schema_version").await.expect("it sees a state");
        StandingReader(reader)
    }

    /// Ends reading.
    pub async fn end(mut self) {
        self.0.execute("ROLLBACK").await.expect("it ends");
        self.0.close().await.expect("it is closed");
    }
}
