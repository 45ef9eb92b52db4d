//! The floor of a push: the rows that the store wrote, written again by plain sqlx alone, with the same statements, the same upserts,
//! the same grouping into transactions and the same fsync. Nothing is judged, planned or hashed.

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

/// What one transaction writes.
#[derive(Debug, Default)]
pub struct Group {
    leaves: Vec<Cells>,
    nodes: Vec<Cells>,
    rows: Vec<Cells>,
    months: Vec<Cells>,
    known_to: Vec<Cells>,
    plans: Vec<Cells>,
}

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
        .pragma("cache_size", "-24576");
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
        plans: machines.iter().filter_map(|machine| plans.get(machine)).flatten().cloned().collect(),
    }
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
            // As in the store: the site is one parameter that all rows share.
            let row = |at: usize| {
                let own = (0..width - 1).map(|column| format!(", ${}", 2 + at * (width - 1) + column));
                format!(" ($1{})", own.collect::<String>())
            };
            let rows: Vec<String> = (0..rows).map(row).collect();
            Box::leak(format!("{head}{}{tail}", rows.join(",")).into_boxed_str())
        })
    }

    async fn write(
        &mut self,
        conn: &mut SqliteConnection,
        statement: (&'static str, &'static str),
        rows: &[Cells],
    ) -> Result<()> {
        let mut rest = rows;
        while let Some(size) = SIZES.into_iter().find(|size| *size <= rest.len()) {
            let (chunk, after) = rest.split_at(size);
            rest = after;
            let mut query =
                sqlx::query(self.text(statement, size, chunk[0].len())).bind(chunk[0][0].number());
            for cell in chunk.iter().flat_map(|row| &row[1..]) {
                query = match cell {
                    Cell::Nothing => query.bind(None::<i64>),
                    Cell::Number(number) => query.bind(*number),
                    Cell::Text(text) => query.bind(text.as_str()),
                    Cell::Bytes(bytes) => query.bind(bytes.as_slice()),
                };
            }
            query.execute(&mut *conn).await?;
        }
        Ok(())
    }
}
