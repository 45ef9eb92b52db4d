//! PostgreSQL: one connection that writes and a few that read, shared by any number of services.

use crate::contract::{Result, StoreError};
use crate::{same_schema, schema_error};
use sqlx::migrate::{Migrate as _, Migrator};
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{ConnectOptions as _, PgConnection, PgPool};
use std::str::FromStr as _;
use std::sync::Arc;
use std::time::Duration;

/// The driver.
pub(crate) type Db = sqlx::Postgres;

/// How many rows of the site `$1` the statistics know of in a table: its share among the most common values of the column. A transaction
/// that is undone takes such a share back, but not the number of rows that it saw.
macro_rules! known {
    ($table:literal) => {
        concat!(
            "COALESCE((SELECT MAX(CAST(c.reltuples * f.share AS BIGINT)) FROM pg_class c ",
            "JOIN pg_namespace n ON n.oid = c.relnamespace ",
            "JOIN pg_stats s ON s.schemaname = n.nspname AND s.tablename = c.relname AND s.attname = 'site' ",
            "CROSS JOIN LATERAL unnest(CAST(CAST(s.most_common_vals AS text) AS text[]), s.most_common_freqs) AS f (value, share) ",
            "WHERE c.oid = CAST('",
            $table,
            "' AS regclass) AND f.value = CAST(CAST($1 AS BIGINT) AS text)), 0)"
        )
    };
}

/// What is written otherwise than for another engine.
pub(crate) mod dialect {
    /// Begins a writing transaction. The site's row, taken first, makes the writers of a site wait for one another; what
    /// is read after that is what the one before has committed.
    pub(crate) const BEGIN_WRITE: &str = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE";
    /// Begins a reading transaction: everything in it sees one state.
    pub(crate) const BEGIN_READ: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
    /// How the log is moved into the file: the database's own business here.
    pub(crate) const LOG: Option<super::body::Log> = None;
    /// How the database is told to look at the tables that declaring and pushing go through. Where another service looks at one, or
    /// the role does not own it, it is left out, with no error.
    pub(crate) const STATISTICS: Option<super::body::Statistics> = Some(super::body::Statistics {
        known: concat!("SELECT ", known!("journal_leaf"), ", ", known!("ledger")),
        renew: "ANALYZE (SKIP_LOCKED) adjustment, closing, journal_leaf, last_done, ledger, machine, machine_name, meter, \
                meter_month, plan, point, replacement, request, rest, rule_version, sheet, task, task_cover, work_order",
    });
    /// Whether the parameters of what is copied are numbered. Here they must be.
    pub(crate) const NUMBERED: bool = true;
    /// What the database takes, without its log.
    pub(crate) const DATABASE_BYTES: &str = "SELECT pg_database_size(current_database())";

    /// What the log takes: the database's own business here.
    pub(crate) fn log_bytes(_: &sqlx::PgPool) -> Option<u64> {
        None
    }
    /// Whether several services may have the store open at once. Any number may.
    pub(crate) const SHARED: bool = true;
    /// Whether a commit that fails ends all writing. Here it does not: the database keeps what it has flushed, and a
    /// connection that breaks at the commit says nothing about it. Whoever asked is told to ask again; the request id, or
    /// the report's own key, finds what was written.
    pub(crate) const COMMIT_IS_LAST: bool = false;
    /// The engine's own checks. A server has none that whoever may read can ask for; it checks what it reads where its pages
    /// have checksums, so every row is read.
    pub(crate) const OWN_CHECKS: &[(&str, &str)] = &[];
    /// What a check says that found nothing.
    pub(crate) const ALL_IS_WELL: &str = "ok";
    /// What was checked by the engine, in words.
    pub(crate) const OWN_CHECK_IN_WORDS: &str =
        "PostgreSQL gave every row (its own check of indexes is pg_amcheck)";
}

#[expect(clippy::duplicate_mod, reason = "one text, compiled for each driver")]
#[path = "../body/mod.rs"]
mod body;
mod lists;

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations/postgres");

/// How many connections read.
const READERS_MAX: u32 = 8;
/// How long a read waits for a connection, in seconds.
const ACQUIRE_SECONDS: u64 = 15;
/// How many statements a connection keeps prepared: more than there are, so that each is prepared once.
const STATEMENTS: usize = 512;
/// What a session is set to. A writer waits for another's transaction, but not for ever; a service that stands still in
/// the middle of one loses it, so that the others go on.
const SESSION: [(&str, &str); 4] = [
    ("lock_timeout", "20s"),
    ("statement_timeout", "120s"),
    ("idle_in_transaction_session_timeout", "30s"),
    ("synchronous_commit", "on"),
];

