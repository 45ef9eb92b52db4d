//! What is read and done again, the same text for each engine, compiled once for each.

use super::super::Grouping;
use super::dialect::{self, Conn, Db, DbRow};
use anyhow::{Context as _, Result};
use sqlx::{Column as _, Connection as _, Row as _, TypeInfo as _};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::time::{Duration, Instant};

/// A value of a row, or none, of a type.
#[derive(Clone, Debug)]
pub(super) enum Cell {
    Number(Option<i64>),
    Text(Option<String>),
    Bytes(Option<Vec<u8>>),
}

impl Cell {
    fn number(&self) -> i64 {
        if let Cell::Number(Some(number)) = self { *number } else { 0 }
    }

    fn is_text(&self, text: &str) -> bool {
        matches!(self, Cell::Text(Some(own)) if own == text)
    }
}

pub(super) type Cells = Vec<Cell>;
pub(super) type Query<'r> = sqlx::query::Query<'r, Db, <Db as sqlx::Database>::Arguments>;

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

impl Group {
    /// How many reports.
    pub fn reports(&self) -> usize {
        self.rows.len()
    }
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
/// Reports move the rows of what counts hours, and change nothing else of where they stand.
const PLANS: (&str, &str) = (
    "WITH k(site, planner, number, due, opens, late, covered_by, hazard, payload, section, key_time, sure_time) AS (VALUES",
    ") UPDATE plan SET due = k.due, opens = k.opens, late = k.late, covered_by = k.covered_by, hazard = k.hazard, \
     payload = k.payload, section = k.section, key_time = k.key_time, sure_time = k.sure_time FROM k \
     WHERE plan.site = k.site AND plan.number = k.number AND plan.planner <= k.planner",
);

fn cells(row: &DbRow) -> Result<Cells> {
    row.columns()
        .iter()
        .map(|column| {
            let at = column.ordinal();
            Ok(match column.type_info().name() {
                "INTEGER" | "INT8" => Cell::Number(row.try_get(at)?),
                "BLOB" | "BYTEA" => Cell::Bytes(row.try_get(at)?),
                _ => Cell::Text(row.try_get(at)?),
            })
        })
        .collect()
}

async fn all(conn: &mut Conn, text: &'static str) -> Result<Vec<Cells>> {
    let rows = sqlx::query(text).fetch_all(conn).await?;
    rows.iter().map(cells).collect()
}

/// Reads what a store wrote of reports, and groups it into transactions.
pub(crate) async fn read(place: &str, grouping: Grouping) -> Result<Vec<Group>> {
    let mut conn = dialect::open(place).await?;
    let rows = all(
        &mut conn,
        "SELECT site, source, report, revision, digest, leaf, token, received_at, kind, unit, starts, ends, amount, \
         machine_sent, meter_sent, waiting, state, held, reason, counts_from, settlement, machine, meter, segment_start, \
         segment_amount FROM ledger ORDER BY leaf",
    )
    .await?;
    let first = rows.first().context("no report was taken")?[5].number();
    let leaves =
        all(&mut conn, "SELECT site, number, at, kind, subject, person, bytes, hash FROM journal_leaf WHERE site = 1 ORDER BY number")
            .await?;
    let nodes = all(&mut conn, "SELECT site, level, position, hash FROM journal_node WHERE site = 1").await?;
    let plans = plans(&mut conn).await?;
    let leaves: Vec<Cells> = leaves.into_iter().filter(|leaf| leaf[1].number() >= first).collect();
    anyhow::ensure!(leaves.len() == rows.len(), "{} leaves, {} rows", leaves.len(), rows.len());
    let mut groups = Vec::new();
    let mut begin = 0;
    while begin < leaves.len() {
        let end = match grouping {
            Grouping::Of(reports) => leaves.len().min(begin + reports),
            Grouping::AsWritten => {
                let same = |leaf: &Cells| leaf[2].number() == leaves[begin][2].number();
                begin + leaves[begin..].iter().take_while(|leaf| same(leaf)).count()
            }
        };
        groups.push(group(&rows[begin..end], &leaves[begin..end], &nodes, &plans));
        begin = end;
    }
    Ok(groups)
}

/// Plan rows by machine: of the tasks that count hours, which every counted report changes.
async fn plans(conn: &mut Conn) -> Result<HashMap<i64, Vec<Cells>>> {
    let plans = all(
        conn,
        "SELECT p.site, p.planner, p.number, p.due, p.opens, p.late, p.covered_by, p.hazard, p.payload, p.section, \
         p.key_time, p.sure_time, p.machine FROM plan p \
         JOIN task t ON t.site = p.site AND t.number = p.task WHERE t.key <> 'look' ORDER BY p.number",
    )
    .await?;
    let mut by_machine: HashMap<i64, Vec<Cells>> = HashMap::new();
    for mut plan in plans {
        let machine = plan.pop().context("the machine stands last")?;
        by_machine.entry(machine.number()).or_default().push(plan);
    }
    Ok(by_machine)
}

/// Days of a month, near enough to spread the totals over as many rows as the store does.
const MONTH_MICROS: i64 = 30 * 24 * 3_600 * 1_000_000;

fn group(rows: &[Cells], leaves: &[Cells], nodes: &[Cells], plans: &HashMap<i64, Vec<Cells>>) -> Group {
    let mut months: BTreeMap<(i64, i64), i64> = BTreeMap::new();
    let mut known_to: BTreeMap<i64, i64> = BTreeMap::new();
    let mut machines: BTreeSet<i64> = BTreeSet::new();
    for row in rows.iter().filter(|row| row[16].is_text("counted")) {
        let (ends, machine, meter, amount) =
            (row[11].number(), row[21].number(), row[22].number(), row[24].number());
        *months.entry((meter, ends / MONTH_MICROS)).or_default() += amount;
        let known = known_to.entry(meter).or_default();
        *known = (*known).max(ends);
        machines.insert(machine);
    }
    let site = || rows[0][0].clone();
    let number = |number: i64| Cell::Number(Some(number));
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
    let number = |number: i64| Cell::Number(Some(number));
    vec![
        row[0].clone(),
        number(place),
        row[22].clone(),
        number(starts - LENGTH_MAX_MICROS),
        number(starts),
        number(ends),
    ]
}

/// The page of a list, as the store reads it; one more than is shown says whether there is a next.
const PAGE: &str = "SELECT p.section, p.key_time, p.number, p.payload, m.tag, m.name, m.area, t.key, t.card, o.title, o.hazard \
    FROM plan p CROSS JOIN machine m CROSS JOIN work_order o LEFT JOIN task t ON t.site = o.site AND t.number = o.task \
    WHERE m.site = p.site AND m.number = p.machine AND o.site = p.site AND o.number = p.number AND p.site = $1 \
    AND p.section = 0 AND p.key_time < $2 ORDER BY p.section, p.key_time, p.number LIMIT $3";

/// Reads the first page so many times; answers how long each took.
pub(crate) async fn pages(place: &str, before: i64, items: i32, calls: usize) -> Result<Vec<Duration>> {
    let mut conn = dialect::open(place).await?;
    let mut took = Vec::with_capacity(calls);
    for _ in 0..calls {
        let begin = Instant::now();
        sqlx::query(PAGE).bind(1_i64).bind(before).bind(i64::from(items) + 1).fetch_all(&mut conn).await?;
        took.push(begin.elapsed());
    }
    Ok(took)
}

/// Writes the groups into a database that holds the same shop without reports; answers how long that took.
pub(crate) async fn replay(place: &str, groups: &[Group]) -> Result<Duration> {
    let mut conn = dialect::open(place).await?;
    let mut texts = Texts::default();
    let begin = Instant::now();
    for (place, group) in groups.iter().enumerate() {
        let mut tx = conn.begin_with(dialect::BEGIN).await?;
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
        if let Some(statistics) = dialect::STATISTICS.filter(|_| (place + 1).is_power_of_two()) {
            sqlx::query(statistics).execute(&mut *tx).await?;
        }
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
        let text = || -> &'static str { Box::leak(dialect::text(head, tail, rows, width).into_boxed_str()) };
        self.0.entry((head, dialect::text_for(rows))).or_insert_with(text)
    }

    /// The queries over some rows, in the chunks of the store.
    fn queries<'r>(&mut self, statement: (&'static str, &'static str), rows: &'r [Cells]) -> Vec<Query<'r>> {
        let mut rest = rows;
        let mut queries = Vec::new();
        while let Some(size) = dialect::chunk(rest.len()) {
            let (chunk, after) = rest.split_at(size);
            rest = after;
            let query = sqlx::query(self.text(statement, size, chunk[0].len()));
            queries.push(dialect::bind(query, chunk));
        }
        queries
    }

    async fn look(
        &mut self,
        conn: &mut Conn,
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
        conn: &mut Conn,
        statement: (&'static str, &'static str),
        rows: &[Cells],
    ) -> Result<()> {
        for query in self.queries(statement, rows) {
            query.execute(&mut *conn).await?;
        }
        Ok(())
    }
}
