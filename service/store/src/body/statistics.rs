//! Whether the engine knows how its tables have grown. Its plans of statements rest on statistics; while there are none, or they are of
//! an empty table, it takes an index that begins with the site for as good as the right one, and walks the whole site for each row
//! that is asked for. An engine that renews them by itself does so within a minute or two: by then a shop is declared and its
//! first thousands of reports have been pushed.

use super::decode::Reading;
use super::{Conn, dialect};
use crate::contract::Result;
use fettler_domain::ids::SiteId;
use std::collections::BTreeMap;

/// How an engine is told to look at its tables.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Statistics {
    /// How many rows of a site its statistics know of in the journal, and in the ledger: a shop may be declared long before its first
    /// report. None where they do not know the site.
    pub(crate) known: &'static str,
    /// Looks at the tables, and has statements planned anew.
    pub(crate) renew: &'static str,
}

/// At how many rows of a site statistics are looked at. Beyond the last the engine is left alone: it reckons with how long the file of
/// a table is now, and what it knows of the columns does not alter much any more, while a look takes half a second in which
/// everybody waits.
const LOOKS: [i64; 6] = [256, 512, 1_024, 2_048, 4_096, 8_192];

/// Whether rows that grew have come to where statistics are looked at.
fn come_to_a_look(from: i64, to: i64) -> bool {
    LOOKS.iter().any(|look| from < *look && *look <= to)
}

/// How many rows of a site there are in the journal, and how many the writer has added to the ledger.
#[derive(Clone, Copy, Debug)]
struct Rows {
    journal: i64,
    ledger: i64,
}

/// A site that a transaction has taken.
#[derive(Clone, Copy, Debug)]
struct Taken {
    reports_before: i64,
    compared: Rows,
}

/// How the journals and ledgers of sites grow beneath a writer. The journal says by itself how long it is; reports are counted since the
/// writer began.
#[derive(Debug, Default)]
pub(super) struct Grown {
    reports: BTreeMap<SiteId, i64>,
    taken: BTreeMap<SiteId, Taken>,
}

impl Grown {
    /// Begins with no site taken.
    pub(super) fn begin(&mut self) {
        self.taken.clear();
    }

    /// A site is taken, with so many leaves in its journal.
    pub(super) fn take(&mut self, site: SiteId, journal: i64) {
        let ledger = self.reports_of(site);
        self.taken.insert(site, Taken { reports_before: ledger, compared: Rows { journal, ledger } });
    }

    /// Counts reports.
    pub(super) fn reports(&mut self, site: SiteId, reports: i64) {
        *self.reports.entry(site).or_default() += reports;
    }

    fn reports_of(&self, site: SiteId) -> i64 {
        self.reports.get(&site).copied().unwrap_or(0)
    }

    /// Goes back to how much it was before a transaction that is undone. What the engine learnt in it is gone too.
    pub(super) fn undo(&mut self) {
        for (site, taken) in std::mem::take(&mut self.taken) {
            self.reports.insert(site, taken.reports_before);
        }
    }