/// Connects, and brings the schema up to date.
pub(crate) async fn open(url: &str) -> Result<Arc<body::SqlStore>> {
    let (writer, readers, again) = connect(url).await?;
    Ok(Arc::new(body::SqlStore::start(writer, readers, again)))
}

/// Connects to look at what is there, with the schema that it has.
pub(crate) async fn look(url: &str) -> Result<Arc<body::SqlStore>> {
    let options = options(url)?;
    let mut first = options.connect().await?;
    same_schema(&mut first, &MIGRATIONS, url).await?;
    let readers = readers(&options).await?;
    Ok(Arc::new(body::SqlStore::start(first, readers, again(options))))
}

/// One side of a copy.
pub(crate) async fn side(url: &str) -> Result<body::CopySide> {
    let (writer, ..) = connect(url).await?;
    Ok(body::CopySide(writer))
}

/// The side that a backup is made from, with the schema that it has.
pub(crate) async fn side_to_read(url: &str) -> Result<body::CopySide> {
    let mut conn = options(url)?.connect().await?;
    same_schema(&mut conn, &MIGRATIONS, url).await?;
    Ok(body::CopySide(conn))
}

/// Whether a URL can be read; nobody is asked.
pub(crate) fn readable(url: &str) -> Result<()> {
    options(url).map(drop)
}

fn options(url: &str) -> Result<PgConnectOptions> {
    let options = PgConnectOptions::from_str(url)
        .map_err(|error| StoreError::Unavailable(format!("the database's URL cannot be read: {error}")))?;
    Ok(options.application_name("fettlerd").statement_cache_capacity(STATEMENTS).options(SESSION))
}

async fn readers(options: &PgConnectOptions) -> Result<PgPool> {
    let pool = PgPoolOptions::new()
        .max_connections(READERS_MAX)
        .acquire_timeout(Duration::from_secs(ACQUIRE_SECONDS))
        .connect_with(options.clone());
    Ok(pool.await?)
}

/// The connection that writes, those that read, and the way to another one that writes.
async fn connect(url: &str) -> Result<(PgConnection, PgPool, body::Connect)> {
    let options = options(url)?;
    let mut writer = options.connect().await?;
    if !is_up_to_date(&mut writer).await {
        MIGRATIONS.run(&mut writer).await.map_err(|error| schema_error(url, &error))?;
    }
    let readers = readers(&options).await?;
    Ok((writer, readers, again(options)))
}

/// Whether every step of the schema was taken, and none that is not known. Then nothing is left that several services would have to
/// be kept from doing at once: the lock for it belongs to a session, and a pooler may take it on one connection and give it
/// back on another.
async fn is_up_to_date(conn: &mut PgConnection) -> bool {
    // Where there is no list of steps yet, or it cannot be read, the whole way is gone and tells what is wrong.
    let Ok(taken) = conn.list_applied_migrations(&MIGRATIONS.table_name).await else { return false };
    let taken = taken.iter().map(|step| (step.version, &step.checksum));
    let unfinished = conn.dirty_version(&MIGRATIONS.table_name).await;
    matches!(unfinished, Ok(None)) && taken.eq(MIGRATIONS.iter().map(|step| (step.version, &step.checksum)))
}

fn again(options: PgConnectOptions) -> body::Connect {
    Box::new(move || {
        let options = options.clone();
        Box::pin(async move { Ok(options.connect().await?) })
    })
}

/// Connections to a store of their own, for tests of what stands between the calls and the engine.
#[cfg(test)]
async fn scratch() -> ((), PgConnection, PgPool, body::Connect) {
    let url = fettler_pg::Cluster::shared().empty();
    let (writer, readers, again) = connect(&url).await.expect("connections");
    ((), writer, readers, again)
}

#[cfg(test)]
mod tests {
    use super::{MIGRATIONS, PgConnectOptions, body};
    use sqlx::{AssertSqlSafe, ConnectOptions as _, Executor as _, SqlSafeStr as _};
    use std::str::FromStr as _;

