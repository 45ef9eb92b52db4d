//! What meters have counted: totals by month, and the segments of those months that were asked for.

use super::bulk::Bulk;
use super::decode::Reading;
use super::{Conn, planned};
use crate::contract::Result;
use fettler_domain::calendar::Calendar;
use fettler_domain::forecast::{Fleet, UsageSummary, WorkDays};
use fettler_domain::ids::{MeterId, SiteId};
use fettler_domain::ledger::history::{History, Month, Opening, Segment};
use fettler_domain::ledger::report::LENGTH_MAX_MICROS;
use fettler_domain::ledger::row::Feed;
use fettler_domain::plan::{Ground, MeterForecast, Rest};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour};
use fettler_domain::time::{ShopDay, Ts};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

static METERS: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT m.number, m.feed, m.known_to, m.max_per_hour FROM k CROSS JOIN meter m WHERE m.site = k.site AND m.number = k.meter",
);
static TOTALS: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT m.meter, m.month, m.amount FROM k CROSS JOIN meter_month m \
     WHERE m.site = k.site AND m.meter = k.meter",
);
/// What counts of reports whose row starts in a range and whose segment reaches into a month.
static SEGMENTS: Bulk = Bulk::new(
    "WITH k(site, meter, month, starts, ends, low, high) AS (VALUES",
    1,
    6,
    ") SELECT k.meter, k.month, l.segment_start, l.ends, l.segment_amount FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.starts >= k.low AND l.starts < k.high \
     AND l.state = 'counted' AND l.segment_start < k.ends AND l.ends >= k.starts",
);
static REPLACED: Bulk = Bulk::new(
    "WITH k(site, meter, month, starts, ends) AS (VALUES",
    1,
    4,
    ") SELECT k.meter, k.month, r.segment_start, r.at, r.segment_amount FROM k CROSS JOIN replacement r \
     WHERE r.site = k.site AND r.meter = k.meter AND r.segment_start < k.ends AND r.at >= k.starts",
);
static ADJUSTED: Bulk = Bulk::new(
    "WITH k(site, meter, month, starts, ends) AS (VALUES",
    1,
    4,
    ") SELECT k.meter, k.month, a.at, a.at, a.amount FROM k CROSS JOIN adjustment a \
     WHERE a.site = k.site AND a.meter = k.meter AND a.at < k.ends AND a.at >= k.starts",
);
static LATEST: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT k.meter, MAX(l.ends) FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.state = 'counted' GROUP BY k.meter",
);

/// The instants of adjustments.
static ADJUSTMENTS: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT a.meter, a.at FROM k CROSS JOIN adjustment a \
     WHERE a.site = k.site AND a.meter = k.meter",
);

/// The first reading that counts, and what the counter showed then beyond what it contributed.
static OPENINGS: Bulk = Bulk::new(
    "WITH k(site, meter) AS (VALUES",
    1,
    1,
    ") SELECT k.meter, l.starts, MIN(l.amount - l.segment_amount) FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.kind = 'absolute' AND l.state = 'counted' \
     AND l.starts = (SELECT x.starts FROM ledger x WHERE x.site = k.site AND x.meter = k.meter \
     AND x.kind = 'absolute' AND x.state = 'counted' ORDER BY x.starts LIMIT 1) GROUP BY k.meter, l.starts",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    [
        &ENDED,
        &ENDED_BY_REPLACING,
        &METERS,
        &TOTALS,
        &SEGMENTS,
        &REPLACED,
        &ADJUSTED,
        &LATEST,
        &ADJUSTMENTS,
        &OPENINGS,
    ]
    .map(Bulk::sample)
    .to_vec()
}

/// What reports of a meter counted that ended from an instant on.
static ENDED: Bulk = Bulk::new(
    "WITH k(site, since, meter) AS (VALUES",
    2,
    1,
    ") SELECT k.meter, l.segment_start, l.ends, l.segment_amount FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.starts >= k.since AND l.state = 'counted' \
     AND l.segment_start < l.ends",
);
static ENDED_BY_REPLACING: Bulk = Bulk::new(
    "WITH k(site, since, meter) AS (VALUES",
    2,
    1,
    ") SELECT k.meter, r.segment_start, r.at, r.segment_amount FROM k CROSS JOIN replacement r \
     WHERE r.site = k.site AND r.meter = k.meter AND r.at >= k.since AND r.segment_start < r.at",
);

/// How many meters' reports are read at once: of some 2,000 each, 20 MB.
const METERS_AT_ONCE: usize = 64;
/// How many months of meters are read at once, of some 100 reports each.
const MONTHS_AT_ONCE: usize = 512;

