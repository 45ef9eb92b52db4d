//! The ledger's rows: found as a batch asks for them, and written as it changed them.

use super::bulk::{Binding, Bulk};
use super::decode::{Reading, to_json, to_word};
use super::{Conn, DbRow};
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{MachineId, MeterId, SiteId, TokenId};
use fettler_domain::ledger::absolute::Contribution;
use fettler_domain::ledger::batch::Batch;
use fettler_domain::ledger::changes::{Change, Changes, Found, Need};
use fettler_domain::ledger::history::Segment;
use fettler_domain::ledger::report::{Content, Digest, LENGTH_MAX_MICROS, ReportId, ReportKey, Statement};
use fettler_domain::ledger::row::{Reason, Row};
use fettler_domain::quantity::Amount;
use fettler_domain::text::ForeignName;
use fettler_domain::time::Ts;
use std::collections::{BTreeMap, HashMap};

/// The columns of a row, as [`row`] reads them.
macro_rules! columns {
    () => {
        "l.source, l.report, l.revision, l.digest, l.machine_sent, l.meter_sent, l.kind, l.unit, l.starts, l.ends, \
         l.amount, l.received_at, l.settlement, l.machine, l.meter, l.state, l.reason, l.segment_start, \
         l.segment_amount, l.leaf"
    };
}
pub(super) use columns;