    /// The text with the types of a list's arrays written out: in a list by itself nothing says what an array is of, while a call binds
    /// it with its type.
    fn typed(text: &str) -> String {
        let Some((before, rest)) = text.split_once("FROM unnest(") else { return text.to_owned() };
        let (arrays, tail) = rest.split_once(')').expect("the arrays");
        let names =
            before.split_once('(').map(|(_, names)| names.split_once(')').expect("the names of columns").0);
        let names: Vec<&str> = names.expect("the names of columns").split(", ").collect();
        let arrays: Vec<&str> = arrays.split(", ").collect();
        let types = names[names.len() - arrays.len()..].iter().map(|column| match *column {
            "source" | "report" | "state" | "held" | "reason" | "settlement" | "kind" | "unit"
            | "machine_sent" | "meter_sent" | "subject" | "text" | "payload" | "area" | "zone_data"
            | "family" | "figures" | "entry" | "told" => "text",
            "digest" | "bytes" | "hash" | "salt" => "bytea",
            _ => "bigint",
        });
        let arrays: Vec<String> =
            arrays.iter().zip(types).map(|(array, of)| format!("{array}::{of}[]")).collect();
        format!("{before}FROM unnest({}){tail}", arrays.join(", "))
    }

    /// A wrong table, column or keyword is found here, before any call runs into it.
    #[tokio::test]
    async fn every_statement_is_understood_by_the_engine() {
        let url = fettler_pg::Cluster::shared().empty();
        let mut conn = PgConnectOptions::from_str(&url).expect("a URL").connect().await.expect("a database");
        MIGRATIONS.run(&mut conn).await.expect("the schema");
        let all = body::all_sql();
        assert!(all.len() > 60);
        for text in all {
            let typed = typed(text);
            if let Err(error) = (&mut conn).describe(AssertSqlSafe(typed.as_str()).into_sql_str()).await {
                panic!("{error}: {typed}");
            }
        }
    }

    /// Without a look the planner takes an index of the whole site for as good.
    #[tokio::test]
    async fn an_order_is_found_by_its_own_index_once_the_tables_were_looked_at() {
        let url = fettler_pg::Cluster::shared().empty();
        let (mut conn, ..) = super::connect(&url).await.expect("connections");
        let numbers =
            "WITH RECURSIVE s(n) AS (SELECT CAST(1 AS BIGINT) UNION ALL SELECT n + 1 FROM s WHERE n < 1000)";
        let rows = format!(
            "INSERT INTO machine {numbers} SELECT 1, n, 'L-' || n, '', '', '', 'in_service', 0, '', NULL, '{{}}', n FROM s; \
             INSERT INTO work_order (site, number, machine, task, title, hazard, state, opened_at, card, reason, planned) \
             {numbers} SELECT 1, n, n, n, '', 0, 'open', 0, '{{}}', '', 1 FROM s"
        );
        let rows = AssertSqlSafe(rows.as_str()).into_sql_str();
        conn.execute(rows).await.expect("a shop");
        let of_a_task =
            "EXPLAIN UPDATE work_order SET title = '' WHERE site = 1 AND task = 77 AND planned = 1";
        let statistics = super::dialect::STATISTICS.expect("this engine has some");
        sqlx::query(statistics.renew).execute(&mut conn).await.expect("looked at");
        let plan: Vec<String> = sqlx::query_scalar(of_a_task).fetch_all(&mut conn).await.expect("a plan");
        assert!(
            plan.iter().any(|line| line.contains("Index Cond") && line.contains("task = 77")),
            "{plan:#?}"
        );
    }

    #[tokio::test]
    async fn a_schema_is_up_to_date_when_every_step_and_no_other_was_taken() {
        let url = fettler_pg::Cluster::shared().empty();
        let mut bare = PgConnectOptions::from_str(&url).expect("a URL").connect().await.expect("a database");
        assert!(!super::is_up_to_date(&mut bare).await, "no step was taken");
        let (mut conn, ..) = super::connect(&url).await.expect("connections");
        assert!(super::is_up_to_date(&mut conn).await);
        sqlx::query(crate::LATER_STEP).execute(&mut conn).await.expect("a later step");
        assert!(!super::is_up_to_date(&mut conn).await, "a step was taken that is not known");
    }

    #[tokio::test]
    async fn a_schema_of_a_newer_service_is_refused() {
        let url = fettler_pg::Cluster::shared().empty();
        let (mut conn, ..) = super::connect(&url).await.expect("connections");
        sqlx::query(crate::LATER_STEP).execute(&mut conn).await.expect("a later step");
        let refused = super::connect(&url).await.map(drop).expect_err("refused").to_string();
        assert!(
            refused.contains("has a schema of a newer fettlerd (step 9001); start that one"),
            "{refused}"
        );
        assert!(!refused.contains("postgres@"), "{refused}");
    }
}
