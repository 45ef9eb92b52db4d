//! SQLite: a file with a write-ahead log, one connection that writes and a few that read.

use crate::contract::Result;
use crate::{same_schema, schema_error};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions as _, Connection as _, SqliteConnection, SqlitePool, migrate::Migrator};
use std::num::NonZero;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// The driver.
pub(crate) type Db = sqlx::Sqlite;

/// What is written otherwise than for another engine.
pub(crate) mod dialect {
    /// Begins a writing transaction. It takes the write lock at once: a transaction that reads first and writes
    /// later would be refused whenever another has written in between.
    pub(crate) const BEGIN_WRITE: &str = "BEGIN IMMEDIATE";
    /// Begins a reading transaction: everything in it sees one state.
    pub(crate) const BEGIN_READ: &str = "BEGIN";
    /// How the log is moved into the file. The engine would do it by itself after a commit and tell nobody of a failure: then what a
    /// flush has lost stays lost, and the log that still had it is written over.
    pub(crate) const LOG: Option<super::body::Log> = Some(super::body::Log {
        pages: "PRAGMA wal_checkpoint(NOOP)",
        move_in: "PRAGMA wal_checkpoint(PASSIVE)",
        empty: "PRAGMA wal_checkpoint(TRUNCATE)",
        // 16 MiB: at 4 MiB, as the engine has it, a bulk load would move the log at every commit.
        pages_max: 4_000,
    });
    /// Statistics: here they come with the schema, and no plan waits for them.
    pub(crate) const STATISTICS: Option<super::body::Statistics> = None;
    /// Whether the parameters of what is copied are numbered. SQLite takes `$1` for a name, and finding one walks over all of them.
    pub(crate) const NUMBERED: bool = false;
    /// What the database takes, without its log.
    pub(crate) const DATABASE_BYTES: &str =
        "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()";

    /// What the log takes: it lies beside the file, and is not there before the first change.
    #[expect(clippy::unnecessary_wraps, reason = "another engine has no such log")]
    pub(crate) fn log_bytes(readers: &sqlx::SqlitePool) -> Option<u64> {
        let options = readers.connect_options();
        let mut log = options.get_filename().to_path_buf().into_os_string();
        log.push("-wal");
        Some(std::fs::metadata(log).map_or(0, |file| file.len()))
    }
    /// Whether several services may have the store open at once. Here not: the data folder is locked by the one that has it.
    pub(crate) const SHARED: bool = false;
    /// Whether a commit that fails ends all writing. Here it does: after a failed flush nobody knows what the disk holds,
    /// and a flush that is tried again may claim what is not so.
    pub(crate) const COMMIT_IS_LAST: bool = true;
    /// The engine's own checks, each with what it is: a row for each fault, or one that says that there is none.
    pub(crate) const OWN_CHECKS: &[(&str, &str)] = &[
        ("PRAGMA integrity_check(20)", "SQLite's check of the file"),
        ("PRAGMA foreign_key_check", "SQLite's check of rows that name others"),
    ];
    /// What a check says that found nothing.
    pub(crate) const ALL_IS_WELL: &str = "ok";
    /// What was checked by the engine, in words.
    pub(crate) const OWN_CHECK_IN_WORDS: &str = "SQLite's own check of the file found nothing";
}

#[path = "../body/mod.rs"]
mod body;
mod lists;

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations/sqlite");

/// How long a connection waits for another process to release the file, in milliseconds.
const BUSY_MILLIS: u64 = 10_000;
/// How many connections read at least: a long reading leaves the others free,
const READERS_MIN: u32 = 4;
/// and at most. Between the two there are as many as cores, as more do not read faster, and each holds a few megabytes.
const READERS_MAX: u32 = 8;
/// How long a read waits for a connection, in seconds: longer than [`BUSY_MILLIS`].
const ACQUIRE_SECONDS: u64 = 15;
/// How many rows the driver's thread reads ahead of us.
const ROWS_AHEAD: usize = 1_024;

/// Opens the file, creating it and bringing its schema up to date.
pub(crate) async fn open(path: &str) -> Result<Arc<body::SqlStore>> {
    let (writer, readers, again) = connect(path).await?;
    Ok(Arc::new(body::SqlStore::start(writer, readers, again)))
}