static REPORTS: Bulk = Bulk::new(
    "WITH k(site, source, report) AS (VALUES",
    1,
    2,
    concat!(
        ") SELECT ",
        columns!(),
        " FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.source = k.source AND l.report = k.report"
    ),
);
static OVERLAPPING: Bulk = Bulk::new(
    "WITH k(site, place, meter, low, since, upto) AS (VALUES",
    1,
    5,
    concat!(
        ") SELECT ",
        columns!(),
        ", k.place FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.meter = k.meter AND l.starts > k.low \
         AND l.starts < k.upto AND l.ends > k.since AND l.kind = 'interval'"
    ),
);
/// Readings up to the instant of the so-and-so-many-th from an instant on; all of them when there are fewer.
static READINGS: Bulk = Bulk::new(
    "WITH k(site, skip, place, meter, since) AS (VALUES",
    2,
    3,
    concat!(
        ") SELECT ",
        columns!(),
        ", k.place FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.meter = k.meter AND l.starts >= k.since \
         AND l.kind = 'absolute' AND l.starts <= COALESCE((SELECT x.starts FROM ledger x WHERE x.site = k.site \
         AND x.meter = k.meter AND x.starts >= k.since AND x.kind = 'absolute' ORDER BY x.starts LIMIT 1 OFFSET $2), \
         9223372036854775807)"
    ),
);
static READ_BEFORE: Bulk = Bulk::new(
    "WITH k(site, place, meter, since) AS (VALUES",
    1,
    3,
    concat!(
        ") SELECT ",
        columns!(),
        ", k.place FROM k CROSS JOIN ledger l WHERE l.site = k.site AND l.meter = k.meter AND l.kind = 'absolute' \
         AND l.state = 'counted' AND l.starts = (SELECT x.starts FROM ledger x WHERE x.site = k.site \
         AND x.meter = k.meter AND x.starts < k.since AND x.kind = 'absolute' AND x.state = 'counted' \
         ORDER BY x.starts DESC LIMIT 1)"
    ),
);
static REPLACED: Bulk = Bulk::new(
    "WITH k(site, place, meter) AS (VALUES",
    1,
    2,
    ") SELECT k.place, r.at, r.segment_start, r.segment_amount FROM k CROSS JOIN replacement r \
     WHERE r.site = k.site AND r.meter = k.meter AND r.segment_start IS NOT NULL",
);
static INSERT: Bulk = Bulk::new(
    "INSERT INTO ledger (site, source, report, revision, digest, leaf, token, received_at, kind, unit, starts, ends, \
     amount, machine_sent, meter_sent, waiting, state, held, reason, counts_from, settlement, machine, meter, \
     segment_start, segment_amount) VALUES",
    1,
    24,
    "",
);
static UPDATE: Bulk = Bulk::new(
    "WITH k(site, source, report, revision, digest, state, held, reason, counts_from, settlement, machine, meter, \
     segment_start, segment_amount) AS (VALUES",
    1,
    13,
    ") UPDATE ledger SET state = k.state, held = k.held, reason = k.reason, counts_from = k.counts_from, \
     settlement = k.settlement, machine = k.machine, meter = k.meter, segment_start = k.segment_start, \
     segment_amount = k.segment_amount FROM k WHERE ledger.site = k.site AND ledger.source = k.source \
     AND ledger.report = k.report AND ledger.revision = k.revision AND ledger.digest = k.digest",
);
static MONTHS: Bulk = Bulk::new(
    "INSERT INTO meter_month (site, meter, month, amount) VALUES",
    1,
    3,
    "ON CONFLICT (site, meter, month) DO UPDATE SET amount = meter_month.amount + excluded.amount",
);
/// A month in which nothing is left has no row, whatever was in it in between. An adjustment can cancel hours that are
/// still there, so the months of an adjusted meter stay.
static EMPTY_MONTHS: Bulk = Bulk::new(
    "DELETE FROM meter_month WHERE amount = 0 AND (site, meter, month) IN (VALUES",
    1,
    2,
    ") AND NOT EXISTS (SELECT 1 FROM adjustment a WHERE a.site = meter_month.site AND a.meter = meter_month.meter)",
);
static CONTRIBUTED: Bulk = Bulk::new(
    "WITH k(site, meter, at, segment_start, segment_amount) AS (VALUES",
    1,
    4,
    ") UPDATE replacement SET segment_start = k.segment_start, segment_amount = k.segment_amount FROM k \
     WHERE replacement.site = k.site AND replacement.meter = k.meter AND replacement.at = k.at",
);
static KNOWN_TO: Bulk = Bulk::new(
    "WITH k(site, meter, known_to) AS (VALUES",
    1,
    2,
    ") UPDATE meter SET known_to = k.known_to FROM k WHERE meter.site = k.site AND meter.number = k.meter",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    [
        &REPORTS,
        &OVERLAPPING,
        &READINGS,
        &READ_BEFORE,
        &REPLACED,
        &INSERT,
        &UPDATE,
        &MONTHS,
        &EMPTY_MONTHS,
        &CONTRIBUTED,
        &KNOWN_TO,
    ]
    .map(Bulk::sample)
    .to_vec()
}

/// Reads a row and the leaf of its arrival.
pub(super) fn row(row: &DbRow) -> Result<(Row, i64)> {
    read(&mut Reading::new(row, "ledger"))
}

/// Reads a row and the leaf of its arrival, and leaves what follows them to the caller.
pub(super) fn read(row: &mut Reading<'_>) -> Result<(Row, i64)> {
    let key = ReportKey {
        source: row.text("source", ForeignName::new)?,
        report: row.text("report", ForeignName::new)?,
        revision: row.number("revision")?,
        digest: Digest(row.hash("digest")?),
    };
    let machine = row.text("machine_sent", ForeignName::new)?;
    let meter = row.text_or_none("meter_sent", ForeignName::new)?;
    let statement = statement(row)?;
    let received_at = Ts(row.next()?);
    let settlement = row.word_or_none("settlement")?;
    let resolved = row.next::<Option<i64>>()?.map(MachineId);
    let resolved_meter = row.next::<Option<i64>>()?.map(MeterId);
    let state = row.word("state")?;
    let reason: Option<&str> = row.next()?;
    let reason = reason
        .map(|text| serde_json::from_str::<Reason>(text).map_err(|_| row.corrupt("reason", text)))
        .transpose()?;
    let (start, amount): (Option<i64>, Option<i64>) = (row.next()?, row.next()?);
    let end = match statement {
        Statement::Interval { end, .. } => end,
        Statement::Absolute { at, .. } => at,
        Statement::Withdrawn => Ts::MIN,
    };
    let segment =
        start.zip(amount).map(|(start, amount)| Segment { start: Ts(start), end, amount: Amount(amount) });
    let found = Row {
        key,
        content: Content { machine, meter, statement },
        received_at,
        settlement,
        machine: resolved,
        meter: resolved_meter,
        state,
        reason,
        segment,
    };
    Ok((found, row.next()?))
}

