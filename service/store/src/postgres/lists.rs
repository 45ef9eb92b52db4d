//! Lists of rows in a statement: one array for each column. However many rows there are, the statement has one text, so that a group
//! of any size takes one turn to the database for each of its statements.

use super::Db;
use std::fmt::Write as _;

/// A statement with its parameters.
type Query = sqlx::query::Query<'static, Db, <Db as sqlx::Database>::Arguments>;

/// How many rows go at once: the next ones are bound while the database works on these.
pub(crate) const LARGEST: usize = 512;
/// How many texts a statement has.
pub(crate) const TEXTS: usize = 1;

/// The next chunk of so many rows: the place of its text, and how many of them.
pub(crate) fn chunk(rows: usize) -> Option<(usize, usize)> {
    (rows > 0).then(|| (0, rows.min(LARGEST)))
}

/// Numbers to be looked up. Any number of them takes one statement.
pub(crate) fn filled(numbers: &[i64]) -> Vec<i64> {
    numbers.to_vec()
}

/// The text of a statement: `VALUES`, with which the head ends, gives way to the arrays. Shared parameters, which are numbers,
/// stand first.
pub(crate) fn text(head: &str, (shared, width): (usize, usize), tail: &str, _place: usize) -> String {
    let mut text = String::from(head.strip_suffix("VALUES").unwrap_or(head));
    text.push_str("SELECT ");
    for number in 1..=shared {
        // Writing to a string cannot fail.
        let _ = write!(text, "CAST(${number} AS BIGINT), ");
    }
    text.push_str("u.* FROM unnest(");
    for number in 1..=width {
        let _ = write!(text, "{}${}", if number == 1 { "" } else { ", " }, shared + number);
    }
    text.push_str(") AS u ");
    text.push_str(tail);
    text
}

/// The values of a column.
enum Column {
    Numbers(Vec<Option<i64>>),
    Texts(Vec<Option<String>>),
    Bytes(Vec<Option<Vec<u8>>>),
}

/// Parameters being gathered, row by row.
#[derive(Default)]
pub(crate) struct Binding {
    columns: Vec<Column>,
    place: usize,
}

impl Binding {
    /// Gives the row the value of its next column. All values of a column are of one kind, as those of a struct's field are; one of
    /// another kind makes a column too many, and the statement is refused.
    pub(crate) fn bind(mut self, cell: impl Cell) -> Binding {
        let value = cell.value();
        match (self.columns.get_mut(self.place), value) {
            (Some(Column::Numbers(column)), Value::Number(value)) => column.push(value),
            (Some(Column::Texts(column)), Value::Text(value)) => column.push(value),
            (Some(Column::Bytes(column)), Value::Bytes(value)) => column.push(value),
            (_, Value::Number(value)) => self.columns.push(Column::Numbers(vec![value])),
            (_, Value::Text(value)) => self.columns.push(Column::Texts(vec![value])),
            (_, Value::Bytes(value)) => self.columns.push(Column::Bytes(vec![value])),
        }
        self.place += 1;
        self
    }
}

/// A value, or none.
pub(crate) enum Value {
    Number(Option<i64>),
    Text(Option<String>),
    Bytes(Option<Vec<u8>>),
}

/// What a column can be given.
pub(crate) trait Cell {
    /// As the array has it.
    fn value(self) -> Value;
}

impl Cell for i64 {
    fn value(self) -> Value {
        Value::Number(Some(self))
    }
}

impl Cell for Option<i64> {
    fn value(self) -> Value {
        Value::Number(self)
    }
}

impl Cell for &i64 {
    fn value(self) -> Value {
        Value::Number(Some(*self))
    }
}

impl Cell for &str {
    fn value(self) -> Value {
        Value::Text(Some(self.to_owned()))
    }
}

impl Cell for String {
    fn value(self) -> Value {
        Value::Text(Some(self))
    }
}

impl Cell for Option<&str> {
    fn value(self) -> Value {
        Value::Text(self.map(str::to_owned))
    }
}

impl Cell for &[u8] {
    fn value(self) -> Value {
        Value::Bytes(Some(self.to_vec()))
    }
}

impl Cell for Vec<u8> {
    fn value(self) -> Value {
        Value::Bytes(Some(self))
    }
}

/// The statement with its parameters.
pub(crate) fn query<'r, T>(
    text: &'static str,
    _tail: &str,
    rows: &'r [T],
    shared: impl Fn(Binding) -> Binding,
    bind: impl Fn(Binding, &'r T) -> Binding,
) -> Query {
    let of_all = shared(Binding::default()).columns;
    let query = of_all.into_iter().fold(sqlx::query(text), |query, column| match column {
        Column::Numbers(values) => query.bind(values.into_iter().next().flatten()),
        Column::Texts(values) => query.bind(values.into_iter().next().flatten()),
        Column::Bytes(values) => query.bind(values.into_iter().next().flatten()),
    });
    let rows = rows.iter().fold(Binding::default(), |rows, row| bind(Binding { place: 0, ..rows }, row));
    rows.columns.into_iter().fold(query, |query, column| match column {
        Column::Numbers(values) => query.bind(values),
        Column::Texts(values) => query.bind(values),
        Column::Bytes(values) => query.bind(values),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row of the columns that the test of values asks for.
    type Row = (i64, Option<i64>, Option<String>, Vec<u8>);

    #[test]
    fn a_list_is_an_array_for_each_column() {
        let text = |head, tail| text(head, (1, 2), tail, 0);
        assert_eq!(
            text("INSERT INTO t (a, b, c) VALUES", "ON CONFLICT DO NOTHING"),
            "INSERT INTO t (a, b, c) SELECT CAST($1 AS BIGINT), u.* FROM unnest($2, $3) AS u ON CONFLICT DO NOTHING"
        );
        assert_eq!(
            text("DELETE FROM t WHERE (a, b, c) IN (VALUES", ") AND a > $1"),
            "DELETE FROM t WHERE (a, b, c) IN (SELECT CAST($1 AS BIGINT), u.* FROM unnest($2, $3) AS u ) AND a > $1"
        );
    }

    #[test]
    fn every_count_goes_in_as_few_chunks_as_there_can_be() {
        assert_eq!([0, 1, 512, 513].map(chunk), [None, Some((0, 1)), Some((0, 512)), Some((0, 512))]);
    }

    #[tokio::test]
    async fn values_of_every_kind_arrive_row_by_row() {
        use sqlx::{Row as _, postgres::PgRow};
        let (_folder, mut conn, ..) = super::super::scratch().await;
        let text: &'static str =
            text("WITH k(a, b, c, d) AS (VALUES", (1, 3), ") SELECT a, b, c, d FROM k", 0).leak();
        let rows = [(Some(7), None, vec![1_u8]), (None, Some("x"), vec![])];
        let query =
            query(text, "", &rows, |q| q.bind(5_i64), |q, (b, c, d)| q.bind(*b).bind(*c).bind(d.as_slice()));
        let found = query.fetch_all(&mut conn).await.expect("rows");
        let row = |row: &PgRow| -> Row { (row.get(0), row.get(1), row.get(2), row.get(3)) };
        let found: Vec<Row> = found.iter().map(row).collect();
        assert_eq!(found, [(5, Some(7), None, vec![1]), (5, None, Some("x".to_owned()), vec![])]);
    }
}
