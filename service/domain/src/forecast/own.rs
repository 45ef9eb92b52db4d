//! Cases from a history: questions of the past whose answers it holds, for judging forecasts on a site's own hours.
//!
//! Forecasts are asked as of cuts every 28 days back from the last report: when will the meter have run what it runs in
//! one, four and twelve weeks at its mean since its first report, as far as these weeks lie before that end? The amounts
//! are known at the cut, so that nothing of what came later is in the question, and the same meter is asked alike wherever it stands.

use super::score::Outcome;
use super::units::{Days, Hours};
use super::usage::{Reported, Usage};
use crate::ledger::history::{History, Segment};
use crate::quantity::{Amount, MaxPerHour, Unit};
use crate::time::{MICROS_PER_DAY, Ts};

/// How many days lie between cuts, before the first of them and after the last.
pub const CUT_DAYS: i64 = 28;
/// The most cuts: a year of them.
pub const CUTS_MAX: i64 = 13;
/// The weeks that are asked for at each cut.
pub const WEEKS_ASKED: [u32; 3] = [1, 4, 12];

/// A question of the past with its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct OwnCase {
    /// The meter, by its place in what was given.
    pub meter: usize,
    /// As of when it is asked.
    pub cut: Ts,
    /// So many weeks of its mean.
    pub weeks: u32,
    /// The hours asked for, a whole number and one at least.
    pub hours: u32,
    /// What became of it.
    pub outcome: Outcome,
}

/// What a history tells of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OwnCases {
    /// The usage of each meter, in the order given.
    pub usage: Vec<Usage>,
    /// The cases, by cut from the newest on, then meter and weeks.
    pub cases: Vec<OwnCase>,
    /// The end of the last report of all; none without reports.
    pub data_end: Option<Ts>,
    /// From the first report's end of all to the last's.
    pub days: Days,
}

/// The cases in what meters of hours ran, each given as its counted stretches in whatever order.
pub fn own_cases(meters: &[Vec<Segment>]) -> OwnCases {
    let ends = || meters.iter().flatten().map(|run| run.end);
    let (Some(first), Some(data_end)) = (ends().min(), ends().max()) else { return OwnCases::default() };
    let reported = |run: &Segment| Reported { end: run.end, hours: hours(run.amount) };
    let usage: Vec<Usage> = meters.iter().map(|runs| Usage::of(runs.iter().map(reported))).collect();
    let histories: Vec<History> =
        meters.iter().map(|runs| History::from_segments(runs.iter().copied())).collect();
    let mut cases = Vec::new();
    for back in 1..=CUTS_MAX {
        let cut = Ts(data_end.0 - back * CUT_DAYS * MICROS_PER_DAY);
        for (meter, (usage, history)) in usage.iter().zip(&histories).enumerate() {
            cases.extend(of_meter(meter, usage, history, cut, data_end));
        }
    }
    OwnCases { usage, cases, data_end: Some(data_end), days: Days::between(first, data_end) }
}

fn of_meter(
    meter: usize,
    usage: &Usage,
    history: &History,
    cut: Ts,
    data_end: Ts,
) -> impl Iterator<Item = OwnCase> {
    let known = usage.first().filter(|first| cut.micros_since(*first) >= CUT_DAYS * MICROS_PER_DAY);
    // The first report starts the clock and is in no mean. Everything is loaded, so H is known at every instant.
    let mean = known.map(|_| usage.statistics(cut)).map(|own| own.hours.0 / own.age.0);
    let at_cut = history.at(cut).unwrap_or_default();
    let whole_weeks = data_end.micros_since(cut) / (7 * MICROS_PER_DAY);
    let within = WEEKS_ASKED.into_iter().filter(|weeks| i64::from(*weeks) <= whole_weeks);
    let asked = within.filter_map(|weeks| mean.filter(|mean| *mean > 0.0).map(|mean| (mean, weeks)));
    let case = move |(mean, weeks): (f64, u32)| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a cast of a float saturates"
        )]
        let hours = (mean * 7.0 * f64::from(weeks)).round().max(1.0) as u32;
        (weeks, hours)
    };
    let cases: Vec<OwnCase> = asked
        .map(case)
        .map(|(weeks, hours)| {
            let wanted = at_cut + Amount(i64::from(hours) * Unit::Hours.per_unit());
            let due = history.crossing(wanted, Some(cut)).unwrap_or_default();
            let due = due.map(|due| Days::between(cut, due));
            let outcome = Outcome { data_end: Days::between(cut, data_end), due };
            OwnCase { meter, cut, weeks, hours, outcome }
        })
        .collect();
    cases.into_iter()
}

fn hours(amount: Amount) -> Hours {
    Hours::of(amount, MaxPerHour::ONE_HOUR_AN_HOUR)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn daily(days: std::ops::Range<i64>, hours: i64) -> Vec<Segment> {
        let of_day = |day: i64| Segment {
            start: Ts(day * MICROS_PER_DAY),
            end: Ts(day * MICROS_PER_DAY + MICROS_PER_DAY / 2),
            amount: Amount(hours * Unit::Hours.per_unit()),
        };
        days.map(of_day).collect()
    }

    #[test]
    fn a_steady_meter_is_asked_what_a_hand_reckons() {
        // 8 h on each of 100 days: cuts 28, 56 (and not 84, which has only 15 days before it) days before the end; 56 and 224 h
        // are asked, not the 672 of twelve weeks. The ends of reports are a day apart, so 56 h are run exactly 7 days after a cut, 224 after 28.
        let found = own_cases(&[daily(0..100, 8)]);
        let told: Vec<_> = found
            .cases
            .iter()
            .map(|case| (case.outcome.data_end.0, case.weeks, case.hours, case.outcome.due.map(|due| due.0)))
            .collect();
        assert_eq!(
            told,
            [
                (28.0, 1, 56, Some(7.0)),
                (28.0, 4, 224, Some(28.0)),
                (56.0, 1, 56, Some(7.0)),
                (56.0, 4, 224, Some(28.0)),
            ]
        );
        assert_eq!(found.days, Days(99.0));
    }

    #[test]
    fn too_short_a_history_has_no_case_and_an_idle_meter_is_not_asked() {
        assert_eq!(own_cases(&[]).data_end, None);
        assert_eq!(own_cases(&[daily(0..56, 8)]).cases, [], "55 days from end to end");
        assert_eq!(own_cases(&[daily(0..57, 8)]).cases.len(), 2, "56 days");
        assert_eq!(own_cases(&[daily(0..1, 8), daily(50..100, 0)]).cases, []);
        let young = own_cases(&[daily(0..100, 8), daily(60..100, 8)]);
        assert!(
            young.cases.iter().all(|case| case.meter == 0),
            "the other was known for 11 days at the last cut"
        );
    }

    #[test]
    fn a_year_is_looked_back_on_and_the_order_of_reports_is_nothing() {
        let mut runs = daily(0..900, 5);
        let found = own_cases(&[runs.clone()]);
        assert_eq!(found.cases.len(), 2 * 2 + 11 * 3, "twelve weeks from the third cut on");
        runs.reverse();
        assert_eq!(own_cases(&[runs]), found);
    }
}