fn statement(row: &mut Reading<'_>) -> Result<Statement> {
    let kind: &str = row.next()?;
    if kind == "withdrawn" {
        let _: (Option<&str>, Option<i64>, Option<i64>, Option<i64>) =
            (row.next()?, row.next()?, row.next()?, row.next()?);
        return Ok(Statement::Withdrawn);
    }
    let unit = row.word("unit")?;
    let (starts, ends, amount) = (Ts(row.next()?), Ts(row.next()?), Amount(row.next()?));
    match kind {
        "interval" => Ok(Statement::Interval { start: starts, end: ends, unit, amount }),
        "absolute" => Ok(Statement::Absolute { at: starts, unit, value: amount }),
        other => Err(row.corrupt("kind", other)),
    }
}

/// All rows of a report.
pub(super) async fn of_report(conn: &mut Conn, site: SiteId, id: &ReportId) -> Result<Vec<(Row, i64)>> {
    let rows = find_reports(conn, site, std::slice::from_ref(id)).await?;
    rows.iter().map(row).collect()
}

async fn find_reports(conn: &mut Conn, site: SiteId, ids: &[ReportId]) -> Result<Vec<DbRow>> {
    let site = i64::from(site.0);
    REPORTS
        .fetch(conn, ids, |q| q.bind(site), |q, id| q.bind(id.source.as_str()).bind(id.report.as_str()))
        .await
}

/// Judges a batch, giving it what it asks for.
pub(super) async fn judge(
    conn: &mut Conn,
    site: SiteId,
    batch: &mut Batch<'_>,
    as_of: Ts,
) -> Result<Changes> {
    loop {
        let needs = match batch.judge(as_of) {
            Ok(changes) => return Ok(changes),
            Err(needs) => needs,
        };
        let found = find(conn, site, &needs).await?;
        for (need, found) in needs.iter().zip(found) {
            batch.load(need, found);
        }
    }
}

/// What is stored for each need.
async fn find(conn: &mut Conn, site: SiteId, needs: &[Need]) -> Result<Vec<Found>> {
    let number = i64::from(site.0);
    let mut found: Vec<Found> = needs.iter().map(|_| Found::default()).collect();
    let mut windows = Vec::new();
    let mut readings: BTreeMap<usize, Vec<(i64, MeterId, Ts)>> = BTreeMap::new();
    for (place, need) in needs.iter().enumerate() {
        let numbered = i64::try_from(place).unwrap_or(i64::MAX);
        match need {
            Need::Reports(ids) => {
                let rows = find_reports(conn, site, ids).await?;
                found[place].rows =
                    rows.iter().map(|db| row(db).map(|(row, _)| row)).collect::<Result<_>>()?;
            }
            Need::Overlapping { meter, from, to } => windows.push((numbered, *meter, *from, *to)),
            Need::Readings { meter, from, count } => {
                readings.entry(*count).or_default().push((numbered, *meter, *from));
            }
        }
    }
    let rows = OVERLAPPING
        .fetch(
            conn,
            &windows,
            |q| q.bind(number),
            |q, (place, meter, from, to)| {
                q.bind(place).bind(meter.0).bind(from.0 - LENGTH_MAX_MICROS).bind(from.0).bind(to.0)
            },
        )
        .await?;
    place_rows(&rows, &mut found)?;
    for (count, asked) in readings {
        find_readings(conn, number, count, &asked, &mut found).await?;
    }
    Ok(found)
}

