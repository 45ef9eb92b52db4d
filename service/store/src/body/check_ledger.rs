//! Whether a ledger is whole: each report as its entry says it, and each meter's totals as its reports give them.

use super::bulk::Bulk;
use super::decode::Reading;
use super::ledger;
use super::push;
use super::store::SqlStore;
use super::{Conn, DbRow};
use crate::contract::{Part, Result};
use fettler_domain::ids::{MeterId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::ledger::history::{Month, Segment};
use fettler_domain::ledger::row::State;
use fettler_domain::quantity::Amount;
use fettler_domain::time::Ts;
use std::collections::BTreeMap;

const REPORTS: &str = concat!(
    "SELECT ",
    ledger::columns!(),
    ", j.kind, j.subject FROM ledger l LEFT JOIN journal_leaf j ON j.site = l.site AND j.number = l.leaf \
     WHERE l.site = $1 AND l.leaf > $2 ORDER BY l.leaf LIMIT $3"
);
const METERS: &str = "SELECT number FROM meter WHERE site = $1 ORDER BY number";
static TOTALS: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT m.meter, m.month, m.amount FROM k CROSS JOIN meter_month m \
     WHERE m.site = k.site AND m.meter = k.meter",
);
static KNOWN_TO: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT m.number, m.known_to FROM k CROSS JOIN meter m WHERE m.site = k.site AND m.number = k.meter",
);
static COUNTED: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT l.meter, l.segment_start, l.ends, l.segment_amount FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.state = 'counted'",
);
static REPLACED: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT r.meter, r.segment_start, r.at, r.segment_amount FROM k CROSS JOIN replacement r \
     WHERE r.site = k.site AND r.meter = k.meter AND r.segment_start IS NOT NULL",
);
static ADJUSTED: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT a.meter, a.at, a.at, a.amount FROM k CROSS JOIN adjustment a \
     WHERE a.site = k.site AND a.meter = k.meter",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    let lists = [&TOTALS, &KNOWN_TO, &COUNTED, &REPLACED, &ADJUSTED].map(Bulk::sample);
    lists.into_iter().chain([REPORTS, METERS]).collect()
}

/// Reports that are read at once.
const REPORTS_AT_ONCE: i64 = 2_000;
/// Meters whose reports are summed at once.
const METERS_AT_ONCE: usize = 64;

/// What to do where a report is not the one that arrived.
const ALTERED: &str = "the journal holds what arrived: stop the service, keep what is there, and restore the newest backup that \
    `fettlerd check` finds whole";
/// What to do where a sum is wrong.
const SUMS: &str = "the reports are as they arrived, and this follows from them: restore the newest backup that `fettlerd check` \
    finds whole, and push what came since again";

/// Checks a site's ledger; its journal has so many entries, and so many arrivals among them.
pub(super) async fn check(store: &SqlStore, site: SiteId, journal: (i64, u64)) -> Result<Part> {
    let mut part = Part::new("ledger", Some(site));
    let reports = check_reports(store, site, journal, &mut part).await?;
    let meters = sqlx::query(METERS).bind(i64::from(site.0)).fetch_all(&mut *store.read().await?).await?;
    let meters: Vec<i64> =
        meters.iter().map(|row| Reading::new(row, "meter").next()).collect::<Result<_>>()?;
    let mut months = 0;
    for some in meters.chunks(METERS_AT_ONCE) {
        months += Sums::load(&mut *store.read().await?, site, some).await?.compare(some, &mut part);
    }
    part.seen = format!(
        "{reports} reports compared with their entries, the totals of {} meters in {months} months with their reports",
        meters.len()
    );
    Ok(part)
}

/// Compares each report with the entry by which it arrived; gives how many there are.
async fn check_reports(
    store: &SqlStore,
    site: SiteId,
    (entries, arrived): (i64, u64),
    part: &mut Part,
) -> Result<u64> {
    let (mut all, mut before_size, mut after) = (0, 0, -1);
    loop {
        let query = sqlx::query(REPORTS).bind(i64::from(site.0)).bind(after).bind(REPORTS_AT_ONCE);
        let rows = query.fetch_all(&mut *store.read().await?).await?;
        for row in &rows {
            after = check_report(row, part)?;
            all += 1;
            before_size += u64::from(after < entries);
        }
        if rows.is_empty() {
            break;
        }
    }
    if before_size != arrived {
        let text = format!("{arrived} reports arrived by the journal, and {before_size} are kept");
        part.fault(text, ALTERED);
    }
    Ok(all)
}

