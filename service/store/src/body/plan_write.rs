//! Writing plan rows: each with as few of its columns, and so of its indexes, as tell what changed.

use super::Conn;
use super::bulk::{self, Binding, Bulk};
use super::decode::to_json;
use crate::contract::Result;
use fettler_domain::ids::{MachineId, OrderNumber, SiteId, TaskId};
use fettler_domain::plan::{PLANNER_VERSION, PlanRow, Section, Stamp};
use fettler_domain::time::Ts;
use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hasher as _};
use std::sync::Arc;

static WHOLE: Bulk = Bulk::new(
    "INSERT INTO plan (site, number, section, key_time, sure_time, machine, task, area, due, opens, late, covered_by, hazard, \
     as_of, fleet_epoch, calendar, zone_data, planner, stale, payload) VALUES",
    1,
    19,
    "ON CONFLICT (site, number) DO UPDATE SET section = excluded.section, key_time = excluded.key_time, \
     sure_time = excluded.sure_time, machine = excluded.machine, task = excluded.task, area = excluded.area, \
     due = excluded.due, opens = excluded.opens, late = excluded.late, covered_by = excluded.covered_by, \
     hazard = excluded.hazard, as_of = excluded.as_of, fleet_epoch = excluded.fleet_epoch, calendar = excluded.calendar, \
     zone_data = excluded.zone_data, planner = excluded.planner, stale = excluded.stale, payload = excluded.payload \
     WHERE plan.planner <= excluded.planner",
);
static MOVED: Bulk = Bulk::new(
    "WITH k(site, planner, number, due, opens, late, covered_by, hazard, payload, section, key_time, sure_time) AS (VALUES",
    2,
    10,
    ") UPDATE plan SET due = k.due, opens = k.opens, late = k.late, covered_by = k.covered_by, hazard = k.hazard, \
     payload = k.payload, section = k.section, key_time = k.key_time, sure_time = k.sure_time FROM k \
     WHERE plan.site = k.site AND plan.number = k.number AND plan.planner <= k.planner",
);
static REWORDED: Bulk = Bulk::new(
    "WITH k(site, planner, number, due, opens, late, covered_by, hazard, payload) AS (VALUES",
    2,
    7,
    ") UPDATE plan SET due = k.due, opens = k.opens, late = k.late, covered_by = k.covered_by, hazard = k.hazard, \
     payload = k.payload FROM k WHERE plan.site = k.site AND plan.number = k.number AND plan.planner <= k.planner",
);
/// A newer service has written the row; it knows how to compute it afresh.
static LEAVE_TO_NEWER: Bulk = Bulk::new(
    "WITH k(site, planner, machine) AS (VALUES",
    2,
    1,
    ") UPDATE plan SET stale = 1 FROM k \
     WHERE plan.site = k.site AND plan.machine = k.machine AND plan.planner > k.planner",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    [&WHOLE, &MOVED, &REWORDED, &LEAVE_TO_NEWER].map(Bulk::sample).to_vec()
}

/// What a list is ordered by: the indexed columns of a row that reports can change.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Keys {
    section: Section,
    key_time: Ts,
    sure_time: Ts,
}

impl Keys {
    fn of(row: &PlanRow) -> Keys {
        Keys { section: row.section, key_time: row.key_time, sure_time: row.sure_time() }
    }
}

/// What is remembered of one stored row.
struct StoredRow {
    order: OrderNumber,
    keys: Keys,
    turning: bool,
    /// Of its payload. Two different ones share it once in 2^64 times; then the older row stands until the next change or day.
    digest: u64,
}

/// What is remembered of a machine's rows as they are stored: enough to see what of a fresh one differs. The rows themselves
/// would take ten times as much.
pub(super) struct StoredRows {
    rows: Vec<StoredRow>,
    /// The rows whose orders are to become void or open again.
    pub(super) turning: Vec<PlanRow>,
    /// All rows of a machine are computed at once, so they share it.
    stamp: Option<Stamp>,
}