/// What is known of one meter.
#[derive(Clone, Debug)]
pub(super) struct MeterMind {
    /// How it is fed.
    pub(super) feed: Feed,
    /// The most it counts in an hour.
    most: MaxPerHour,
    /// What it has counted, with the segments of those months that were asked for.
    pub(super) history: History,
    /// What it ran by day, as the forecast takes it, once that was asked for.
    usage: Option<UsageSummary>,
    /// What is planned of it, as far as that lies ahead; known with its reports.
    planned: Planned,
    /// What is expected of it, once that was worked out.
    forecast: Option<Made>,
    /// The turn of the mind in which it was last asked for.
    pub(super) used: u64,
}

/// A forecast, and what it was made for.
#[derive(Clone, Debug)]
struct Made {
    as_of: ShopDay,
    /// The start of that day.
    start: Ts,
    /// The number of the fleet figures.
    epoch: i64,
    /// When the machine was laid up.
    rests: Vec<Rest>,
    forecast: Arc<MeterForecast>,
}

/// The shop day as of which meters are forecast.
#[derive(Clone, Copy)]
pub(super) struct Day<'a> {
    /// The site's calendar.
    pub(super) calendar: &'a Calendar,
    /// The day.
    pub(super) as_of: ShopDay,
    /// On which days the site works.
    pub(super) work_days: Option<&'a WorkDays>,
    /// The number of the fleet figures.
    pub(super) epoch: i64,
    /// When the machine was laid up.
    pub(super) rests: &'a [Rest],
}

impl MeterMind {
    /// Of a meter that has counted nothing, last asked for in a turn.
    #[cfg(test)]
    pub(super) fn unused(used: u64) -> MeterMind {
        MeterMind {
            feed: Feed::Interval,
            most: MaxPerHour::ONE_HOUR_AN_HOUR,
            history: History::unused(),
            usage: None,
            planned: Planned::default(),
            forecast: None,
            used,
        }
    }

    /// How much of its past is remembered, in segments and days.
    pub(super) fn remembered(&self) -> usize {
        self.history.loaded() + self.usage.as_ref().map_or(0, UsageSummary::len)
    }

    /// Takes a segment that no longer counts and one that does, totals excepted.
    pub(super) fn exchange(&mut self, calendar: &Calendar, before: Option<Segment>, after: Option<Segment>) {
        self.history.exchange(before, after);
        let Some(usage) = &mut self.usage else { return };
        if let Some(gone) = before {
            usage.take_back(calendar, gone);
        }
        if let Some(come) = after {
            usage.count(calendar, come);
        }
        // What was run after the start of its day has no part in a forecast.
        let starts = before.iter().chain(&after).map(|segment| segment.start).min();
        if self.forecast.as_ref().is_some_and(|made| starts.is_some_and(|start| start < made.start)) {
            self.forecast = None;
        }
    }

    /// What is expected of it as of the start of a shop day.
    pub(super) fn forecast(
        &mut self,
        fleet: impl FnOnce() -> Fleet,
        day: Day<'_>,
    ) -> Option<Arc<MeterForecast>> {
        let Day { calendar, as_of, work_days, epoch, rests } = day;
        if let Some(made) = &self.forecast
            && (made.as_of, made.epoch, &made.rests[..]) == (as_of, epoch, rests)
        {
            return Some(Arc::clone(&made.forecast));
        }
        let usage = self.usage.as_mut()?;
        usage.go_on(as_of);
        let opening = self.history.opening().map(|opening| opening.at);
        let ground = Ground { most: self.most, fleet: fleet(), work_days, planned: &self.planned, rests };
        let forecast = Arc::new(MeterForecast::of(usage, opening, ground, calendar));
        let start = calendar.start_of(as_of);
        self.forecast =
            Some(Made { as_of, start, epoch, rests: rests.to_vec(), forecast: Arc::clone(&forecast) });
        Some(forecast)
    }
}

/// From when on reports have a part in the forecast as of a shop day.
pub(super) fn forecast_since(calendar: &Calendar, as_of: ShopDay) -> Ts {
    calendar.start_of(UsageSummary::first_seen(as_of))
}