/// Opens a file to look at it, with the schema that it has. One that is kept, as a backup is, is changed by nobody meanwhile, and
/// may lie where nothing can be written.
pub(crate) async fn look(path: &str, is_kept: bool) -> Result<Arc<body::SqlStore>> {
    let options = SqliteConnectOptions::new()
        .filename(Path::new(path))
        .create_if_missing(false)
        .read_only(is_kept)
        .immutable(is_kept)
        .busy_timeout(Duration::from_millis(BUSY_MILLIS))
        .row_buffer_size(ROWS_AHEAD)
        .pragma("temp_store", "memory")
        .pragma("query_only", "on");
    let mut first = options.connect().await?;
    same_schema(&mut first, &MIGRATIONS, path).await?;
    let readers = SqlitePoolOptions::new()
        .max_connections(readers_count())
        .acquire_timeout(Duration::from_secs(ACQUIRE_SECONDS))
        .connect_with(options.clone())
        .await?;
    Ok(Arc::new(body::SqlStore::start(first, readers, again(options))))
}

/// Writes all that a file holds into a new one, as it stands at one moment, while others read and write.
pub(crate) async fn copy_file(path: &str, to: &Path) -> Result<()> {
    let options = SqliteConnectOptions::new()
        .filename(Path::new(path))
        .create_if_missing(false)
        .busy_timeout(Duration::from_millis(BUSY_MILLIS))
        .pragma("temp_store", "memory");
    let mut conn = options.connect().await?;
    same_schema(&mut conn, &MIGRATIONS, path).await?;
    sqlx::query("VACUUM INTO $1").bind(to.to_string_lossy().into_owned()).execute(&mut conn).await?;
    conn.close().await?;
    Ok(())
}

/// The last step of the schema that is known.
pub(crate) fn schema() -> i64 {
    MIGRATIONS.iter().map(|step| step.version).max().unwrap_or(0)
}

/// One side of a copy.
pub(crate) async fn side(path: &str) -> Result<body::CopySide> {
    let (writer, ..) = connect(path).await?;
    Ok(body::CopySide(writer))
}

/// The connection that writes, those that read, and the way to another one that writes.
async fn connect(path: &str) -> Result<(SqliteConnection, SqlitePool, body::Connect)> {
    let options = SqliteConnectOptions::new()
        .filename(Path::new(path))
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(Duration::from_millis(BUSY_MILLIS))
        .statement_cache_capacity(256)
        .row_buffer_size(ROWS_AHEAD)
        // 64 MiB: what a burst may leave behind.
        .pragma("journal_size_limit", "67108864")
        // The writer moves the log into the file, and looks at what becomes of it.
        .pragma("wal_autocheckpoint", "0")
        .pragma("temp_store", "memory");
    // 20 MiB: so that reports out of order find most of the indexes in memory. With 24 MiB, and what a writer remembers of orders, a
    // service with a million tasks took some 3 % more memory than it is to take.
    let writing = options.clone().pragma("cache_size", "-20480");
    let mut writer = writing.connect().await?;
    MIGRATIONS.run(&mut writer).await.map_err(|error| schema_error(path, &error))?;
    let readers = SqlitePoolOptions::new()
        .max_connections(readers_count())
        .acquire_timeout(Duration::from_secs(ACQUIRE_SECONDS))
        .connect_with(options.create_if_missing(false).pragma("query_only", "on"))
        .await?;
    Ok((writer, readers, again(writing)))
}

fn readers_count() -> u32 {
    let cores = std::thread::available_parallelism().map_or(1, NonZero::get);
    u32::try_from(cores).unwrap_or(READERS_MAX).clamp(READERS_MIN, READERS_MAX)
}

fn again(options: SqliteConnectOptions) -> body::Connect {
    Box::new(move || {
        let options = options.clone();
        Box::pin(async move { Ok(options.connect().await?) })
    })
}

/// Connections to a store of their own, for tests of what stands between the calls and the engine.
#[cfg(test)]
async fn scratch() -> (tempfile::TempDir, SqliteConnection, SqlitePool, body::Connect) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("scratch.db");
    let (writer, readers, again) = connect(path.to_str().expect("UTF-8")).await.expect("connections");
    (folder, writer, readers, again)
}

#[cfg(test)]
mod tests {
    use super::{MIGRATIONS, SqliteConnectOptions, body};
    use crate::copy::{TABLES, Table};
    use sqlx::{AssertSqlSafe, ConnectOptions as _, Executor as _, SqlStr};
    use std::collections::BTreeSet;