impl StoredRows {
    /// Takes a machine's fresh rows for the stored ones, and hands on what has to be written so that they are.
    pub(super) fn take(
        before: Option<&StoredRows>,
        rows: &[PlanRow],
        area: &str,
        turning: impl Fn(&PlanRow) -> bool,
        mut changed: impl FnMut(Changed),
    ) -> Result<StoredRows> {
        let area = Arc::from(area);
        let mut taken = StoredRows {
            rows: Vec::with_capacity(rows.len()),
            turning: Vec::new(),
            stamp: rows.first().map(|row| row.stamp.clone()),
        };
        let before = before.filter(|before| before.stamp == taken.stamp);
        for row in rows {
            let payload = to_json(row)?;
            let mut hasher = DefaultHasher::new();
            hasher.write(payload.as_bytes());
            let fresh = StoredRow {
                order: row.order,
                keys: Keys::of(row),
                turning: turning(row),
                digest: hasher.finish(),
            };
            let stored = before.and_then(|before| before.rows.iter().find(|known| known.order == row.order));
            if let Some(extent) = fresh.differs_from(stored) {
                changed(Changed::of(row, &area, (fresh.turning, extent), payload));
            }
            if fresh.turning {
                taken.turning.push(row.clone());
            }
            taken.rows.push(fresh);
        }
        Ok(taken)
    }
}

impl StoredRow {
    /// How much of it has to be written where this is stored.
    fn differs_from(&self, stored: Option<&StoredRow>) -> Option<Extent> {
        match stored {
            Some(stored) if stored.turning == self.turning => {
                if stored.keys != self.keys {
                    Some(Extent::Moved)
                } else if stored.digest != self.digest {
                    Some(Extent::Reworded)
                } else {
                    None
                }
            }
            _ => Some(Extent::Whole),
        }
    }
}

/// How much of a row has to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Extent {
    /// All of it: it is new, was computed for another day or from something else, or is not remembered.
    Whole,
    /// It stands elsewhere in the lists.
    Moved,
    /// It stands where it stood and says something else.
    Reworded,
}

/// A row to be written: its columns. Its clauses stand in the payload alone, so that a large push need not hold them twice.
pub(super) struct Changed {
    extent: Extent,
    order: OrderNumber,
    keys: Keys,
    machine: MachineId,
    task: Option<TaskId>,
    area: Arc<str>,
    due: Option<Ts>,
    opens: Option<Ts>,
    late: Option<Ts>,
    covered_by: Option<OrderNumber>,
    hazard: bool,
    stamp: Stamp,
    /// Whether its order is to become void or open again, which upkeep does where the transaction cannot.
    turning: bool,
    payload: String,
}

impl Changed {
    fn of(row: &PlanRow, area: &Arc<str>, (turning, extent): (bool, Extent), payload: String) -> Changed {
        Changed {
            extent,
            order: row.order,
            keys: Keys::of(row),
            machine: row.machine,
            task: row.task,
            area: Arc::clone(area),
            due: row.due,
            opens: row.opens,
            late: row.late,
            covered_by: row.covered_by,
            hazard: row.hazard,
            stamp: row.stamp.clone(),
            turning,
            payload,
        }
    }

    /// Binds what every extent has.
    fn bind_words(&self, query: Binding) -> Binding {
        query
            .bind(self.due.map(|at| at.0))
            .bind(self.opens.map(|at| at.0))
            .bind(self.late.map(|at| at.0))
            .bind(self.covered_by.map(|order| order.0))
            .bind(i64::from(self.hazard))
    }

    fn bind_keys(&self, query: Binding) -> Binding {
        query.bind(i64::from(self.keys.section as u8)).bind(self.keys.key_time.0).bind(self.keys.sure_time.0)
    }
}

/// Rows that wait to be written, by how much of them is.
#[derive(Default)]
pub(super) struct Waiting {
    whole: Vec<Changed>,
    moved: Vec<Changed>,
    reworded: Vec<Changed>,
}

impl Waiting {
    /// Adds rows.
    pub(super) fn add(&mut self, rows: Vec<Changed>) {
        for row in rows {
            match row.extent {
                Extent::Whole => self.whole.push(row),
                Extent::Moved => self.moved.push(row),
                Extent::Reworded => self.reworded.push(row),
            }
        }
    }

    /// Writes as many as statements take at once, so that there are few; the rest goes on waiting.
    pub(super) async fn write_most(&mut self, conn: &mut Conn, site: SiteId) -> Result<()> {
        for (rows, extent) in self.parts() {
            let most = rows.len() - rows.len() % bulk::LARGEST;
            if most > 0 {
                write(conn, site, &rows[..most], extent).await?;
                rows.drain(..most);
            }
        }
        Ok(())
    }

