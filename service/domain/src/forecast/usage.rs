//! What a machine ran, as the forecast sees it: amounts at the ends of reports, and the statistics of them at an instant.

use super::units::{Days, Hours};
use crate::time::{MICROS_PER_DAY, Ts};

/// In how many days what was run comes to weigh half: long enough for a quarter's rhythm, short enough to follow a
/// machine that changes its work.
pub(super) const HALF_LIFE_DAYS: f64 = 90.0;
/// How many weeks back the spread of weekly sums is taken: a quarter.
const WEEKS_MAX: usize = 13;
/// The gap between reports that a machine without any is taken to have.
const USUAL_GAP_DAYS: f64 = 7.0;
const MICROS_PER_WEEK: i64 = 7 * MICROS_PER_DAY;
const WEEKS_MAX_MICROS: i64 = 91 * MICROS_PER_DAY;

/// An amount run, known at an instant: a report at its end.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Reported {
    /// The report's end.
    pub end: Ts,
    /// What ran. Less than nothing, and what is no number, counts as nothing.
    pub hours: Hours,
}

/// The reports of a machine, in order and with running sums, so that the statistics at any instant cost a few searches.
///
/// The first report starts the clock: the stretch that it covers is not known, so what it says is in no rate.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Usage {
    ends: Vec<Ts>,
    /// The sums over the first 0, 1, 2 … reports.
    upto: Vec<Sums>,
}

/// Sums over the reports after the first.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    hours: f64,
    /// Hours, each weighed by two to the power of its age in half-lives at the first report.
    weighted: f64,
    gaps_days: f64,
    gaps_squared: f64,
}

/// What the reports known at an instant come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Statistics {
    /// How many reports there are.
    pub reports: usize,
    /// Since the first report's end.
    pub age: Days,
    /// Since the last report's end.
    pub gap: Days,
    /// What ran after the first report.
    pub hours: Hours,
    /// The same, each hour weighed by its age: half after 90 days.
    pub weighted_hours: Hours,
    /// The days since the first report, weighed alike.
    pub weighted_days: Days,
    /// The squares of the differences between weekly sums and their mean, added up, over at most 13 whole weeks.
    pub week_squares: f64,
    /// The mean weekly sum, once for each week but one: `week_squares` over this is the spread.
    pub week_weight: Hours,
    /// The gap between reports in which a random instant of the last 91 days falls, on the mean.
    pub usual_gap: Days,
}

impl Usage {
    /// The usage in these reports, in whatever order they come. Where counting is known to have begun before the first of
    /// them, a report of no hours at that instant says so, and all real ones count.
    pub fn of(reports: impl IntoIterator<Item = Reported>) -> Usage {
        let clean = |r: Reported| Reported { hours: Hours(r.hours.0.max(0.0)), ..r };
        let mut reports: Vec<Reported> = reports.into_iter().map(clean).collect();
        reports.sort_unstable_by(|a, b| a.end.cmp(&b.end).then(a.hours.0.total_cmp(&b.hours.0)));
        let mut upto = Vec::with_capacity(reports.len() + 1);
        upto.extend([Sums::default(); 2]);
        for pair in reports.windows(2) {
            let last = upto[upto.len() - 1];
            upto.push(last.with(pair[0].end, pair[1], reports[0].end));
        }
        Usage { ends: reports.iter().map(|r| r.end).collect(), upto }
    }

    /// The statistics at an instant, from the reports that had ended by then.
    pub fn statistics(&self, now: Ts) -> Statistics {
        let known = self.known_by(now);
        let (Some(&first), Some(&last)) = (self.ends.first(), self.ends[..known].last()) else {
            return Statistics::NONE;
        };
        let age = Days::between(first, now);
        let sums = self.upto[known];
        let decay = (-age.0 / HALF_LIFE_DAYS).exp2();
        let (week_squares, week_weight) = self.weekly(now, first);
        Statistics {
            reports: known,
            age,
            gap: Days::between(last, now),
            hours: Hours(sums.hours),
            weighted_hours: Hours(sums.weighted * decay),
            weighted_days: Days(HALF_LIFE_DAYS / std::f64::consts::LN_2 * (1.0 - decay)),
            week_squares,
            week_weight,
            usual_gap: self.usual_gap(now, known),
        }
    }