    /// A wrong table, column or keyword is found here, before any call runs into it.
    #[tokio::test]
    async fn every_statement_is_understood_by_the_engine() {
        let options = SqliteConnectOptions::new().in_memory(true);
        let mut conn = options.connect().await.expect("a database");
        MIGRATIONS.run(&mut conn).await.expect("the schema");
        let all = body::all_sql();
        assert!(all.len() > 60);
        for text in all {
            if let Err(error) = (&mut conn).describe(SqlStr::from_static(text)).await {
                panic!("{error}: {text}");
            }
        }
    }

    /// An index of which the planner knows nothing is taken for one that finds ten rows, however many share its first column.
    #[tokio::test]
    async fn every_index_has_its_figures() {
        let (_folder, mut conn, ..) = super::scratch().await;
        let text = "SELECT t.name, CASE WHEN i.origin = 'pk' AND t.wr THEN t.name ELSE i.name END FROM pragma_table_list t \
            JOIN pragma_index_list(t.name) i WHERE t.schema = 'main' AND t.name NOT LIKE '\\_%' ESCAPE '\\'";
        let indexes: BTreeSet<(String, String)> =
            sqlx::query_as(text).fetch_all(&mut conn).await.expect("indexes").into_iter().collect();
        let text = "SELECT tbl, idx FROM sqlite_stat1";
        let known: BTreeSet<(String, String)> =
            sqlx::query_as(text).fetch_all(&mut conn).await.expect("figures").into_iter().collect();
        assert_eq!(known, indexes);
    }

    /// What changes or shows one thing would else be slower with every machine and every year.
    #[tokio::test]
    async fn what_is_asked_of_one_thing_walks_no_site() {
        let (_folder, mut conn, ..) = super::scratch().await;
        let statements = body::of_one_thing();
        assert!(statements.len() > 100);
        let mut walking = BTreeSet::new();
        for text in statements {
            let plan = format!("EXPLAIN QUERY PLAN {text}");
            let plan = AssertSqlSafe(plan.as_str());
            let plan: Vec<(i64, i64, i64, String)> =
                sqlx::query_as(plan).fetch_all(&mut conn).await.expect("a plan");
            walking.extend(plan.into_iter().filter(|(.., step)| walks(step)).map(|(.., step)| (text, step)));
        }
        assert!(walking.is_empty(), "{walking:#?}");
    }

    /// Whether a step of a plan goes through all of a site, or of all that stands in one state there, in a table that grows.
    fn walks(step: &str) -> bool {
        // What is asked for by a list of keys, and what follows from that.
        let given =
            ["SCAN CONSTANT ROW", "SCAN k", "SCAN smaller_of", "SCAN s", "SCAN stale"].contains(&step);
        let is_small = ["item", "person", "token"].iter().any(|table| step.split(' ').nth(1) == Some(table));
        let is_whole =
            step.starts_with("SCAN ") || step.ends_with("(site=?)") || step.ends_with("(site=? AND state=?)");
        is_whole && !given && !is_small
    }

    /// A table or column that is not copied would be lost without a word.
    #[tokio::test]
    async fn every_column_is_copied() {
        let (_folder, mut conn, ..) = super::scratch().await;
        let text = "SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c \
            WHERE m.type = 'table' AND m.name NOT LIKE '\\_%' ESCAPE '\\' AND m.name NOT IN ('lease', 'sqlite_sequence', 'sqlite_stat1', 'sqlite_stat4')";
        let found: Vec<(String, String)> = sqlx::query_as(text).fetch_all(&mut conn).await.expect("columns");
        let found: BTreeSet<(String, String)> = found.into_iter().collect();
        let columns = |table: &'static Table| {
            table.columns.iter().map(|(column, _)| (table.name.into(), (*column).into()))
        };
        let copied: BTreeSet<(String, String)> = TABLES.iter().flat_map(columns).collect();
        assert_eq!(found, copied);
    }

    #[tokio::test]
    async fn a_schema_of_a_newer_service_is_refused() {
        let (folder, mut conn, ..) = super::scratch().await;
        sqlx::query(crate::LATER_STEP).execute(&mut conn).await.expect("a later step");
        let path = folder.path().join("scratch.db");
        let refused = super::connect(path.to_str().expect("UTF-8")).await.map(drop).expect_err("refused");
        let refused = refused.to_string();
        assert!(
            refused.contains("has a schema of a newer fettlerd (step 9001); start that one"),
            "{refused}"
        );
    }
}
