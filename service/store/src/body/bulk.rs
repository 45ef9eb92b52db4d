//! Statements over many rows at once. A statement per row costs a turn to the driver each; one text per row count
//! would fill the statement cache. So rows go in chunks of a few fixed sizes, each with its own prepared text.

use super::{Conn, Db, DbRow, dialect};
use crate::contract::Result;
use futures::join;
use std::fmt::Write as _;
use std::sync::OnceLock;

/// The chunk sizes, largest first. 512 rows of 25 columns stay below the 32,766 parameters that SQLite takes.
const SIZES: [usize; 4] = [LARGEST, 64, 8, 1];
/// The largest of them.
pub(super) const LARGEST: usize = 512;

/// A number that no row has.
const NOBODY: i64 = -1;

/// Numbers to be looked up, filled up with nobody's where one statement for more costs less than several for fewer.
fn filled(numbers: &[i64]) -> Vec<i64> {
    let mut rest = numbers.len();
    let nobody = SIZES.into_iter().find_map(|size| {
        rest %= size;
        (rest * 4 >= size).then(|| size - rest)
    });
    numbers.iter().copied().chain(std::iter::repeat_n(NOBODY, nobody.unwrap_or(0))).collect()
}

/// A query being given its parameters.
pub(super) type Query = sqlx::query::Query<'static, Db, <Db as sqlx::Database>::Arguments>;

/// A statement with a list of rows in it: `head (row), (row) tail`.
pub(super) struct Bulk {
    head: &'static str,
    /// How many parameters all rows share; they stand first, and every row begins with them.
    shared: usize,
    /// How many parameters each row has of its own.
    width: usize,
    tail: &'static str,
    texts: [OnceLock<String>; SIZES.len()],
}

impl Bulk {
    pub(super) const fn new(head: &'static str, shared: usize, width: usize, tail: &'static str) -> Bulk {
        Bulk { head, shared, width, tail, texts: [const { OnceLock::new() }; SIZES.len()] }
    }

    /// Whether parameters are numbered, so that rows can share some. An engine may pay for each number with a walk
    /// over all of them; then rows bring the shared ones along, save where the tail names one.
    fn numbered(&self) -> bool {
        dialect::NUMBERED || self.tail.contains('$')
    }

    /// The text for the `place`-th size.
    fn text(&'static self, place: usize) -> &'static str {
        self.texts[place].get_or_init(|| {
            let mut text = String::from(self.head);
            let mut next = self.shared;
            for row in 0..SIZES[place] {
                text.push_str(if row == 0 { " (" } else { ", (" });
                for column in 0..self.shared + self.width {
                    text.push_str(if column == 0 { "" } else { ", " });
                    if !self.numbered() {
                        text.push('?');
                        continue;
                    }
                    let number = if column < self.shared {
                        column + 1
                    } else {
                        next += 1;
                        next
                    };
                    // Writing to a string cannot fail.
                    let _ = write!(text, "${number}");
                }
                text.push(')');
            }
            text.push(' ');
            text.push_str(self.tail);
            text
        })
    }

    /// The text for one row, as a test describes it.
    #[cfg(test)]
    pub(super) fn sample(&'static self) -> &'static str {
        self.text(SIZES.len() - 1)
    }

    fn queries<'r, T>(
        &'static self,
        rows: &'r [T],
        shared: impl Fn(Query) -> Query,
        bind: impl Fn(Query, &'r T) -> Query,
    ) -> impl Iterator<Item = Query> {
        let mut rest = rows;
        std::iter::from_fn(move || {
            let place = SIZES.iter().position(|size| *size <= rest.len())?;
            let (chunk, after) = rest.split_at(SIZES[place]);
            rest = after;
            let query = sqlx::query(self.text(place));
            Some(if self.numbered() {
                chunk.iter().fold(shared(query), &bind)
            } else {
                chunk.iter().fold(query, |query, row| bind(shared(query), row))
            })
        })
    }

    /// Runs the statement over all rows; gives how many rows of the database it touched.
    pub(super) async fn run<'r, T>(
        &'static self,
        conn: &mut Conn,
        rows: &'r [T],
        shared: impl Fn(Query) -> Query,
        bind: impl Fn(Query, &'r T) -> Query,
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
        shared: impl Fn(Query) -> Query,
        bind: impl Fn(Query, &'r T) -> Query,
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
        shared: impl Fn(Query) -> Query,
    ) -> Result<Vec<DbRow>> {
        self.fetch(conn, &filled(numbers), shared, |query, number| query.bind(*number)).await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    static PAIRS: Bulk = Bulk::new("INSERT INTO t VALUES", 1, 2, "RETURNING a");
    static NAMED: Bulk = Bulk::new("INSERT INTO t VALUES", 1, 2, "RETURNING a + $1");

    #[test]
    fn rows_number_their_parameters_only_where_that_is_needed() {
        assert_eq!(NAMED.sample(), "INSERT INTO t VALUES ($1, $2, $3) RETURNING a + $1");
        assert!(NAMED.text(2).starts_with("INSERT INTO t VALUES ($1, $2, $3), ($1, $4, $5), "));
        let expect =
            if dialect::NUMBERED { "($1, $2, $3), ($1, $4, $5), " } else { "(?, ?, ?), (?, ?, ?), " };
        assert!(PAIRS.text(2).contains(expect));
    }

    #[test]
    fn numbers_are_filled_up_to_a_size_where_that_saves_statements() {
        for (asked, looked_up) in
            [(0, 0), (1, 1), (2, 8), (9, 9), (15, 16), (16, 64), (25, 64), (65, 65), (128, 512), (513, 513)]
        {
            let numbers: Vec<i64> = (1..=asked).collect();
            let filled = filled(&numbers);
            assert_eq!(filled.len(), looked_up, "{asked}");
            assert!(filled.starts_with(&numbers) && filled[numbers.len()..].iter().all(|n| *n == NOBODY));
        }
    }

    #[test]
    fn every_count_is_cut_into_the_fixed_sizes() {
        let rows = vec![(); 512 + 64 + 8 + 8 + 1];
        assert_eq!(PAIRS.queries(&rows, |q| q, |q, ()| q).count(), 5);
        assert_eq!(PAIRS.queries(&[] as &[()], |q| q, |q, ()| q).count(), 0);
    }
}
