//! Statements over many rows at once: a statement per row costs a turn to the driver each. How rows stand in a statement is the
//! engine's own, see its `lists`.

use super::{Conn, DbRow, lists};
use crate::contract::Result;
use futures::join;
use std::sync::OnceLock;

pub(super) use lists::{Binding, LARGEST};

/// A statement with its parameters.
pub(super) type Query = sqlx::query::Query<'static, super::Db, <super::Db as sqlx::Database>::Arguments>;

/// A statement with a list of rows in it: `head rows tail`. The head ends with `VALUES`, for which an engine may put something else.
pub(super) struct Bulk {
    head: &'static str,
    /// How many parameters all rows share; they stand first, and every row begins with them.
    shared: usize,
    /// How many parameters each row has of its own.
    width: usize,
    tail: &'static str,
    texts: [OnceLock<String>; lists::TEXTS],
}

impl Bulk {
    pub(super) const fn new(head: &'static str, shared: usize, width: usize, tail: &'static str) -> Bulk {
        Bulk { head, shared, width, tail, texts: [const { OnceLock::new() }; lists::TEXTS] }
    }

    /// The text at a place.
    fn text(&'static self, place: usize) -> &'static str {
        let text = || lists::text(self.head, (self.shared, self.width), self.tail, place);
        self.texts[place].get_or_init(text)
    }

    /// The text for the fewest rows, as a test describes it.
    #[cfg(test)]
    pub(super) fn sample(&'static self) -> &'static str {
        self.text(lists::TEXTS - 1)
    }

    fn queries<'r, T>(
        &'static self,
        rows: &'r [T],
        shared: impl Fn(Binding) -> Binding,
        bind: impl Fn(Binding, &'r T) -> Binding,
    ) -> impl Iterator<Item = Query> {
        let mut rest = rows;
        std::iter::from_fn(move || {
            let (place, size) = lists::chunk(rest.len())?;
            let (chunk, after) = rest.split_at(size);
            rest = after;
            Some(lists::query(self.text(place), self.tail, chunk, &shared, &bind))
        })
    }

    /// Runs the statement over all rows; gives how many rows of the database it touched.
    pub(super) async fn run<'r, T>(
        &'static self,
        conn: &mut Conn,
        rows: &'r [T],
        shared: impl Fn(Binding) -> Binding,
        bind: impl Fn(Binding, &'r T) -> Binding,
    ) -> Result<u64> {
        let mut queries = self.queries(rows, shared, bind);
        let mut next = queries.next();
        let mut touched = 0;
        while let Some(query) = next {
            // The next chunk is bound while the database works on this one.
            let (done, bound) = join!(query.execute(&mut *conn), async { queries.next() });
            touched += done?.rows_affected();
            next = bound;
        }
        Ok(touched)
    }

    /// Runs the statement over all rows and gives what it returns.
    pub(super) async fn fetch<'r, T>(
        &'static self,
        conn: &mut Conn,
        rows: &'r [T],
        shared: impl Fn(Binding) -> Binding,
        bind: impl Fn(Binding, &'r T) -> Binding,
    ) -> Result<Vec<DbRow>> {
        let mut queries = self.queries(rows, shared, bind);
        let mut next = queries.next();
        let mut found = Vec::new();
        while let Some(query) = next {
            let (rows, bound) = join!(query.fetch_all(&mut *conn), async { queries.next() });
            found.extend(rows?);
            next = bound;
        }
        Ok(found)
    }

    /// Looks up what belongs to each of some numbers, where a row has one parameter of its own: the number.
    pub(super) async fn fetch_of(
        &'static self,
        conn: &mut Conn,
        numbers: &[i64],
        shared: impl Fn(Binding) -> Binding,
    ) -> Result<Vec<DbRow>> {
        self.fetch(conn, &lists::filled(numbers), shared, |query, number| query.bind(*number)).await
    }
}