/// Loads totals of meters.
pub(super) async fn load(
    conn: &mut Conn,
    site: SiteId,
    meters: &[MeterId],
) -> Result<HashMap<MeterId, MeterMind>> {
    let site = i64::from(site.0);
    let numbers: Vec<i64> = meters.iter().map(|meter| meter.0).collect();
    let mut feeds = HashMap::new();
    for row in &METERS.fetch_of(conn, &numbers, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "meter");
        let meter = MeterId(row.next()?);
        let feed = row.word("feed")?;
        let known_to = row.next::<Option<i64>>()?.map(Ts);
        feeds.insert(meter, (feed, known_to, MaxPerHour(row.next()?)));
    }
    let mut months: HashMap<MeterId, BTreeMap<Month, Amount>> = HashMap::new();
    for row in &TOTALS.fetch_of(conn, &numbers, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "meter_month");
        let meter = MeterId(row.next()?);
        let month = Month(row.number("month")?);
        let amount = Amount(row.next()?);
        months.entry(meter).or_default().insert(month, amount);
    }
    let mut adjusted: HashMap<MeterId, BTreeSet<Month>> = HashMap::new();
    for row in &ADJUSTMENTS.fetch_of(conn, &numbers, |q| q.bind(site)).await? {
        let mut row = Reading::new(row, "adjustment");
        let (meter, at) = (MeterId(row.next()?), Ts(row.next()?));
        adjusted.entry(meter).or_default().insert(Month::of(at));
    }
    let mut of = |(meter, (feed, known_to, most)): (MeterId, (Feed, Option<Ts>, MaxPerHour))| {
        let months = months.remove(&meter).unwrap_or_default();
        let adjusted = adjusted.remove(&meter).unwrap_or_default();
        let unused = feed == Feed::Interval && known_to.is_none() && months.is_empty() && adjusted.is_empty();
        let history =
            if unused { History::unused() } else { History::from_totals(months, adjusted, known_to) };
        (
            meter,
            MeterMind {
                feed,
                most,
                history,
                usage: None,
                planned: Planned::default(),
                forecast: None,
                used: 0,
            },
        )
    };
    let mut minds: HashMap<MeterId, MeterMind> = feeds.into_iter().map(&mut of).collect();
    load_openings(conn, site, &mut minds, meters).await?;
    Ok(minds)
}

/// Reads where those of these meters begin that are fed by readings.
async fn load_openings(
    conn: &mut Conn,
    site: i64,
    minds: &mut HashMap<MeterId, MeterMind>,
    meters: &[MeterId],
) -> Result<()> {
    let read: Vec<MeterId> = meters
        .iter()
        .copied()
        .filter(|meter| minds.get(meter).is_some_and(|mind| mind.feed == Feed::Absolute))
        .collect();
    let numbers: Vec<i64> = read.iter().map(|meter| meter.0).collect();
    let rows = OPENINGS.fetch_of(conn, &numbers, |q| q.bind(site)).await?;
    for meter in &read {
        if let Some(mind) = minds.get_mut(meter) {
            mind.history.open_at(None);
        }
    }
    for row in &rows {
        let mut row = Reading::new(row, "ledger");
        let meter = MeterId(row.next()?);
        let opening = Opening { at: Ts(row.next()?), value: Amount(row.next()?) };
        if let Some(mind) = minds.get_mut(&meter) {
            mind.history.open_at(Some(opening));
        }
    }
    Ok(())
}

/// Reads anew where meters begin whose reports changed.
pub(super) async fn renew_openings(
    conn: &mut Conn,
    site: SiteId,
    minds: &mut HashMap<MeterId, MeterMind>,
    meters: impl Iterator<Item = MeterId>,
) -> Result<()> {
    let meters: Vec<MeterId> = meters.collect();
    load_openings(conn, i64::from(site.0), minds, &meters).await
}

/// Makes sure that the reports are known from which meters are forecast as of a shop day.
pub(super) async fn know_ended(
    conn: &mut Conn,
    site: SiteId,
    minds: &mut HashMap<MeterId, MeterMind>,
    meters: &[MeterId],
    (calendar, as_of): (&Calendar, ShopDay),
) -> Result<()> {
    // One that was made for a later day has forgotten what this one looks at.
    let known = |mind: &MeterMind| mind.usage.as_ref().is_some_and(|usage| usage.as_of() <= as_of);
    let asked: Vec<MeterId> =
        meters.iter().copied().filter(|meter| minds.get(meter).is_some_and(|mind| !known(mind))).collect();
    if asked.is_empty() {
        return Ok(());
    }
    for meter in &asked {
        if let Some(mind) = minds.get_mut(meter) {
            mind.usage = Some(UsageSummary::new(as_of));
            mind.planned = Planned::default();
            mind.forecast = None;
        }
    }
    let since = forecast_since(calendar, as_of);
    for some in asked.chunks(METERS_AT_ONCE) {
        for (meter, run) in ended(conn, site, some, since).await? {
            if let Some(usage) = minds.get_mut(&meter).and_then(|mind| mind.usage.as_mut()) {
                usage.count(calendar, run);
            }
        }
    }
    for (meter, planned) in planned::ahead(conn, site, &asked, calendar.start_of(as_of)).await? {
        if let Some(mind) = minds.get_mut(&meter) {
            mind.planned = planned;
        }
    }
    Ok(())
}

