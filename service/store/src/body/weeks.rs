//! The weeks on which the expectations of an order rest, for showing.

use super::Conn;
use super::bulk::Bulk;
use super::decode::Reading;
use crate::contract::Result;
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MeterId, SiteId};
use fettler_domain::plan::{ClauseState, Counted, PlanRow, Week, weeks_before};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::time::{MICROS_PER_DAY, ShopDay, Ts};

/// When reports of a meter ended within a stretch, and what they counted; a counter's replacement ends one too.
static ENDED: Bulk = Bulk::new(
    "WITH k(site, since, until, meter) AS (VALUES",
    3,
    1,
    ") SELECT k.meter, l.ends, l.segment_amount FROM k CROSS JOIN ledger l \
     WHERE l.site = k.site AND l.meter = k.meter AND l.starts >= k.since AND l.state = 'counted' \
     AND l.segment_start < l.ends AND l.ends <= k.until \
     UNION ALL SELECT k.meter, r.at, r.segment_amount FROM k CROSS JOIN replacement r \
     WHERE r.site = k.site AND r.meter = k.meter AND r.at >= k.since AND r.segment_start < r.at AND r.at <= k.until",
);

/// As far back as a forecast looks for the first report, which starts a meter's clock.
const BACK_MICROS: i64 = 730 * MICROS_PER_DAY;

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![ENDED.sample()]
}

/// The weeks before a shop day of each meter that an expected clause of a row counts, in the order of the clauses.
pub(super) async fn used(
    conn: &mut Conn,
    site: SiteId,
    row: &PlanRow,
    (calendar, as_of): (&Calendar, ShopDay),
) -> Result<Vec<(MeterId, Unit, Vec<Week>)>> {
    let mut meters: Vec<(MeterId, Unit)> = Vec::new();
    for clause in row.clauses.iter().flat_map(ClauseState::parts) {
        if let Counted::Meter { meter, unit, expectation: Some(_), .. } = clause.counted
            && !meters.contains(&(meter, unit))
        {
            meters.push((meter, unit));
        }
    }
    let until = calendar.start_of(as_of);
    let (number, since) = (i64::from(site.0), until.plus_micros(-BACK_MICROS));
    let shared = |q: super::bulk::Binding| q.bind(number).bind(since.0).bind(until.0);
    let rows = ENDED.fetch(conn, &meters, shared, |q, (meter, _)| q.bind(meter.0)).await?;
    let mut ended: Vec<(MeterId, (Ts, Amount))> = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut row = Reading::new(row, "ledger");
        ended.push((MeterId(row.next()?), (Ts(row.next()?), Amount(row.next()?))));
    }
    let weeks_of = |meter: MeterId| {
        let own: Vec<(Ts, Amount)> =
            ended.iter().filter(|(of, _)| *of == meter).map(|(_, report)| *report).collect();
        weeks_before(&own, until)
    };
    Ok(meters.into_iter().map(|(meter, unit)| (meter, unit, weeks_of(meter))).collect())
}
