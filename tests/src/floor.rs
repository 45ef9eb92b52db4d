//! The floor of a push: what the store did to the database, done again by plain sqlx alone, with the same statements (the two
//! by which it looks for what a report could touch, and those that write), the same upserts, the same grouping into
//! transactions and the same fsync. Nothing is decoded, judged, planned or hashed; what the store reads once of each machine
//! and then remembers is left out.

use anyhow::{Context as _, Result};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteRow, SqliteSynchronous};
use sqlx::{
    Column as _, ConnectOptions as _, Connection as _, Row as _, SqliteConnection, TypeInfo as _,
    ValueRef as _,
};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;
use std::time::{Duration, Instant};

/// The rows of a statement, largest first: those of the store.
const SIZES: [usize; 4] = [512, 64, 8, 1];

/// A value of a row.
#[derive(Clone, Debug)]
enum Cell {
    Nothing,
    Number(i64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Cell {
    fn number(&self) -> i64 {
        if let Cell::Number(number) = self { *number } else { 0 }
    }
}

type Cells = Vec<Cell>;
type Query<'r> = sqlx::query::Query<'r, sqlx::Sqlite, sqlx::sqlite::SqliteArguments>;

/// What one transaction writes.
#[derive(Debug, Default)]
pub struct Group {
    leaves: Vec<Cells>,
    nodes: Vec<Cells>,
    rows: Vec<Cells>,
    months: Vec<Cells>,
    known_to: Vec<Cells>,
    plans: Vec<Cells>,
    reports: Vec<Cells>,
    windows: Vec<Cells>,
}

/// The columns of a report that the store reads.
macro_rules! columns {
    () => {
        "l.source, l.report, l.revision, l.digest, l.machine_sent, l.meter_sent, l.kind, l.unit, l.starts, l.ends, \
         l.amount, l.received_at, l.settlement, l.machine, l.meter, l.state, l.reason, l.segment_start, \
         l.segment_amount, l.leaf"
    };
}

const REPORTS: (&str, &str) = (
    "WITH k(site, source, report) AS (VALUES",
    concat!(
        ") SELECT ",
        columns!(),
        " FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.source = k.source AND l.report = k.report"
    ),
);
const WINDOWS: (&str, &str) = (
    "WITH k(site, place, meter, low, since, upto) AS (VALUES",
    concat!(
        ") SELECT ",
        columns!(),
        ", k.place FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.meter = k.meter AND l.starts > k.low \
         AND l.starts < k.upto AND l.ends > k.since AND l.kind = 'interval'"
    ),
);
/// How far before a window an interval may start that overlaps it: 31 days.
const LENGTH_MAX_MICROS: i64 = 31 * 24 * 3_600 * 1_000_000;

const LEAVES: (&str, &str) =
    ("INSERT INTO journal_leaf (site, number, at, kind, subject, person, bytes, hash) VALUES", "");
const NODES: (&str, &str) = ("INSERT INTO journal_node (site, level, position, hash) VALUES", "");
const ROWS: (&str, &str) = (
    "INSERT INTO ledger (site, source, report, revision, digest, leaf, token, received_at, kind, unit, starts, ends, \
     amount, machine_sent, meter_sent, waiting, state, held, reason, counts_from, settlement, machine, meter, \
     segment_start, segment_amount) VALUES",
    "",
);
const MONTHS: (&str, &str) = (
    "INSERT INTO meter_month (site, meter, month, amount) VALUES",
    " ON CONFLICT (site, meter, month) DO UPDATE SET amount = meter_month.amount + excluded.amount",
);
const KNOWN_TO: (&str, &str) = (
    "WITH k(site, meter, known_to) AS (VALUES",
    ") UPDATE meter SET known_to = k.known_to FROM k WHERE meter.site = k.site AND meter.number = k.meter",
);
const PLANS: (&str, &str) = (
    "INSERT INTO plan (site, number, section, key_time, machine, task, area, due, opens, late, covered_by, hazard, as_of, \
     fleet_epoch, calendar, zone_data, planner, stale, payload) VALUES",
    " ON CONFLICT (site, number) DO UPDATE SET section = excluded.section, key_time = excluded.key_time, \
     machine = excluded.machine, task = excluded.task, area = excluded.area, due = excluded.due, opens = excluded.opens, \
     late = excluded.late, covered_by = excluded.covered_by, hazard = excluded.hazard, as_of = excluded.as_of, \
     fleet_epoch = excluded.fleet_epoch, calendar = excluded.calendar, zone_data = excluded.zone_data, \
     planner = excluded.planner, stale = excluded.stale, payload = excluded.payload \
     WHERE plan.planner <= excluded.planner",
);

/// Opens a database as the store's writer does.
async fn open(path: &Path) -> Result<SqliteConnection> {
    let options = SqliteConnectOptions::new()
        .filename(path)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .statement_cache_capacity(256)
        .pragma("journal_size_limit", "67108864")
        .pragma("wal_autocheckpoint", "4000")
        .pragma("temp_store", "memory")
        .pragma("cache_size", "-49152");
    options.connect().await.with_context(|| path.display().to_string())
}

fn cells(row: &SqliteRow) -> Result<Cells> {
    let cell = |at: usize| -> Result<Cell> {
        let raw = row.try_get_raw(at)?;
        let kind = raw.type_info().name().to_owned();
        Ok(match (raw.is_null(), kind.as_str()) {
            (true, _) => Cell::Nothing,
            (_, "INTEGER") => Cell::Number(row.try_get(at)?),
            (_, "BLOB") => Cell::Bytes(row.try_get(at)?),
            _ => Cell::Text(row.try_get(at)?),
        })
    };
    row.columns().iter().map(|column| cell(column.ordinal())).collect()
}

async fn all(conn: &mut SqliteConnection, text: &'static str) -> Result<Vec<Cells>> {
    let rows = sqlx::query(text).fetch_all(conn).await?;
    rows.iter().map(cells).collect()
}

/// Reads what a store wrote after leaf `from`, and groups it into transactions of so many reports.
pub async fn read(path: &Path, from: i64, reports: usize) -> Result<Vec<Group>> {
    let mut conn = open(path).await?;
    let rows = all(
        &mut conn,
        "SELECT site, source, report, revision, digest, leaf, token, received_at, kind, unit, starts, ends, amount, \
         machine_sent, meter_sent, waiting, state, held, reason, counts_from, settlement, machine, meter, segment_start, \
         segment_amount FROM ledger ORDER BY leaf",
    )
    .await?;
    let leaves =
        all(&mut conn, "SELECT site, number, at, kind, subject, person, bytes, hash FROM journal_leaf WHERE site = 1 ORDER BY number")
            .await?;
    let nodes = all(&mut conn, "SELECT site, level, position, hash FROM journal_node WHERE site = 1").await?;
    let plans = plans(&mut conn).await?;
    let leaves: Vec<Cells> = leaves.into_iter().filter(|leaf| leaf[1].number() >= from).collect();
    anyhow::ensure!(leaves.len() == rows.len(), "{} leaves, {} rows", leaves.len(), rows.len());
    let groups = rows.chunks(reports).zip(leaves.chunks(reports));
    Ok(groups.map(|(rows, leaves)| group(rows, leaves, &nodes, &plans)).collect())
}

/// Plan rows by machine: of the tasks that count hours, which every counted report changes.
async fn plans(conn: &mut SqliteConnection) -> Result<HashMap<i64, Vec<Cells>>> {
    let plans = all(
        conn,
        "SELECT p.site, p.number, p.section, p.key_time, p.machine, p.task, p.area, p.due, p.opens, p.late, p.covered_by, \
         p.hazard, p.as_of, p.fleet_epoch, p.calendar, p.zone_data, p.planner, p.stale, p.payload FROM plan p \
         JOIN task t ON t.site = p.site AND t.number = p.task WHERE t.key <> 'look' ORDER BY p.number",
    )
    .await?;
    let mut by_machine: HashMap<i64, Vec<Cells>> = HashMap::new();
    for plan in plans {
        by_machine.entry(plan[4].number()).or_default().push(plan);
    }
    Ok(by_machine)
}

/// Days of a month, near enough to spread the totals over as many rows as the store does.
const MONTH_MICROS: i64 = 30 * 24 * 3_600 * 1_000_000;

fn group(rows: &[Cells], leaves: &[Cells], nodes: &[Cells], plans: &HashMap<i64, Vec<Cells>>) -> Group {
    let mut months: BTreeMap<(i64, i64), i64> = BTreeMap::new();
    let mut known_to: BTreeMap<i64, i64> = BTreeMap::new();
    let mut machines: BTreeSet<i64> = BTreeSet::new();
    for row in rows {
        let (ends, machine, meter, amount) =
            (row[11].number(), row[21].number(), row[22].number(), row[24].number());
        *months.entry((meter, ends / MONTH_MICROS)).or_default() += amount;
        let known = known_to.entry(meter).or_default();
        *known = (*known).max(ends);
        machines.insert(machine);
    }
    let site = || rows[0][0].clone();
    let number = Cell::Number;
    let last = leaves.last().map_or(0, |leaf| leaf[1].number());
    let first = leaves.first().map_or(0, |leaf| leaf[1].number());
    // A node of level 8 is written with the last of its 256 leaves; the few above it with theirs.
    let written = |node: &&Cells| {
        let width = 1_i64 << node[1].number();
        (first..=last).contains(&((node[2].number() + 1) * width - 1))
    };
    Group {
        leaves: leaves.to_vec(),
        nodes: nodes.iter().filter(written).cloned().collect(),
        rows: rows.to_vec(),
        months: months
            .iter()
            .map(|((meter, month), sum)| vec![site(), number(*meter), number(*month), number(*sum)])
            .collect(),
        known_to: known_to.iter().map(|(meter, at)| vec![site(), number(*meter), number(*at)]).collect(),
        reports: rows.iter().map(|row| row[..3].to_vec()).collect(),
        windows: (0..).zip(rows).map(|(place, row)| window(place, row)).collect(),
        plans: machines.iter().filter_map(|machine| plans.get(machine)).flatten().cloned().collect(),
    }
}

/// What the store looks for beside a report: what overlaps it.
fn window(place: i64, row: &Cells) -> Cells {
    let (starts, ends) = (row[10].number(), row[11].number());
    let number = Cell::Number;
    vec![
        row[0].clone(),
        number(place),
        row[22].clone(),
        number(starts - LENGTH_MAX_MICROS),
        number(starts),
        number(ends),
    ]
}

/// Writes the groups into a database that holds the same shop without reports; answers how long that took.
pub async fn replay(path: &Path, groups: &[Group]) -> Result<Duration> {
    let mut conn = open(path).await?;
    let mut texts = Texts::default();
    let begin = Instant::now();
    for group in groups {
        let mut tx = conn.begin_with("BEGIN IMMEDIATE").await?;
        sqlx::query("UPDATE site_head SET writes = writes + 1 WHERE site = $1 RETURNING writes, frontier")
            .bind(1_i64)
            .fetch_one(&mut *tx)
            .await?;
        for (statement, rows) in [(REPORTS, &group.reports), (WINDOWS, &group.windows)] {
            texts.look(&mut tx, statement, rows).await?;
        }
        for (statement, rows) in [
            (ROWS, &group.rows),
            (MONTHS, &group.months),
            (KNOWN_TO, &group.known_to),
            (PLANS, &group.plans),
            (LEAVES, &group.leaves),
            (NODES, &group.nodes),
        ] {
            texts.write(&mut tx, statement, rows).await?;
        }
        let size = group.leaves.last().map_or(0, |leaf| leaf[1].number() + 1);
        sqlx::query("UPDATE site_head SET journal_size = $2 WHERE site = $1")
            .bind(1_i64)
            .bind(size)
            .execute(&mut *tx)
            .await?;
        tx.commit().await?;
    }
    Ok(begin.elapsed())
}

/// The text of each statement for each number of rows, made once.
#[derive(Default)]
struct Texts(HashMap<(&'static str, usize), &'static str>);

impl Texts {
    fn text(
        &mut self,
        (head, tail): (&'static str, &'static str),
        rows: usize,
        width: usize,
    ) -> &'static str {
        self.0.entry((head, rows)).or_insert_with(|| {
            // As in the store: rows bring the site along, and nothing is looked up by a name.
            let row = format!(" (?{})", ", ?".repeat(width - 1));
            let rows = vec![row; rows];
            Box::leak(format!("{head}{}{tail}", rows.join(",")).into_boxed_str())
        })
    }

    /// The queries over some rows, in the chunk sizes of the store.
    fn queries<'r>(&mut self, statement: (&'static str, &'static str), rows: &'r [Cells]) -> Vec<Query<'r>> {
        let mut rest = rows;
        let mut queries = Vec::new();
        while let Some(size) = SIZES.into_iter().find(|size| *size <= rest.len()) {
            let (chunk, after) = rest.split_at(size);
            rest = after;
            let query = sqlx::query(self.text(statement, size, chunk[0].len()));
            queries.push(chunk.iter().flatten().fold(query, |query, cell| match cell {
                Cell::Nothing => query.bind(None::<i64>),
                Cell::Number(number) => query.bind(*number),
                Cell::Text(text) => query.bind(text.as_str()),
                Cell::Bytes(bytes) => query.bind(bytes.as_slice()),
            }));
        }
        queries
    }

    async fn look(
        &mut self,
        conn: &mut SqliteConnection,
        statement: (&'static str, &'static str),
        rows: &[Cells],
    ) -> Result<()> {
        for query in self.queries(statement, rows) {
            query.fetch_all(&mut *conn).await?;
        }
        Ok(())
    }

    async fn write(
        &mut self,
        conn: &mut SqliteConnection,
        statement: (&'static str, &'static str),
        rows: &[Cells],
    ) -> Result<()> {
        for query in self.queries(statement, rows) {
            query.execute(&mut *conn).await?;
        }
        Ok(())
    }
}