/// What reports of these meters counted that ended after an instant.
pub(super) async fn ended(
    conn: &mut Conn,
    site: SiteId,
    meters: &[MeterId],
    since: Ts,
) -> Result<Vec<(MeterId, Segment)>> {
    let number = i64::from(site.0);
    // A report is at most so long, so one that started before has ended.
    let from = since.0 - LENGTH_MAX_MICROS;
    let shared = |q: super::bulk::Binding| q.bind(number).bind(from);
    let numbers: Vec<i64> = meters.iter().map(|meter| meter.0).collect();
    let mut rows = ENDED.fetch_of(conn, &numbers, shared).await?;
    rows.extend(ENDED_BY_REPLACING.fetch_of(conn, &numbers, shared).await?);
    let mut ended = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut row = Reading::new(row, "ledger");
        let meter = MeterId(row.next()?);
        let run = Segment { start: Ts(row.next()?), end: Ts(row.next()?), amount: Amount(row.next()?) };
        if run.end > since {
            ended.push((meter, run));
        }
    }
    Ok(ended)
}

/// A month of a meter, with the stretch in which the rows of its reports start.
struct Wanted {
    meter: MeterId,
    month: Month,
    starts: i64,
    ends: i64,
    low: i64,
    high: i64,
}

/// Loads the segments of months that are not loaded yet, into meters whose totals are.
pub(super) async fn load_months(
    conn: &mut Conn,
    site: SiteId,
    minds: &mut HashMap<MeterId, MeterMind>,
    wanted: &[(MeterId, Month)],
) -> Result<()> {
    let wanted: BTreeSet<(MeterId, Month)> = wanted.iter().copied().collect();
    let mut asked = Vec::new();
    for (meter, month) in wanted {
        let Some(mind) = minds.get_mut(&meter) else { continue };
        if mind.history.is_loaded(month) {
            continue;
        }
        let (starts, ends) = (month.start().0, month.next().start().0);
        let high = match mind.feed {
            Feed::Interval => ends,
            // A reading's row stands at its end, however far back the reading before it lies.
            Feed::Absolute => i64::MAX,
        };
        asked.push(Wanted { meter, month, starts, ends, low: starts - LENGTH_MAX_MICROS, high });
    }
    for some in asked.chunks(MONTHS_AT_ONCE) {
        load_some_months(conn, i64::from(site.0), minds, some).await?;
    }
    Ok(())
}

async fn load_some_months(
    conn: &mut Conn,
    site: i64,
    minds: &mut HashMap<MeterId, MeterMind>,
    asked: &[Wanted],
) -> Result<()> {
    let stretch = |q: super::bulk::Binding, w: &Wanted| {
        q.bind(w.meter.0).bind(i64::from(w.month.0)).bind(w.starts).bind(w.ends)
    };
    let mut rows =
        SEGMENTS.fetch(conn, asked, |q| q.bind(site), |q, w| stretch(q, w).bind(w.low).bind(w.high)).await?;
    rows.extend(REPLACED.fetch(conn, asked, |q| q.bind(site), stretch).await?);
    rows.extend(ADJUSTED.fetch(conn, asked, |q| q.bind(site), stretch).await?);
    let mut found: HashMap<(MeterId, Month), Vec<Segment>> = HashMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "ledger");
        let meter = MeterId(row.next()?);
        let month = Month(row.number("month")?);
        let segment = Segment { start: Ts(row.next()?), end: Ts(row.next()?), amount: Amount(row.next()?) };
        // The stretch asked for is a little wider than the month.
        if segment.month_shares().any(|(touched, _)| touched == month) {
            found.entry((meter, month)).or_default().push(segment);
        }
    }
    for &Wanted { meter, month, .. } in asked {
        if let Some(mind) = minds.get_mut(&meter) {
            mind.history.load(month, found.remove(&(meter, month)).unwrap_or_default());
        }
    }
    Ok(())
}

/// The latest end of a counted report of each of these meters, read from the ledger.
pub(super) async fn latest(
    conn: &mut Conn,
    site: SiteId,
    meters: &[MeterId],
) -> Result<HashMap<MeterId, Ts>> {
    let site = i64::from(site.0);
    let numbers: Vec<i64> = meters.iter().map(|meter| meter.0).collect();
    let rows = LATEST.fetch_of(conn, &numbers, |q| q.bind(site)).await?;
    rows.iter()
        .map(|row| {
            let mut row = Reading::new(row, "ledger");
            Ok((MeterId(row.next()?), Ts(row.next()?)))
        })
        .collect()
}
