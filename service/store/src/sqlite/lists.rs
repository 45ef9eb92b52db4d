//! Lists of rows in a statement: one parameter for each value, `head (row), (row) tail`. One text per row count would fill the statement
//! cache, so rows go in chunks of a few fixed sizes, each with its own prepared text.

use super::Db;
use std::fmt::Write as _;

/// A statement being given its parameters.
pub(crate) type Binding = sqlx::query::Query<'static, Db, <Db as sqlx::Database>::Arguments>;

/// The chunk sizes, largest first. 512 rows of 25 columns stay below the 32,766 parameters that SQLite takes.
const SIZES: [usize; 4] = [LARGEST, 64, 8, 1];
/// The largest of them.
pub(crate) const LARGEST: usize = 512;
/// How many texts a statement has.
pub(crate) const TEXTS: usize = SIZES.len();

/// A number that no row has.
const NOBODY: i64 = -1;

/// The next chunk of so many rows: the place of its text, and how many of them.
pub(crate) fn chunk(rows: usize) -> Option<(usize, usize)> {
    let place = SIZES.iter().position(|size| *size <= rows)?;
    Some((place, SIZES[place]))
}

/// Numbers to be looked up, filled up with nobody's where one statement for more costs less than several for fewer.
pub(crate) fn filled(numbers: &[i64]) -> Vec<i64> {
    let mut rest = numbers.len();
    let nobody = SIZES.into_iter().find_map(|size| {
        rest %= size;
        (rest * 4 >= size).then(|| size - rest)
    });
    numbers.iter().copied().chain(std::iter::repeat_n(NOBODY, nobody.unwrap_or(0))).collect()
}

/// Whether parameters are numbered, so that rows can share some. SQLite takes `$1` for a name, and finding a name walks over all of
/// them: a statement of 10,000 named parameters costs more to bind than to run. So rows bring the shared ones along, save
/// where the tail names one.
fn numbered(tail: &str) -> bool {
    tail.contains('$')
}

/// The text of a statement at a place: each row has the shared parameters, which stand first, and some of its own.
pub(crate) fn text(head: &str, (shared, width): (usize, usize), tail: &str, place: usize) -> String {
    let mut text = String::from(head);
    let mut next = shared;
    for row in 0..SIZES[place] {
        text.push_str(if row == 0 { " (" } else { ", (" });
        for column in 0..shared + width {
            text.push_str(if column == 0 { "" } else { ", " });
            if !numbered(tail) {
                text.push('?');
                continue;
            }
            let number = if column < shared {
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
    text.push_str(tail);
    text
}

/// The statement with its parameters.
pub(crate) fn query<'r, T>(
    text: &'static str,
    tail: &str,
    rows: &'r [T],
    shared: impl Fn(Binding) -> Binding,
    bind: impl Fn(Binding, &'r T) -> Binding,
) -> Binding {
    let query = sqlx::query(text);
    if numbered(tail) {
        rows.iter().fold(shared(query), &bind)
    } else {
        rows.iter().fold(query, |query, row| bind(shared(query), row))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_number_their_parameters_only_where_that_is_needed() {
        let insert = |tail, place| text("INSERT INTO t VALUES", (1, 2), tail, place);
        assert_eq!(insert("RETURNING a + $1", 3), "INSERT INTO t VALUES ($1, $2, $3) RETURNING a + $1");
        assert!(
            insert("RETURNING a + $1", 2).starts_with("INSERT INTO t VALUES ($1, $2, $3), ($1, $4, $5), ")
        );
        assert!(insert("RETURNING a", 2).starts_with("INSERT INTO t VALUES (?, ?, ?), (?, ?, ?), "));
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
        let (mut rest, mut chunks) = (512 + 64 + 8 + 8 + 1, Vec::new());
        while let Some((_, size)) = chunk(rest) {
            rest -= size;
            chunks.push(size);
        }
        assert_eq!((rest, chunks), (0, vec![512, 64, 8, 8, 1]));
    }
}
