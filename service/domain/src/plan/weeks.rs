//! What a meter ran week by week before a shop day, each report in the week in which it ended: for showing what an
//! expectation rests on.

use crate::quantity::Amount;
use crate::time::{MICROS_PER_DAY, Ts};

/// The most weeks: a quarter, as many as the forecast takes the spread of weekly sums from.
pub const WEEKS_MAX: usize = 13;

/// Seven days of 24 hours with what was run in them: the reports that ended after `start` and up to `end`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Week {
    /// Its start.
    pub start: Ts,
    /// Its end.
    pub end: Ts,
    /// What those reports counted.
    pub amount: Amount,
}

/// The whole weeks between the first of some reports and an instant, the last 13 of them, oldest first. The reports come
/// in any order, as the instants at which they ended and what they counted.
pub fn weeks_before(reports: &[(Ts, Amount)], until: Ts) -> Vec<Week> {
    const WEEK_MICROS: i64 = 7 * MICROS_PER_DAY;
    let Some(first) = reports.iter().map(|(end, _)| *end).min() else { return Vec::new() };
    let whole = usize::try_from(until.micros_since(first) / WEEK_MICROS).unwrap_or(0).min(WEEKS_MAX);
    let week = |back: usize| {
        let end = Ts(until.0 - i64::try_from(back).unwrap_or(0) * WEEK_MICROS);
        let start = Ts(end.0 - WEEK_MICROS);
        let within = reports.iter().filter(|(at, _)| start < *at && *at <= end);
        Week { start, end, amount: within.map(|(_, amount)| *amount).sum() }
    };
    (0..whole).rev().map(week).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(days: i64) -> Ts {
        Ts(1_000 * MICROS_PER_DAY + days * MICROS_PER_DAY)
    }

    #[test]
    fn whole_weeks_since_the_first_report_each_with_what_ended_in_it() {
        let reports = [(at(-15), 4), (at(-14), 8), (at(-7), 1), (at(-6), 2), (at(0), 16), (at(1), 64)];
        let reports = reports.map(|(at, amount)| (at, Amount(amount)));
        let found: Vec<(Ts, i64)> =
            weeks_before(&reports, at(0)).iter().map(|week| (week.start, week.amount.0)).collect();
        // What ends with a week belongs to it; the first report starts the clock, what comes later is not yet known.
        assert_eq!(found, [(at(-14), 1), (at(-7), 18)]);
        assert_eq!(weeks_before(&reports, at(-9)), [], "six days are no week");
        assert_eq!(weeks_before(&[], at(0)), []);
        assert_eq!(weeks_before(&[(at(-900), Amount(1))], at(0)).len(), WEEKS_MAX);
    }
}