    /// Writes all.
    pub(super) async fn write_all(mut self, conn: &mut Conn, site: SiteId) -> Result<()> {
        for (rows, extent) in self.parts() {
            write(conn, site, rows, extent).await?;
        }
        Ok(())
    }

    fn parts(&mut self) -> [(&mut Vec<Changed>, Extent); 3] {
        [
            (&mut self.whole, Extent::Whole),
            (&mut self.moved, Extent::Moved),
            (&mut self.reworded, Extent::Reworded),
        ]
    }
}

async fn write(conn: &mut Conn, site: SiteId, rows: &[Changed], extent: Extent) -> Result<()> {
    let written = match extent {
        Extent::Whole => 0,
        Extent::Moved => moved(conn, site, rows).await?,
        Extent::Reworded => reworded(conn, site, rows).await?,
    };
    // Of what did not stand as it was remembered, all is written.
    if written < rows.len() as u64 && whole(conn, site, rows).await? < rows.len() as u64 {
        let machines: BTreeSet<MachineId> = rows.iter().map(|row| row.machine).collect();
        let machines: Vec<MachineId> = machines.into_iter().collect();
        let shared = shared(site);
        LEAVE_TO_NEWER.run(conn, &machines, shared, |q, machine| q.bind(machine.0)).await?;
    }
    Ok(())
}

/// Binds what the rows of an update share.
fn shared(site: SiteId) -> impl Fn(Binding) -> Binding {
    move |query| query.bind(i64::from(site.0)).bind(i64::from(PLANNER_VERSION))
}

async fn moved(conn: &mut Conn, site: SiteId, rows: &[Changed]) -> Result<u64> {
    let bind = |q: Binding, row: &Changed| {
        row.bind_keys(row.bind_words(q.bind(row.order.0)).bind(row.payload.as_str()))
    };
    MOVED.run(conn, rows, shared(site), bind).await
}

async fn reworded(conn: &mut Conn, site: SiteId, rows: &[Changed]) -> Result<u64> {
    let bind = |q: Binding, row: &Changed| row.bind_words(q.bind(row.order.0)).bind(row.payload.as_str());
    REWORDED.run(conn, rows, shared(site), bind).await
}

async fn whole(conn: &mut Conn, site: SiteId, rows: &[Changed]) -> Result<u64> {
    let site = i64::from(site.0);
    let bind = |q: Binding, row: &Changed| {
        let q = row
            .bind_keys(q.bind(row.order.0))
            .bind(row.machine.0)
            .bind(row.task.map(|task| task.0))
            .bind(&*row.area);
        row.bind_words(q)
            .bind(i64::from(row.stamp.as_of.to_days()))
            .bind(row.stamp.fleet_epoch)
            .bind(row.stamp.calendar_revision)
            .bind(row.stamp.zone_data.as_ref())
            .bind(i64::from(row.stamp.planner))
            .bind(i64::from(row.turning))
            .bind(row.payload.as_str())
    };
    WHOLE.run(conn, rows, |q| q.bind(site), bind).await
}

#[cfg(test)]
mod tests {
    use super::super::super::scratch;
    use super::*;
    use fettler_domain::plan::DueKind;
    use fettler_domain::rule::Combine;
    use fettler_domain::time::ShopDay;
    use sqlx::Row as _;

    const STORED: &str = "SELECT section, key_time, sure_time, due, as_of, stale, payload, opens, late, covered_by, hazard, area \
        FROM plan WHERE number = 7";
    const SITE: SiteId = SiteId(1);

    fn row() -> PlanRow {
        PlanRow {
            order: OrderNumber(7),
            task: Some(TaskId(3)),
            machine: MachineId(2),
            section: Section::Dated,
            key_time: Ts(100),
            due: Some(Ts(100)),
            kind: DueKind::Expected,
            governing: None,
            opens: None,
            late: None,
            opens_expected: None,
            p10: Some(Ts(90)),
            p50: Some(Ts(100)),
            p90: Some(Ts(110)),
            chance_today: None,
            combine: Combine::Earliest,
            clauses: Vec::new(),
            rule_effective: None,
            held_until: None,
            covered_by: None,
            hazard: false,
            stamp: Stamp {
                as_of: ShopDay::from_days(20_000),
                fleet_epoch: 1,
                calendar_revision: 1,
                zone_data: "2025b".into(),
                planner: PLANNER_VERSION,
            },
        }
    }