async fn find_readings(
    conn: &mut Conn,
    site: i64,
    count: usize,
    asked: &[(i64, MeterId, Ts)],
    found: &mut [Found],
) -> Result<()> {
    let skip = i64::try_from(count.saturating_sub(1)).unwrap_or(i64::MAX);
    let bind =
        |q: Binding, (place, meter, from): &(i64, MeterId, Ts)| q.bind(*place).bind(meter.0).bind(from.0);
    let rows = READINGS.fetch(conn, asked, |q| q.bind(site).bind(skip), bind).await?;
    place_rows(&rows, found)?;
    let rows = READ_BEFORE.fetch(conn, asked, |q| q.bind(site), bind).await?;
    place_rows(&rows, found)?;
    let rows = REPLACED
        .fetch(conn, asked, |q| q.bind(site), |q, (place, meter, _)| q.bind(*place).bind(meter.0))
        .await?;
    for row in &rows {
        let mut row = Reading::new(row, "replacement");
        let place: usize = row.number("place")?;
        let at = Ts(row.next()?);
        let segment = Segment { start: Ts(row.next()?), end: at, amount: Amount(row.next()?) };
        if let Some(found) = found.get_mut(place) {
            found.replaced.push(Contribution { at, segment });
        }
    }
    Ok(())
}

fn place_rows(rows: &[DbRow], found: &mut [Found]) -> Result<()> {
    for row in rows {
        let mut row = Reading::new(row, "ledger");
        let (read, _) = read(&mut row)?;
        let place: usize = row.number("place")?;
        if let Some(found) = found.get_mut(place) {
            found.rows.push(read);
        }
    }
    Ok(())
}

/// The leaf and the token by which a statement arrived.
pub(super) type Arrived = HashMap<ReportKey, (i64, Option<TokenId>)>;

/// Writes rows, totals and contributions. `arrived` names the leaves of the new rows.
pub(super) async fn write(conn: &mut Conn, site: SiteId, changes: &Changes, arrived: &Arrived) -> Result<()> {
    let site = i64::from(site.0);
    let (new, old): (Vec<&Change>, Vec<&Change>) =
        changes.rows.iter().partition(|change| change.before.is_none());
    let new =
        new.into_iter().map(|change| New::of(&change.after, arrived)).collect::<Result<Vec<New<'_>>>>()?;
    INSERT.run(conn, &new, |q| q.bind(site), |q, new| new.bind(q)).await?;
    let old = old.into_iter().map(|change| Became::of(&change.after)).collect::<Result<Vec<Became<'_>>>>()?;
    UPDATE.run(conn, &old, |q| q.bind(site), |q, became| became.bind(bind_key(q, &became.row.key))).await?;
    let totals: Vec<((i64, i64), i64)> = changes
        .month_totals()
        .into_iter()
        .map(|((meter, month), amount)| ((meter.0, i64::from(month.0)), amount.0))
        .collect();
    MONTHS
        .run(
            conn,
            &totals,
            |q| q.bind(site),
            |q, ((meter, month), amount)| q.bind(*meter).bind(*month).bind(*amount),
        )
        .await?;
    let lessened: Vec<(i64, i64)> =
        totals.iter().filter(|(_, amount)| *amount < 0).map(|(month, _)| *month).collect();
    EMPTY_MONTHS
        .run(conn, &lessened, |q| q.bind(site), |q, (meter, month)| q.bind(*meter).bind(*month))
        .await?;
    CONTRIBUTED
        .run(
            conn,
            &changes.replaced,
            |q| q.bind(site),
            |q, change| {
                q.bind(change.meter.0)
                    .bind(change.at.0)
                    .bind(change.after.map(|segment| segment.start.0))
                    .bind(change.after.map(|segment| segment.amount.0))
            },
        )
        .await?;
    Ok(())
}

