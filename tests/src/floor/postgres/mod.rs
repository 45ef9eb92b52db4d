//! A database, connected to as the store's writer does.

mod dialect {
    use super::body::{Cell, Cells, Query};
    use anyhow::Result;
    use sqlx::ConnectOptions as _;
    use sqlx::postgres::PgConnectOptions;
    use std::str::FromStr as _;

    pub(super) type Db = sqlx::Postgres;
    pub(super) type Conn = sqlx::PgConnection;
    pub(super) type DbRow = sqlx::postgres::PgRow;
    pub(super) const BEGIN: &str = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE";
    /// As the store has it when its tables have grown: without, the floor would be slower than it need be.
    pub(super) const STATISTICS: Option<&str> = Some("ANALYZE ledger, meter_month, plan, journal_leaf");

    /// The chunks of the store.
    pub(super) fn chunk(rows: usize) -> Option<usize> {
        (rows > 0).then(|| rows.min(512))
    }

    /// One text for any number of rows.
    pub(super) fn text_for(_rows: usize) -> usize {
        0
    }

    /// As in the store: an array for each column.
    pub(super) fn text(head: &str, tail: &str, _rows: usize, width: usize) -> String {
        let arrays: Vec<String> = (1..=width).map(|number| format!("${number}")).collect();
        let head = head.strip_suffix("VALUES").unwrap_or(head);
        format!("{head} SELECT u.* FROM unnest({}) AS u {tail}", arrays.join(", "))
    }

    /// A statement with the values of its rows, column by column.
    pub(super) fn bind<'r>(query: Query<'r>, rows: &'r [Cells]) -> Query<'r> {
        (0..rows[0].len()).fold(query, |query, column| {
            let cells = rows.iter().map(|row| &row[column]);
            match &rows[0][column] {
                Cell::Number(_) => query.bind(cells.map(number).collect::<Vec<Option<i64>>>()),
                Cell::Text(_) => query.bind(cells.map(text_in).collect::<Vec<Option<String>>>()),
                Cell::Bytes(_) => query.bind(cells.map(bytes).collect::<Vec<Option<Vec<u8>>>>()),
            }
        })
    }

    fn number(cell: &Cell) -> Option<i64> {
        if let Cell::Number(number) = cell { *number } else { None }
    }

    fn text_in(cell: &Cell) -> Option<String> {
        if let Cell::Text(text) = cell { text.clone() } else { None }
    }

    fn bytes(cell: &Cell) -> Option<Vec<u8>> {
        if let Cell::Bytes(bytes) = cell { bytes.clone() } else { None }
    }

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