    /// Has statistics renewed where a site has come to a look and they know of fewer rows; within the transaction, so that its own
    /// rows are seen. Says whether they were.
    pub(super) async fn keep_up(&mut self, conn: &mut Conn, site: SiteId, journal: i64) -> Result<bool> {
        let Some(statistics) = dialect::STATISTICS else { return Ok(false) };
        let now = Rows { journal, ledger: self.reports_of(site) };
        let Some(taken) = self.taken.get_mut(&site) else { return Ok(false) };
        let before = taken.compared;
        if !come_to_a_look(before.journal, now.journal) && !come_to_a_look(before.ledger, now.ledger) {
            return Ok(false);
        }
        taken.compared = now;
        let row = sqlx::query(statistics.known).bind(i64::from(site.0)).fetch_one(&mut *conn).await?;
        let mut row = Reading::new(&row, "statistics");
        let (of_journal, of_ledger): (i64, i64) = (row.next()?, row.next()?);
        let is_behind = of_journal < now.journal || of_ledger < now.ledger;
        if is_behind {
            sqlx::query(statistics.renew).persistent(false).execute(conn).await?;
        }
        Ok(is_behind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SITE: SiteId = SiteId(1);
    const LEAF: &str = "INSERT INTO journal_leaf (site, number, at, kind, subject, bytes, hash) VALUES ($1, $2, 0, '', '', $3, $3)";

    /// What statistics know of a site's journal and ledger.
    async fn known(conn: &mut Conn, site: SiteId) -> (i64, i64) {
        let known = dialect::STATISTICS.expect("asked of an engine that has some").known;
        let row = sqlx::query(known).bind(i64::from(site.0)).fetch_one(conn).await.expect("figures");
        (sqlx::Row::get(&row, 0), sqlx::Row::get(&row, 1))
    }

    /// Appends leaves as the writer does, asking after each; gives at how many it looked.
    async fn append(
        conn: &mut Conn,
        grown: &mut Grown,
        site: SiteId,
        leaves: std::ops::Range<i64>,
    ) -> Vec<i64> {
        grown.take(site, leaves.start);
        let mut looks = Vec::new();
        for number in leaves {
            let leaf = sqlx::query(LEAF).bind(i64::from(site.0)).bind(number).bind(Vec::<u8>::new());
            leaf.execute(&mut *conn).await.expect("a leaf");
            if grown.keep_up(conn, site, number + 1).await.expect("looked at") {
                looks.push(number + 1);
            }
        }
        looks
    }

    async fn say(conn: &mut Conn, sql: &'static str) {
        sqlx::query(sql).execute(conn).await.expect(sql);
    }

    #[test]
    fn a_look_is_come_to_once_by_whoever_passes_it() {
        let passed: Vec<i64> = (0..100_000).filter(|rows| come_to_a_look(*rows, rows + 1)).collect();
        assert_eq!(passed, LOOKS.map(|look| look - 1));
        assert!(come_to_a_look(0, 300) && come_to_a_look(255, 1_791) && !come_to_a_look(256, 511));
    }

    #[tokio::test]
    async fn what_was_appended_is_known_within_the_same_transaction() {
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        say(&mut conn, dialect::BEGIN_WRITE).await;
        let looks = append(&mut conn, &mut Grown::default(), SITE, 0..LOOKS[0] + 10).await;
        if dialect::STATISTICS.is_none() {
            assert!(looks.is_empty(), "this engine is left alone: {looks:?}");
            return;
        }
        assert_eq!(looks, [LOOKS[0]]);
        assert_eq!(known(&mut conn, SITE).await, (LOOKS[0], 0), "and that there is no report");
    }

    #[tokio::test]
    async fn what_was_undone_is_looked_at_anew_by_any_writer() {
        if dialect::STATISTICS.is_none() {
            return;
        }
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        for ends in ["ROLLBACK", "COMMIT"] {
            say(&mut conn, dialect::BEGIN_WRITE).await;
            let looks = append(&mut conn, &mut Grown::default(), SITE, 0..1_500).await;
            assert_eq!(looks, LOOKS[..3], "{ends}");
            say(&mut conn, ends).await;
            let expected = if ends == "COMMIT" { LOOKS[2] } else { 0 };
            assert_eq!(known(&mut conn, SITE).await, (expected, 0), "{ends}");
        }
    }

    #[tokio::test]
    async fn a_site_is_looked_at_beside_one_that_is_known() {
        if dialect::STATISTICS.is_none() {
            return;
        }
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        let (mut grown, other) = (Grown::default(), SiteId(2));
        assert_eq!(append(&mut conn, &mut grown, SITE, 0..2_048).await, LOOKS[..4]);
        assert_eq!(append(&mut conn, &mut grown, other, 0..300).await, [LOOKS[0]]);
        assert_eq!(known(&mut conn, other).await.0, LOOKS[0]);
        assert!(known(&mut conn, SITE).await.0 >= 2_040, "it has not forgotten the first");
    }

    #[tokio::test]
    async fn reports_are_counted_by_themselves_and_not_when_they_are_undone() {
        let (_folder, mut conn, ..) = super::super::super::scratch().await;
        let mut grown = Grown::default();
        grown.take(SITE, 9_000);
        grown.reports(SITE, LOOKS[0]);
        grown.undo();
        grown.take(SITE, 9_000);
        grown.reports(SITE, LOOKS[0] - 1);
        assert!(!grown.keep_up(&mut conn, SITE, 9_255).await.expect("asked"));
        grown.reports(SITE, 1);
        let looked = grown.keep_up(&mut conn, SITE, 9_256).await.expect("asked");
        assert_eq!(looked, dialect::STATISTICS.is_some());
    }
}