/// Compares one report; gives the number of its entry.
fn check_report(row: &DbRow, part: &mut Part) -> Result<i64> {
    let mut reading = Reading::new(row, "ledger");
    let (report, leaf) = ledger::read(&mut reading)?;
    let (kind, subject): (Option<String>, Option<String>) = (reading.next()?, reading.next()?);
    let is_its_own = kind.as_deref() == Some(Kind::ReportArrived.word())
        && subject.as_deref() == Some(push::subject(&report.key).as_str());
    let name = push::subject(&report.key);
    if !is_its_own {
        part.fault(format!("{name} arrived by entry {leaf}, which does not tell of it"), ALTERED);
    }
    if report.content.digest() != report.key.digest {
        part.fault(format!("{name} (entry {leaf}) is not what arrived"), ALTERED);
    }
    if (report.state == State::Counted) != report.segment.is_some() {
        part.fault(format!("{name} (entry {leaf}) counts and counts nothing, or the reverse"), SUMS);
    }
    Ok(leaf)
}

/// What meters' reports come to, and what is stored of that.
#[derive(Default)]
struct Sums {
    stored: BTreeMap<(i64, Month), Amount>,
    summed: BTreeMap<(i64, Month), Amount>,
    known_to: BTreeMap<i64, Option<Ts>>,
    latest: BTreeMap<i64, Ts>,
}

impl Sums {
    /// All of it as it stands at one moment.
    async fn load(conn: &mut Conn, site: SiteId, meters: &[i64]) -> Result<Sums> {
        let number = i64::from(site.0);
        let mut sums = Sums::default();
        for row in &TOTALS.fetch_of(conn, meters, |q| q.bind(number)).await? {
            let mut row = Reading::new(row, "meter_month");
            let (meter, month) = (row.next()?, Month(row.number("month")?));
            sums.stored.insert((meter, month), Amount(row.next()?));
        }
        for row in &KNOWN_TO.fetch_of(conn, meters, |q| q.bind(number)).await? {
            let mut row = Reading::new(row, "meter");
            sums.known_to.insert(row.next()?, row.next::<Option<i64>>()?.map(Ts));
        }
        for (list, is_report) in [(&COUNTED, true), (&REPLACED, false), (&ADJUSTED, false)] {
            for row in &list.fetch_of(conn, meters, |q| q.bind(number)).await? {
                sums.add(&mut Reading::new(row, "ledger"), is_report)?;
            }
        }
        Ok(sums)
    }

    fn add(&mut self, row: &mut Reading<'_>, is_report: bool) -> Result<()> {
        let meter: i64 = row.next()?;
        let (start, end) = (row.next::<Option<i64>>()?, Ts(row.next()?));
        let (Some(start), Some(amount)) = (start, row.next::<Option<i64>>()?) else { return Ok(()) };
        let segment = Segment { start: Ts(start), end, amount: Amount(amount) };
        for (month, share) in segment.month_shares() {
            let sum = self.summed.entry((meter, month)).or_default();
            *sum = *sum + share;
        }
        if is_report {
            let latest = self.latest.entry(meter).or_insert(end);
            *latest = end.max(*latest);
        }
        Ok(())
    }

    /// Tells what differs; gives how many months there are.
    fn compare(&self, meters: &[i64], part: &mut Part) -> usize {
        let months: std::collections::BTreeSet<_> = self.stored.keys().chain(self.summed.keys()).collect();
        for key @ (meter, month) in &months {
            let of = |sums: &BTreeMap<(i64, Month), Amount>| sums.get(key).copied().unwrap_or_default();
            let (stored, summed) = (of(&self.stored), of(&self.summed));
            if stored != summed {
                let meter = MeterId(*meter);
                let text = format!(
                    "meter {meter} is said to have counted {} in the month from {}, and its reports come to {}",
                    stored.0,
                    month.start(),
                    summed.0
                );
                part.fault(text, SUMS);
            }
        }
        for meter in meters {
            let (stored, latest) = (self.known_to.get(meter).copied().flatten(), self.latest.get(meter));
            if stored != latest.copied() {
                let text = format!(
                    "the hours of meter {meter} are said to be known to another moment than its reports"
                );
                part.fault(text, SUMS);
            }
        }
        months.len()
    }
}
