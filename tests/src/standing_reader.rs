//! Others at a service's file: a reader that stands still, which sees the state of the moment at which it began, and SQLite keeps that for
//! it; a writer, beside whom nobody writes; and somebody who takes a part of it away.

use sqlx::{Connection as _, Executor as _, SqliteConnection};
use std::path::Path;

/// Such a reader.
#[derive(Debug)]
pub struct StandingReader(SqliteConnection);

impl StandingReader {
    /// Begins to read the file in a data folder.
    pub async fn begin(data: &Path) -> StandingReader {
        let mut reader = connection(data).await;
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

/// A writer: as long as it stands, no write of the service ends.
#[derive(Debug)]
pub struct StandingWriter(SqliteConnection);

impl StandingWriter {
    /// Begins to write to the file in a data folder.
    pub async fn begin(data: &Path) -> StandingWriter {
        let mut writer = connection(data).await;
        writer.execute("BEGIN IMMEDIATE").await.expect("a transaction");
        StandingWriter(writer)
    }

    /// Ends, and has written nothing.
    pub async fn end(mut self) {
        self.0.execute("ROLLBACK").await.expect("it ends");
        self.0.close().await.expect("it is closed");
    }
}

/// Takes the tokens out of the file in a data folder, so that none can be looked up.
pub async fn take_tokens_away(data: &Path) {
    let mut other = connection(data).await;
    other.execute("ALTER TABLE token RENAME TO token_away").await.expect("they are away");
    other.close().await.expect("it is closed");
}

async fn connection(data: &Path) -> SqliteConnection {
    let place = format!("sqlite:{}", data.join("fettler.db").display());
    SqliteConnection::connect(&place).await.expect("a connection")
}
