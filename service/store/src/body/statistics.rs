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
    /// How many rows its statistics know of in the journal, and in the ledger: a shop may be declared long before its first
    /// report. Less than none where nobody has looked yet.
    pub(crate) known: &'static str,
    /// Looks at the tables, and has statements planned anew.
    pub(crate) renew: &'static str,
}

/// How many rows are added before statistics are looked at.
const FIRST: i64 = 256;
/// From so many rows on the engine is left alone: it reckons with how long the file of a table is now, and what it knows of the columns
/// does not alter much any more, while a look takes half a second in which everybody waits.
const LAST: i64 = 16_000;

/// How many rows a writer has added to a table, and when it looks at the statistics.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Growth {
    added: i64,
    look_at: i64,
}

impl Growth {
    const NEW: Growth = Growth { added: 0, look_at: FIRST };

    fn is_due(self) -> bool {
        self.added >= self.look_at
    }

    /// When to look next, now that so many rows are known.
    fn looked(&mut self, known: i64) {
        let doubled = FIRST.max(2 * known.max(self.added));
        self.look_at = if doubled > LAST { i64::MAX } else { doubled };
    }
}

/// How much a writer has appended to the journal, and how much of that were reports, which stand in the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Grown {
    journal: Growth,
    ledger: Growth,
    /// Whether the tables were looked at in a transaction that was undone: then the engine goes on saying how many rows it saw,
    /// and has forgotten what it knew of them.
    was_undone: bool,
}

impl Default for Grown {
    fn default() -> Grown {
        Grown { journal: Growth::NEW, ledger: Growth::NEW, was_undone: false }
    }
}

impl Grown {
    /// Counts a leaf.
    pub(super) fn leaf(&mut self) {
        self.journal.added += 1;
    }

    /// Counts reports, with a leaf each.
    pub(super) fn reports(&mut self, reports: i64) {
        self.journal.added += reports;
        self.ledger.added += reports;
    }

    /// Goes back to how much it was before a transaction that is undone.
    pub(super) fn undo(&mut self, before: Grown) {
        let looked =
            (self.journal.look_at, self.ledger.look_at) != (before.journal.look_at, before.ledger.look_at);
        *self = Grown { was_undone: before.was_undone || looked, ..before };
    }

    /// Has statistics renewed where the journal or the ledger has doubled since; within the transaction, so that its own rows are
    /// seen.
    pub(super) async fn keep_up(&mut self, conn: &mut Conn) -> Result<()> {
        let Some(statistics) = dialect::STATISTICS else { return Ok(()) };
        if !self.journal.is_due() && !self.ledger.is_due() {
            return Ok(());
        }
        let row = sqlx::query(statistics.known).fetch_one(&mut *conn).await?;
        let mut row = Reading::new(&row, "statistics");
        let (of_journal, of_ledger): (i64, i64) = (row.next()?, row.next()?);
        if self.was_undone || of_journal < self.journal.added || of_ledger < self.ledger.added {
            sqlx::query(statistics.renew).persistent(false).execute(conn).await?;
            self.was_undone = false;
        }
        self.journal.looked(of_journal);
        self.ledger.looked(of_ledger);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statistics_are_looked_at_whenever_a_table_has_doubled() {
        let mut growth = Growth::NEW;
        let mut looks = Vec::new();
        for _ in 0..100_000 {
            growth.added += 1;
            if growth.is_due() {
                looks.push(growth.added);
                growth.looked(-1);
            }
        }
        assert_eq!(looks, [256, 512, 1_024, 2_048, 4_096, 8_192]);
    }

    const LEAF: &str = "INSERT INTO journal_leaf (site, number, at, kind, subject, bytes, hash) VALUES (1, $1, 0, '', '', $2, $2)";
    /// Whether the engine knows what stands in the columns of the journal.
    const OF_COLUMNS: &str = "SELECT COUNT(*) FROM pg_stats WHERE tablename = 'journal_leaf'";

    /// Appends leaves as the writer does, looking after each; gives at how many it looked.
    async fn append(conn: &mut Conn, grown: &mut Grown, leaves: std::ops::Range<i64>) -> Vec<i64> {
        let mut looks = Vec::new();
        for number in leaves {
            sqlx::query(LEAF).bind(number).bind(Vec::<u8>::new()).execute(&mut *conn).await.expect("a leaf");
            grown.leaf();
            let before = *grown;
            grown.keep_up(conn).await.expect("looked at");
            if *grown != before {
                looks.push(grown.journal.added);
            }
        }
        looks
    }

    #[tokio::test]
    async fn what_was_appended_is_known_within_the_same_transaction() {
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        sqlx::query(dialect::BEGIN_WRITE).execute(&mut conn).await.expect("begun");
        let looks = append(&mut conn, &mut Grown::default(), 0..FIRST + 10).await;
        let Some(statistics) = dialect::STATISTICS else {
            assert!(looks.is_empty(), "this engine is left alone: {looks:?}");
            return;
        };
        assert_eq!(looks, [FIRST]);
        let row = sqlx::query(statistics.known).fetch_one(&mut conn).await.expect("figures");
        let known = (sqlx::Row::get::<i64, _>(&row, 0), sqlx::Row::get::<i64, _>(&row, 1));
        assert_eq!(known, (FIRST, 0), "it is known that there is no report");
    }

    #[tokio::test]
    async fn what_was_undone_is_looked_at_anew() {
        if dialect::STATISTICS.is_none() {
            return;
        }
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        let mut grown = Grown::default();
        for ends in ["ROLLBACK", "COMMIT"] {
            let before = grown;
            sqlx::query(dialect::BEGIN_WRITE).execute(&mut conn).await.expect("begun");
            assert_eq!(append(&mut conn, &mut grown, 0..FIRST).await, [FIRST], "{ends}");
            sqlx::query(ends).execute(&mut conn).await.expect("ended");
            let known: i64 = sqlx::query_scalar(OF_COLUMNS).fetch_one(&mut conn).await.expect("a figure");
            assert_eq!(known > 0, ends == "COMMIT");
            if ends == "ROLLBACK" {
                grown.undo(before);
                assert_eq!(grown, Grown { was_undone: true, ..before });
            }
        }
    }

    #[test]
    fn a_ledger_is_looked_at_by_its_own_growth_however_long_the_journal_is() {
        let mut grown = Grown::default();
        for _ in 0..LAST {
            grown.leaf();
        }
        grown.journal.looked(LAST);
        assert_eq!(grown.journal.look_at, i64::MAX);
        grown.reports(FIRST);
        assert!(grown.ledger.is_due() && !grown.journal.is_due());
    }

    #[test]
    fn of_a_large_table_that_is_known_nothing_is_looked_at_again() {
        let mut growth = Growth { added: FIRST, look_at: FIRST };
        growth.looked(5_000);
        assert_eq!(growth.look_at, 10_000);
        growth.looked(LAST);
        assert_eq!(growth.look_at, i64::MAX);
    }
}
