//! One side of a copy: tables read and written as they stand.

use super::{Conn, Db, dialect, entries};
use crate::contract::{JournalHead, Result};
use crate::copy::{Cell, Kind, Side, Table};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use sqlx::query::Query;
use sqlx::{AssertSqlSafe, Row as _};

/// Parameters of one statement, at most: below what either engine takes.
const PARAMETERS_MAX: usize = 30_000;

const IS_NEW: &str = "SELECT COUNT(*) FROM site_head WHERE site <> 0 OR journal_size <> 0";
const CLEAR: &str = "DELETE FROM site_head";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[IS_NEW, CLEAR];

/// A connection to a place.
pub(crate) struct CopySide(pub(crate) Conn);

fn bind<'q>(
    query: Query<'q, Db, <Db as sqlx::Database>::Arguments>,
    cell: &'q Cell,
) -> Query<'q, Db, <Db as sqlx::Database>::Arguments> {
    match cell {
        Cell::Nothing(Kind::N) => query.bind(None::<i64>),
        Cell::Nothing(Kind::T) => query.bind(None::<String>),
        Cell::Nothing(Kind::B) => query.bind(None::<Vec<u8>>),
        Cell::Number(number) => query.bind(*number),
        Cell::Text(text) => query.bind(text.as_str()),
        Cell::Bytes(bytes) => query.bind(bytes.as_slice()),
    }
}

fn names(table: &Table, count: usize) -> String {
    let names: Vec<&str> = table.columns.iter().take(count).map(|(name, _)| *name).collect();
    names.join(", ")
}

/// Parameters in a row, numbered where the engine does not pay for that.
fn parameters(from: usize, count: usize) -> String {
    let one = |number| if dialect::NUMBERED { format!("${number}") } else { "?".to_owned() };
    (from..from + count).map(one).collect::<Vec<String>>().join(", ")
}

#[async_trait]
impl Side for CopySide {
    async fn begin_read(&mut self) -> Result<()> {
        sqlx::query(dialect::BEGIN_READ).execute(&mut self.0).await?;
        Ok(())
    }

    async fn begin_write(&mut self) -> Result<()> {
        sqlx::query(dialect::BEGIN_WRITE).execute(&mut self.0).await?;
        Ok(())
    }

    async fn commit(&mut self) -> Result<()> {
        if let Some(statistics) = dialect::STATISTICS {
            sqlx::query(statistics.renew).execute(&mut self.0).await?;
        }
        sqlx::query("COMMIT").execute(&mut self.0).await?;
        Ok(())
    }

    async fn clear_new(&mut self) -> Result<bool> {
        let row = sqlx::query(IS_NEW).fetch_one(&mut self.0).await?;
        if row.try_get::<i64, _>(0)? != 0 {
            return Ok(false);
        }
        sqlx::query(CLEAR).execute(&mut self.0).await?;
        Ok(true)
    }

    async fn read(
        &mut self,
        table: &'static Table,
        after: Option<&[Cell]>,
        limit: usize,
    ) -> Result<Vec<Vec<Cell>>> {
        read(&mut self.0, table, after, limit).await
    }

    async fn write(&mut self, table: &'static Table, rows: &[Vec<Cell>]) -> Result<()> {
        let width = table.columns.len();
        for chunk in rows.chunks(PARAMETERS_MAX / width) {
            let lists: Vec<String> =
                (0..chunk.len()).map(|row| format!("({})", parameters(1 + row * width, width))).collect();
            let text =
                format!("INSERT INTO {} ({}) VALUES {}", table.name, names(table, width), lists.join(", "));
            let query = sqlx::query(AssertSqlSafe(text)).persistent(false);
            chunk.iter().flatten().fold(query, bind).execute(&mut self.0).await?;
        }
        Ok(())
    }

    async fn heads(&mut self) -> Result<Vec<(SiteId, JournalHead)>> {
        entries::heads(&mut self.0).await
    }
}

/// Rows of a table after one with this key, in the order of the keys.
pub(super) async fn read(
    conn: &mut Conn,
    table: &'static Table,
    after: Option<&[Cell]>,
    limit: usize,
) -> Result<Vec<Vec<Cell>>> {
    let (columns, key) = (names(table, table.columns.len()), names(table, table.key));
    let past = after.map(|_| format!(" WHERE ({key}) > ({})", parameters(1, table.key)));
    let text = format!(
        "SELECT {columns} FROM {}{} ORDER BY {key} LIMIT {limit}",
        table.name,
        past.unwrap_or_default()
    );
    let query = sqlx::query(AssertSqlSafe(text));
    let query = after.into_iter().flatten().fold(query, bind);
    let rows = query.fetch_all(conn).await?;
    let cells = |row: &super::DbRow| {
        let cell = |(place, (_, kind)): (usize, &(&str, Kind))| -> Result<Cell> {
            Ok(match kind {
                Kind::N => row.try_get::<Option<i64>, _>(place)?.map(Cell::Number),
                Kind::T => row.try_get::<Option<String>, _>(place)?.map(Cell::Text),
                Kind::B => row.try_get::<Option<Vec<u8>>, _>(place)?.map(Cell::Bytes),
            }
            .unwrap_or(Cell::Nothing(*kind)))
        };
        table.columns.iter().enumerate().map(cell).collect()
    };
    rows.iter().map(cells).collect()
}