    /// A change, and how much of the row is written for it.
    type Case = (&'static str, fn(&mut PlanRow), bool, Option<Extent>);

    const CASES: &[Case] = &[
        ("nothing", |_| {}, false, None),
        ("it says something else", |row| row.chance_today = Some(40), false, Some(Extent::Reworded)),
        (
            "its window opens, and another covers it",
            |row| {
                row.opens = Some(Ts(95));
                row.late = Some(Ts(120));
                row.covered_by = Some(OrderNumber(8));
                row.hazard = true;
            },
            false,
            Some(Extent::Reworded),
        ),
        ("the whole expectation moves", |row| row.p10 = Some(Ts(80)), false, Some(Extent::Moved)),
        (
            "it is due at another time",
            |row| {
                row.key_time = Ts(105);
                row.due = Some(Ts(105));
            },
            false,
            Some(Extent::Moved),
        ),
        ("it goes to another section", |row| row.section = Section::Unlisted, false, Some(Extent::Moved)),
        ("its order is to become void", |_| {}, true, Some(Extent::Whole)),
        (
            "it is of another day",
            |row| row.stamp.as_of = ShopDay::from_days(20_001),
            false,
            Some(Extent::Whole),
        ),
    ];

    async fn store(conn: &mut Conn, before: Option<&StoredRows>, row: &PlanRow, turning: bool) -> StoredRows {
        let mut changed = Vec::new();
        let rows = std::slice::from_ref(row);
        let taken = StoredRows::take(before, rows, "Hall 1", |_| turning, |row| changed.push(row));
        let mut waiting = Waiting::default();
        waiting.add(changed);
        waiting.write_all(conn, SITE).await.expect("written");
        taken.expect("taken")
    }

    async fn is_stored(conn: &mut Conn, row: &PlanRow, turning: bool, what: &str) {
        let stored = sqlx::query(STORED).fetch_one(conn).await.expect(what);
        let payload: PlanRow = serde_json::from_str(stored.get(6)).expect("a row");
        assert_eq!(payload, *row, "{what}");
        let number = |column: usize| stored.get::<i64, _>(column);
        assert_eq!(number(0), i64::from(row.section as u8), "{what}");
        assert_eq!([number(1), number(2)], [row.key_time.0, row.sure_time().0], "{what}");
        let optional = |column: usize| stored.get::<Option<i64>, _>(column);
        let instants = [optional(3), optional(7), optional(8)];
        assert_eq!(instants, [row.due, row.opens, row.late].map(|at| at.map(|at| at.0)), "{what}");
        assert_eq!(optional(9), row.covered_by.map(|order| order.0), "{what}");
        assert_eq!((number(10), stored.get::<&str, _>(11)), (i64::from(row.hazard), "Hall 1"), "{what}");
        let stamped = i64::from(row.stamp.as_of.to_days());
        assert_eq!([number(4), number(5)], [stamped, i64::from(turning)], "{what}");
    }

    #[tokio::test]
    async fn a_row_is_stored_as_it_is_however_little_of_it_is_written() {
        let (_folder, mut conn, ..) = scratch().await;
        for (what, alter, turning, extent) in CASES {
            let first = row();
            // Once as it is remembered, and once where the remembered row has gone.
            for gone in [false, true] {
                sqlx::query("DELETE FROM plan").execute(&mut conn).await.expect("cleared");
                let remembered = store(&mut conn, None, &first, false).await;
                is_stored(&mut conn, &first, false, "the first").await;
                let mut second = row();
                alter(&mut second);
                let mut wanted = Vec::new();
                let take = |row: Changed| wanted.push(row.extent);
                let rows = std::slice::from_ref(&second);
                StoredRows::take(Some(&remembered), rows, "Hall 1", |_| *turning, take).expect("taken");
                assert_eq!(wanted, extent.iter().copied().collect::<Vec<_>>(), "{what}");
                if gone && extent.is_none() {
                    continue;
                }
                if gone {
                    sqlx::query("DELETE FROM plan").execute(&mut conn).await.expect("cleared");
                }
                let taken = store(&mut conn, Some(&remembered), &second, *turning).await;
                is_stored(&mut conn, &second, *turning, what).await;
                assert_eq!(taken.turning.len(), usize::from(*turning), "{what}");
            }
        }
    }
}