    /// What ran after one instant and up to another, the first report left out.
    pub fn hours_between(&self, after: Ts, until: Ts) -> Hours {
        let (after, until) = (self.known_by(after), self.known_by(until));
        Hours((self.upto_report(until).hours - self.upto_report(after).hours).max(0.0))
    }

    /// The first report's end, if there is one.
    pub fn first(&self) -> Option<Ts> {
        self.ends.first().copied()
    }

    /// How many whole weeks before `now` the weekly figures are taken over.
    pub(super) fn weeks(&self, now: Ts) -> usize {
        let age = self.first().map_or(0, |first| now.micros_since(first).max(0));
        usize::try_from(age / MICROS_PER_WEEK).unwrap_or(0).min(WEEKS_MAX)
    }

    /// What ran in each of the last `days` times 24 hours before `now`, the newest first.
    pub(super) fn daily(&self, now: Ts, days: usize) -> Vec<f64> {
        self.binned(now, MICROS_PER_DAY, days)
    }

    fn weekly(&self, now: Ts, first: Ts) -> (f64, Hours) {
        let weeks = self.weeks(now);
        debug_assert!(first <= now, "only what has ended is known");
        if weeks < 2 {
            return (0.0, Hours(0.0));
        }
        let sums = self.binned(now, MICROS_PER_WEEK, weeks);
        let mean = sums.iter().sum::<f64>() / count(weeks);
        let squares = sums.iter().map(|sum| (sum - mean).powi(2)).sum();
        (squares, Hours(mean * count(weeks - 1)))
    }

    fn usual_gap(&self, now: Ts, known: usize) -> Days {
        let from = now.plus_micros(-WEEKS_MAX_MICROS);
        let before = self.ends.partition_point(|end| *end < from).clamp(1, known);
        let (sums, old) = (self.upto[known], self.upto[before]);
        let squared = sums.gaps_squared - old.gaps_squared;
        let gaps = sums.gaps_days - old.gaps_days;
        Days((USUAL_GAP_DAYS * USUAL_GAP_DAYS + squared) / (USUAL_GAP_DAYS + gaps))
    }

    /// What ran in each of the last `bins` stretches of `micros` before `now`, the newest first. A report belongs to
    /// the stretch that holds its end; a stretch holds its own end and not its start.
    fn binned(&self, now: Ts, micros: i64, bins: usize) -> Vec<f64> {
        let mut from = now;
        let mut above = self.upto_report(self.known_by(now)).hours;
        let mut sums = Vec::with_capacity(bins);
        for _ in 0..bins {
            from = Ts(from.0 - micros);
            let below = self.upto_report(self.known_by(from)).hours;
            sums.push((above - below).max(0.0));
            above = below;
        }
        sums
    }

    fn known_by(&self, at: Ts) -> usize {
        self.ends.partition_point(|end| *end <= at)
    }

    fn upto_report(&self, count: usize) -> Sums {
        self.upto.get(count).copied().unwrap_or_default()
    }
}

impl Sums {
    fn with(self, before: Ts, report: Reported, first: Ts) -> Sums {
        let gap_days = Days::between(before, report.end).0;
        let age = Days::between(first, report.end).0;
        Sums {
            hours: self.hours + report.hours.0,
            weighted: self.weighted + report.hours.0 * (age / HALF_LIFE_DAYS).exp2(),
            gaps_days: self.gaps_days + gap_days,
            gaps_squared: self.gaps_squared + gap_days * gap_days,
        }
    }
}

impl Statistics {
    /// Those of a machine without reports.
    pub const NONE: Statistics = Statistics {
        reports: 0,
        age: Days(0.0),
        gap: Days(0.0),
        hours: Hours(0.0),
        weighted_hours: Hours(0.0),
        weighted_days: Days(0.0),
        week_squares: 0.0,
        week_weight: Hours(0.0),
        usual_gap: Days(USUAL_GAP_DAYS),
    };
}

/// A small count as a float.
#[expect(clippy::cast_precision_loss, reason = "counts of weeks and machines are small")]
pub(super) fn count(number: usize) -> f64 {
    number as f64
}
