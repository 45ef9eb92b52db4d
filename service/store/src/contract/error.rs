//! Why a call of a store fails.

/// Why a store call failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The intention is refused; the domain says why.
    #[error(transparent)]
    Refused(#[from] fettler_domain::error::Error),
    /// Another writer was faster too often; try again.
    #[error("the store was changed by another writer meanwhile; try again")]
    Conflict,
    /// The store cannot be reached or is too busy; try again later.
    #[error("the store is not available: {0}")]
    Unavailable(String),
    /// There is no room for what is to be written; nothing of it stands, and reading goes on.
    #[error("there is no room to write: {0}")]
    NoRoom(String),
    /// The disk did not take or give what it was asked to. What it holds is known only after it is read anew.
    #[error("the disk failed: {0}")]
    DiskFailed(String),
    /// A stored row breaks an invariant of ours.
    #[error("stored data is damaged: {table}.{column} of row {row}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// The column.
        column: &'static str,
        /// The row's key.
        row: String,
    },
    /// The database driver failed.
    #[error("the database failed")]
    Driver(#[source] sqlx::Error),
}

impl From<sqlx::Error> for StoreError {
    /// What another try may mend is told apart from what it may not.
    #[expect(clippy::wildcard_enum_match_arm, reason = "the driver's list of errors is open")]
    fn from(error: sqlx::Error) -> StoreError {
        match &error {
            sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::Protocol(_)
            | sqlx::Error::Io(_) => StoreError::Unavailable(error.to_string()),
            sqlx::Error::Database(cause) => match kind_of(&**cause) {
                Kind::Full => StoreError::NoRoom(error.to_string()),
                Kind::Disk => StoreError::DiskFailed(error.to_string()),
                Kind::Passing => StoreError::Unavailable(error.to_string()),
                Kind::Other => StoreError::Driver(error),
            },
            _ => StoreError::Driver(error),
        }
    }
}

/// What kind of failure a database reports.
enum Kind {
    /// There is no room.
    Full,
    /// A file that is ours could not be written, flushed or read.
    Disk,
    /// Another try may mend it.
    Passing,
    /// Nothing of these.
    Other,
}

fn kind_of(cause: &dyn sqlx::error::DatabaseError) -> Kind {
    /// PostgreSQL's code for a full disk.
    const SERVER_FULL: &str = "53100";
    /// PostgreSQL's classes: connection, transaction rolled back, resources, a lock not had, stopped by an operator,
    /// the system; and a server that only reads, as a standby does.
    const SERVER: [&str; 7] = ["08", "40", "53", "55", "57", "58", "25006"];
    let Some(code) = cause.code() else { return Kind::Other };
    if cause.try_downcast_ref::<sqlx::postgres::PgDatabaseError>().is_some() {
        return match () {
            () if code == SERVER_FULL => Kind::Full,
            () if SERVER.iter().any(|class| code.starts_with(class)) => Kind::Passing,
            () => Kind::Other,
        };
    }
    // SQLite's primary codes: busy, locked, an I/O error, a full disk.
    match code.parse::<i64>().map(|code| code & 0xff) {
        Ok(5 | 6) => Kind::Passing,
        Ok(10) => Kind::Disk,
        Ok(13) => Kind::Full,
        _ => Kind::Other,
    }
}

impl StoreError {
    /// The same error once more, for another caller whose work shared the transaction.
    #[must_use]
    pub fn again(&self) -> StoreError {
        match self {
            StoreError::Refused(error) => StoreError::Refused(error.clone()),
            StoreError::Conflict => StoreError::Conflict,
            StoreError::Unavailable(text) => StoreError::Unavailable(text.clone()),
            StoreError::NoRoom(text) => StoreError::NoRoom(text.clone()),
            StoreError::DiskFailed(text) => StoreError::DiskFailed(text.clone()),
            StoreError::Corrupt { table, column, row } => {
                StoreError::Corrupt { table, column, row: row.clone() }
            }
            StoreError::Driver(error) => StoreError::Unavailable(error.to_string()),
        }
    }
}

/// The result of a store call.
pub type Result<T> = std::result::Result<T, StoreError>;