/// Writes how far the hours of meters are known.
pub(super) async fn write_known_to(
    conn: &mut Conn,
    site: SiteId,
    known: &[(MeterId, Option<Ts>)],
) -> Result<()> {
    let site = i64::from(site.0);
    KNOWN_TO
        .run(conn, known, |q| q.bind(site), |q, (meter, at)| q.bind(meter.0).bind(at.map(|at| at.0)))
        .await?;
    Ok(())
}

fn bind_key(query: Binding, key: &ReportKey) -> Binding {
    query
        .bind(key.source.as_str())
        .bind(key.report.as_str())
        .bind(i64::from(key.revision))
        .bind(key.digest.0.to_vec())
}

/// What became of a row, in the form of its columns.
struct Became<'r> {
    row: &'r Row,
    state: String,
    held: Option<&'static str>,
    reason: Option<String>,
    counts_from: Option<i64>,
    settlement: Option<String>,
}

impl<'r> Became<'r> {
    fn of(row: &'r Row) -> Result<Became<'r>> {
        let counts_from = match &row.reason {
            Some(Reason::Future { counts_from }) => Some(counts_from.0),
            _ => None,
        };
        Ok(Became {
            row,
            state: to_word(&row.state)?,
            held: row.reason.as_ref().map(Reason::word),
            reason: row.reason.as_ref().map(to_json).transpose()?,
            counts_from,
            settlement: row.settlement.as_ref().map(to_word).transpose()?,
        })
    }

    fn bind(&self, query: Binding) -> Binding {
        query
            .bind(self.state.as_str())
            .bind(self.held)
            .bind(self.reason.as_deref())
            .bind(self.counts_from)
            .bind(self.settlement.as_deref())
            .bind(self.row.machine.map(|machine| machine.0))
            .bind(self.row.meter.map(|meter| meter.0))
            .bind(self.row.segment.map(|segment| segment.start.0))
            .bind(self.row.segment.map(|segment| segment.amount.0))
    }
}

/// A new row, in the form of its columns.
struct New<'r> {
    became: Became<'r>,
    leaf: i64,
    token: Option<i64>,
    kind: &'static str,
    unit: Option<String>,
    span: Option<(Ts, Ts)>,
    amount: Option<i64>,
}

impl<'r> New<'r> {
    fn of(row: &'r Row, arrived: &Arrived) -> Result<New<'r>> {
        let (leaf, token) = arrived.get(&row.key).copied().ok_or_else(|| StoreError::Corrupt {
            table: "ledger",
            column: "leaf",
            row: format!("{}/{}", row.key.source, row.key.report),
        })?;
        let (kind, unit, amount) = match &row.content.statement {
            Statement::Interval { unit, amount, .. } => ("interval", Some(to_word(unit)?), Some(amount.0)),
            Statement::Absolute { unit, value, .. } => ("absolute", Some(to_word(unit)?), Some(value.0)),
            Statement::Withdrawn => ("withdrawn", None, None),
        };
        let (became, span) = (Became::of(row)?, row.span());
        Ok(New { became, leaf, token: token.map(|token| token.0), kind, unit, span, amount })
    }

    fn bind(&self, query: Binding) -> Binding {
        let row = self.became.row;
        let query = bind_key(query, &row.key)
            .bind(self.leaf)
            .bind(self.token)
            .bind(row.received_at.0)
            .bind(self.kind)
            .bind(self.unit.as_deref())
            .bind(self.span.map(|(start, _)| start.0))
            .bind(self.span.map(|(_, end)| end.0))
            .bind(self.amount)
            .bind(row.content.machine.as_str())
            .bind(row.content.meter.as_ref().map(ForeignName::as_str))
            .bind(0_i64);
        self.became.bind(query)
    }
}
