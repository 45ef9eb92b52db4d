//! Whether the engine knows how its tables have grown. Its plans of statements rest on statistics; while there are none, or they are of
//! an empty table, it takes an index that begins with the site for as good as the right one, and walks the whole site for each row
//! that is asked for. An engine that renews them by itself does so within a minute or two: by then a shop is declared and its
//! first thousands of reports have been pushed.

use super::decode::Reading;
use super::{Conn, dialect};
use crate::contract::Result;

/// How an engine is told to look at its tables.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Statistics {
    /// How many rows its statistics know of in the journal or in the ledger, whichever has fewer: a shop may be declared long before
    /// its first report. Less than none where nobody has looked yet.
    pub(crate) known: &'static str,
    /// Looks at the tables, and has statements planned anew.
    pub(crate) renew: &'static str,
}

/// How many leaves are appended before statistics are looked at.
const FIRST: i64 = 256;
/// From so many leaves on the engine keeps pace by itself: they take longer to come than it takes to look.
const LAST: i64 = 200_000;

/// How many leaves a writer has appended, and when it looks at the statistics.
pub(super) struct Grown {
    appended: i64,
    look_at: i64,
}

impl Default for Grown {
    fn default() -> Grown {
        Grown { appended: 0, look_at: FIRST }
    }
}

impl Grown {
    /// Counts leaves.
    pub(super) fn count(&mut self, leaves: i64) {
        self.appended += leaves;
    }

    /// Has statistics renewed where the journal has doubled since; within the transaction, so that its own rows are seen. Where
    /// that is rolled back they tell of more rows than there are, until the next time.
    pub(super) async fn keep_up(&mut self, conn: &mut Conn) -> Result<()> {
        let Some(statistics) = dialect::STATISTICS else { return Ok(()) };
        if self.appended < self.look_at {
            return Ok(());
        }
        let row = sqlx::query(statistics.known).fetch_one(&mut *conn).await?;
        let known: i64 = Reading::new(&row, "statistics").next()?;
        if known < self.appended {
            sqlx::query(statistics.renew).persistent(false).execute(conn).await?;
        }
        self.look_at = self.next(known);
        Ok(())
    }

    fn next(&self, known: i64) -> i64 {
        let doubled = 2 * known.max(self.appended);
        if doubled > LAST { i64::MAX } else { doubled }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statistics_are_looked_at_whenever_the_journal_has_doubled() {
        let mut grown = Grown::default();
        let mut looks = Vec::new();
        for _ in 0..1_000_000 {
            grown.count(1);
            if grown.appended >= grown.look_at {
                looks.push(grown.appended);
                grown.look_at = grown.next(-1);
            }
        }
        assert_eq!(looks, [256, 512, 1_024, 2_048, 4_096, 8_192, 16_384, 32_768, 65_536, 131_072]);
    }

    const LEAF: &str = "INSERT INTO journal_leaf (site, number, at, kind, subject, bytes, hash) VALUES (1, $1, 0, '', '', $2, $2)";

    #[tokio::test]
    async fn what_was_appended_is_known_within_the_same_transaction() {
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        sqlx::query(dialect::BEGIN_WRITE).execute(&mut conn).await.expect("begun");
        let mut grown = Grown::default();
        for number in 0..FIRST {
            grown.keep_up(&mut conn).await.expect("too early");
            sqlx::query(LEAF).bind(number).bind(Vec::<u8>::new()).execute(&mut conn).await.expect("a leaf");
            grown.count(1);
        }
        assert_eq!(grown.look_at, FIRST);
        grown.keep_up(&mut conn).await.expect("looked at");
        let Some(statistics) = dialect::STATISTICS else {
            assert_eq!(grown.look_at, FIRST, "this engine is left alone");
            return;
        };
        let row = sqlx::query(statistics.known).fetch_one(&mut conn).await.expect("a figure");
        assert_eq!(sqlx::Row::get::<i64, _>(&row, 0), 0, "it is known that there is no report");
        let of_leaves = "SELECT CAST(reltuples AS BIGINT) FROM pg_class WHERE relname = 'journal_leaf'";
        assert_eq!(
            sqlx::query_scalar::<_, i64>(of_leaves).fetch_one(&mut conn).await.expect("a figure"),
            FIRST
        );
        assert_eq!(grown.look_at, 2 * FIRST);
    }

    #[test]
    fn of_a_large_journal_that_is_known_nothing_is_looked_at_again() {
        let grown = Grown { appended: FIRST, look_at: FIRST };
        assert_eq!(grown.next(5_000), 10_000);
        assert_eq!(grown.next(LAST), i64::MAX);
    }
}
