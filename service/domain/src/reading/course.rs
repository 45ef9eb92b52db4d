//! What the readings of a test point tell together: steady, a step, or a drift, how sure that is, and when a limit would be
//! reached. The charts and the line are those of [`crate::statistics`].

use super::limits::{Beyond, Limits, Side};
use super::value::Value;
use super::with_sign;
use crate::calendar::Calendar;
use crate::statistics::cusum::{CusumSettings, cusum};
use crate::statistics::individuals::{floored, individuals};
use crate::statistics::trend::{At, Trend, theil_sen};
use crate::statistics::{READINGS_MAX, changepoint::change_point, median};
use crate::time::{MICROS_PER_DAY, ShopDay, Ts};

/// Fewer readings tell no course.
pub const COURSE_MIN: usize = 5;
/// Readings from which a chart takes what is usual (common practice, no source).
const BASELINE: usize = 8;
/// How sure the slope's limits are.
const CONFIDENCE: f64 = 0.95;
/// How sure the limits are between which eight chances in ten lie.
const EIGHT_IN_TEN: f64 = 0.8;
/// A change is one where it came by chance less often than this.
const CHANCE: f64 = 0.05;
/// A sum adds what lies beyond half a deviation and signals beyond five (Montgomery, Introduction to Statistical Quality
/// Control, the tabular chart).
const SLACK: f64 = 0.5;
const SIGNAL: f64 = 5.0;
/// Readings on each side of a step, at least: fewer are a slip, or something that passed (own choice).
const STEP_SIDE_MIN: usize = 3;
/// What one reading adds to a sum at most, in deviations from what is usual: so much that it takes three of them to signal.
const ONE_COUNTS_AT_MOST: f64 = 3.0;
/// A limit that is further away than a year is not in sight.
const AHEAD_MAX_DAYS: f64 = 365.0;

/// A reading at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Placed {
    /// When it was read.
    pub at: Ts,
    /// Its value.
    pub value: Value,
}

/// What readings tell together.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// How many of them there are.
    pub readings: usize,
    /// The first of them.
    pub since: Option<Ts>,
    /// What their own scatter explains; none with fewer than five.
    pub band: Option<Band>,
    /// How they move.
    pub movement: Movement,
    /// The next limit on their way.
    pub reaches: Option<Reach>,
}

/// The band that the scatter of readings explains (the chart of single readings, three robust deviations).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Their mean.
    pub mean: f64,
    /// Its lower end.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Whether the last reading lies outside.
    pub last_is_outside: bool,
}

/// How readings move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Movement {
    /// There are too few.
    TooFew,
    /// They stay where they are.
    Steady,
    /// They went from one level to another.
    Step {
        /// The first reading on the new level.
        since: Ts,
        /// The level before.
        before: f64,
        /// The level since.
        after: f64,
    },
    /// They go on moving.
    Drift {
        /// By so much in a day: the median slope.
        per_day: f64,
        /// The lower limit of the slope, 95 in 100.
        low: f64,
        /// The upper limit of the slope.
        high: f64,
    },
}

/// When a limit would be reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reach {
    /// Which limit.
    pub limit: Beyond,
    /// By the steeper limit of the slope.
    pub earliest: Ts,
    /// By the slope itself.
    pub expected: Ts,
    /// By the flatter limit; none beyond a year after the expected one.
    pub latest: Option<Ts>,
    /// By the steeper limit of the slope at a confidence of 80 in 100: it comes earlier with one chance in ten.
    pub p10: Ts,
    /// By the flatter one; none beyond a year after the expected one.
    pub p90: Option<Ts>,
}

/// The course of readings in the order of their instants. What was read before the point was last served is
/// left out by the caller: a new fluid or filter starts anew.
pub fn course(readings: &[Placed], limits: &Limits) -> Course {
    let readings = &readings[readings.len().saturating_sub(READINGS_MAX)..];
    let mut told = Course {
        readings: readings.len(),
        since: readings.first().map(|first| first.at),
        band: None,
        movement: Movement::TooFew,
        reaches: None,
    };
    let values: Vec<f64> = readings.iter().map(|reading| reading.value.to_f64()).collect();
    let (true, Ok(chart)) = (readings.len() >= COURSE_MIN, individuals(&values)) else { return told };
    let deviation = floored(chart.robust_deviation, resolution(&values_of(readings)).to_f64());
    let (low, high) = (chart.mean - 3.0 * deviation, chart.mean + 3.0 * deviation);
    let outside = |value: &f64| *value < low || *value > high;
    let last_is_outside = values.last().is_some_and(outside);
    told.band = Some(Band { mean: chart.mean, low, high, last_is_outside });

    let days = |at: Ts| days_between(readings[0].at, at);
    let points: Vec<At> = readings
        .iter()
        .map(|reading| At { place: days(reading.at), reading: reading.value.to_f64() })
        .collect();
    let line = theil_sen(&points, CONFIDENCE).ok();
    told.movement = movement(readings, &values, &points, line.as_ref());
    if let (Movement::Drift { .. }, Some(line)) = (told.movement, &line) {
        told.reaches = reach(line, limits, (readings, &points));
    }
    told
}

/// A step or a drift, whichever leaves less of the readings unexplained.
fn movement(readings: &[Placed], values: &[f64], points: &[At], line: Option<&Trend>) -> Movement {
    let drift = line.filter(|line| line.slope_low > 0.0 || line.slope_high < 0.0);
    let sides = STEP_SIDE_MIN..=values.len().saturating_sub(STEP_SIDE_MIN);
    let change = change_point(values).ok();
    let change = change.filter(|change| change.pettitt.p < CHANCE && sides.contains(&change.split));
    let step = change.map(|change| {
        let level = |index: usize| if index < change.split { change.before } else { change.after };
        let left: f64 = values.iter().enumerate().map(|(i, value)| (value - level(i)).abs()).sum();
        let since = readings[change.split].at;
        (left, Movement::Step { since, before: change.before, after: change.after })
    });
    let drift = drift.map(|line| {
        let on_line = |at: &At| line.joint_intercept + line.slope * at.place;
        let left: f64 = points.iter().map(|at| (at.reading - on_line(at)).abs()).sum();
        (left, Movement::Drift { per_day: line.slope, low: line.slope_low, high: line.slope_high })
    });
    match (step, drift) {
        (Some((of_step, step)), Some((of_drift, drift))) => {
            if of_step < of_drift {
                step
            } else {
                drift
            }
        }
        (Some((_, step)), None) => step,
        (None, Some((_, drift))) => drift,
        (None, None) => signalled(readings, values).unwrap_or(Movement::Steady),
    }
}

/// A small lasting step that only the sums of many readings show, against what the first ones had as usual. What is usual is
/// their median, and a reading far off counts only so much, so that a single one makes no step, wherever it stands.
fn signalled(readings: &[Placed], values: &[f64]) -> Option<Movement> {
    let usual = values.get(..BASELINE).filter(|_| values.len() > BASELINE)?;
    let chart = individuals(usual).ok()?;
    let deviation = floored(chart.robust_deviation, resolution(&values_of(readings)).to_f64());
    let usual = median(usual);
    let most = ONE_COUNTS_AT_MOST * deviation;
    let held: Vec<f64> = values.iter().map(|value| value.clamp(usual - most, usual + most)).collect();
    let settings =
        CusumSettings { target: usual, slack: SLACK * deviation, limit: SIGNAL * deviation, head_start: 0.0 };
    let onset = cusum(&held, settings).ok()?.onset?.checked_sub(1)?;
    let since = values.get(onset..).filter(|since| since.len().min(onset) >= STEP_SIDE_MIN)?;
    let count = f64::from(u32::try_from(since.len()).unwrap_or(u32::MAX));
    let after = since.iter().sum::<f64>() / count;
    Some(Movement::Step { since: readings.get(onset)?.at, before: usual, after })
}

/// The next limit on the way of a line that the last reading is not beyond already.
fn reach(line: &Trend, limits: &Limits, (readings, points): (&[Placed], &[At])) -> Option<Reach> {
    let likely = theil_sen(points, EIGHT_IN_TEN).ok()?;
    let (first, count) = (readings.first()?.at, readings.len());
    let last = readings.last()?.value;
    let side = if line.slope < 0.0 { Side::Below } else { Side::Above };
    // From the last reading on: a limit that should have been reached since is told with the day on which it should have.
    let now = days_between(first, readings.last()?.at);
    let is_ahead = |limit: &Beyond| match side {
        Side::Below => last >= limit.limit,
        Side::Above => last <= limit.limit,
    };
    // Where the last reading jumped from its line towards the limit, further than any before it, the pace is taken from it.
    let off = |at: &At| (at.reading - line.joint_intercept - line.slope * at.place) / line.slope;
    let (newest, before) = points.split_last()?;
    let furthest = before.iter().map(|at| off(at).abs()).fold(0.0, f64::max);
    let lead = if off(newest) > furthest { off(newest) } else { 0.0 };
    let sooner = |place: f64| after(first, (place - lead).max(now));
    let ahead = limits.each().filter(|limit| limit.side == side && is_ahead(limit)).filter_map(|limit| {
        let reaches = line.reaches(count, now, limit.limit.to_f64(), AHEAD_MAX_DAYS)?;
        let likely = likely.reaches(count, now, limit.limit.to_f64(), AHEAD_MAX_DAYS)?;
        let within =
            |latest: f64| (latest - reaches.expected <= AHEAD_MAX_DAYS).then(|| after(first, latest));
        Some(Reach {
            limit,
            earliest: sooner(reaches.earliest),
            expected: sooner(reaches.expected),
            latest: within(reaches.latest),
            p10: sooner(likely.earliest),
            p90: within(likely.latest),
        })
    });
    ahead.min_by_key(|reach| reach.expected)
}

fn values_of(readings: &[Placed]) -> Vec<Value> {
    readings.iter().map(|reading| reading.value).collect()
}

/// What the gauge can tell, as far as its readings show: the last digit that any of them has.
pub(crate) fn resolution(readings: &[Value]) -> Value {
    let mut step: i64 = 1_000_000;
    while step > 1 && readings.iter().any(|value| value.0 % step != 0) {
        step /= 10;
    }
    Value(step)
}

#[expect(clippy::cast_precision_loss, reason = "instants of a few years, compared in days")]
fn days_between(from: Ts, to: Ts) -> f64 {
    to.micros_since(from) as f64 / MICROS_PER_DAY as f64
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "a few years in microseconds, rounded to one"
)]
fn after(from: Ts, days: f64) -> Ts {
    from.plus_micros((days * MICROS_PER_DAY as f64) as i64)
}

impl Course {
    /// The course in sentences, as seen on the shop day `today`; `sign` is that of the point's unit.
    pub fn in_words(&self, sign: &str, calendar: &Calendar, today: ShopDay) -> Vec<String> {
        let day = |at: Ts| calendar.weekday_in_words(calendar.shop_day_of(at), today);
        let shown = |number: f64| with_sign(rounded(number), sign);
        let mut words = Vec::new();
        words.push(match self.movement {
            Movement::TooFew => {
                format!("{} of {COURSE_MIN} readings that a trend needs", self.readings)
            }
            Movement::Steady => format!("steady over {} readings", self.readings),
            Movement::Step { since, before, after } => {
                format!("a step since {}: from about {} to {}", day(since), shown(before), shown(after))
            }
            Movement::Drift { per_day, low, high } => {
                let verb = if per_day < 0.0 { "falls" } else { "rises" };
                let (flat, steep) = if per_day < 0.0 { (-high, -low) } else { (low, high) };
                let week = |per_day: f64| rounded(per_day.abs() * 7.0);
                format!(
                    "{verb} {} a week over {} readings; with 95 of 100, {} to {} a week",
                    with_sign(week(per_day), sign),
                    self.readings,
                    week(flat),
                    with_sign(week(steep), sign)
                )
            }
        });
        if let Some(Reach { limit, earliest, expected, latest, .. }) = self.reaches {
            let by = limit.in_words(sign);
            words.push(match latest {
                Some(latest) => format!(
                    "at that pace {by} about {}, between {} and {}",
                    day(expected),
                    day(earliest),
                    day(latest)
                ),
                None => format!("at that pace {by} about {}, not before {}", day(expected), day(earliest)),
            });
        }
        // Where readings move, their scatter about one mean tells nothing.
        if let (Movement::Steady, Some(Band { mean, low, high, last_is_outside })) =
            (self.movement, self.band)
        {
            words.push(format!("mean {}, own scatter {} to {}", shown(mean), rounded(low), shown(high)));
            if last_is_outside {
                words.push("the last reading lies outside its own scatter".to_owned());
            }
        }
        words
    }
}

/// A number with three significant digits, for showing.
pub(crate) fn rounded(number: f64) -> Value {
    let digits = if number == 0.0 { 0.0 } else { 2.0 - number.abs().log10().floor() };
    let scale = 10_f64.powf(digits.clamp(0.0, 6.0));
    Value::nearest((number * scale).round() / scale).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::{WallTime, Zone};

    /// One reading a day at noon.
    fn daily(values: &[f64]) -> Vec<Placed> {
        let noon = MICROS_PER_DAY / 2;
        let days = (0_i64..).map(|day| Ts(day * MICROS_PER_DAY + noon));
        days.zip(values)
            .map(|(at, value)| Placed { at, value: Value::nearest(*value).expect("finite") })
            .collect()
    }

    fn of(values: &[f64], limits: &Limits) -> Course {
        let readings = daily(values);
        course(&readings, limits)
    }

    fn low_limit() -> Limits {
        Limits { act_below: Value::parse("5").ok(), stop_below: Value::parse("4").ok(), ..Limits::default() }
    }

    /// Scatter of a tenth, the same each time.
    fn scatter(i: usize) -> f64 {
        [0.0, 0.1, -0.1, 0.05, -0.05, 0.1, 0.0][i % 7]
    }

    #[test]
    fn steady_a_step_and_a_drift_are_told_apart() {
        let steady: Vec<f64> = (0..20).map(|i| 6.0 + scatter(i)).collect();
        assert_eq!(of(&steady, &low_limit()).movement, Movement::Steady);
        let step: Vec<f64> = (0..20).map(|i| if i < 12 { 8.0 } else { 6.5 } + scatter(i)).collect();
        let told = of(&step, &low_limit());
        let Movement::Step { since, before, after } = told.movement else { panic!("{told:?}") };
        assert_eq!(since, daily(&step)[12].at);
        assert!((before - 8.0).abs() < 0.1 && (after - 6.5).abs() < 0.1);
        assert_eq!(told.reaches, None, "a step goes nowhere");
        let mut drifts: f64 = 8.1;
        let drift: Vec<f64> = (0..20)
            .map(|i| {
                drifts -= 0.1;
                drifts + scatter(i)
            })
            .collect();
        let told = of(&drift, &low_limit());
        let Movement::Drift { per_day, low, high } = told.movement else { panic!("{told:?}") };
        assert!((per_day + 0.1).abs() < 0.01 && low < per_day && per_day < high && high < 0.0, "{told:?}");
        // From 6.1 on day 19, a tenth a day: 5 is reached eleven days later.
        let reach = told.reaches.expect("a limit ahead");
        let days = days_between(daily(&drift)[19].at, reach.expected);
        assert!((days - 11.0).abs() < 1.5, "{days}");
        assert!(
            reach.earliest <= reach.expected && reach.latest.is_some_and(|latest| latest >= reach.expected)
        );
        assert!(reach.earliest <= reach.p10 && reach.p10 <= reach.expected, "{reach:?}");
        assert!(reach.p90.is_some_and(|p90| reach.expected <= p90) && reach.p90 <= reach.latest, "{reach:?}");
        assert_eq!(reach.limit.limit, Value(5_000_000), "the nearer limit comes first");
    }

    #[test]
    fn a_last_reading_that_jumped_towards_the_limit_brings_it_nearer_and_one_that_jumped_away_does_not() {
        let drift = |i: usize| 8.0 - 0.1 * f64::from(u32::try_from(i).expect("small")) + scatter(i);
        let with_last = |last: f64| {
            let values: Vec<f64> = (0..20).map(drift).chain([last]).collect();
            let reach = of(&values, &low_limit()).reaches.expect("a limit ahead");
            days_between(daily(&values)[20].at, reach.expected)
        };
        // On the line 6.0 is left on day 20, so 5 is ten days away; from 5.4 it is four, a tenth a day.
        assert!((with_last(6.0) - 10.0).abs() < 1.5, "{}", with_last(6.0));
        assert!((with_last(5.4) - 4.0).abs() < 1.5, "{}", with_last(5.4));
        assert!((with_last(7.2) - 10.0).abs() < 1.5, "{}", with_last(7.2));
    }

    #[test]
    fn a_limit_that_the_last_reading_is_beyond_is_not_ahead() {
        let falling: Vec<f64> = (0..12).map(|i| 6.0 - 0.1 * f64::from(i)).collect();
        let told = of(&falling, &low_limit());
        assert_eq!(told.reaches.map(|reach| reach.limit.limit), Some(Value(4_000_000)), "{told:?}");
    }

    #[test]
    fn a_small_lasting_step_is_found_by_its_sums() {
        // The change is late and small beside the many readings before it: ranks alone do not show it.
        let values: Vec<f64> = (0..16).map(|i| if i < 13 { 6.0 } else { 6.5 } + scatter(i)).collect();
        let told = of(&values, &Limits::default());
        assert!(matches!(told.movement, Movement::Step { .. }), "{told:?}");
    }

    /// By hand: of twelve readings about 6.0 one is 9.0. Two in a row are a slip and its repetition; three on a new level stay.
    #[test]
    fn an_outlying_reading_is_no_step_wherever_it_stands() {
        let usual = [6.0, 6.1, 5.9, 6.0, 6.1, 5.9, 6.0, 6.1, 6.0, 5.9, 6.0, 6.1];
        for place in 0..usual.len() {
            let mut values = usual;
            values[place] = 9.0;
            let told = of(&values, &Limits::default());
            assert_eq!(told.movement, Movement::Steady, "reading {place}: {told:?}");
        }
        let end = |many: usize| -> Vec<f64> {
            usual
                .iter()
                .enumerate()
                .map(|(i, value)| value + if i >= 12 - many { 3.0 } else { 0.0 })
                .collect()
        };
        assert_eq!(of(&end(2), &Limits::default()).movement, Movement::Steady);
        let three = end(3);
        let Movement::Step { since, before, .. } = of(&three, &Limits::default()).movement else {
            panic!("three are a step")
        };
        assert_eq!((since, before), (daily(&three)[9].at, 6.0));
    }

    #[test]
    fn few_readings_tell_nothing_and_equal_ones_have_the_gauge_s_own_scatter() {
        assert_eq!(of(&[6.0, 5.0, 4.0, 3.0], &low_limit()).movement, Movement::TooFew);
        let same = of(&[6.1; 12], &low_limit());
        assert_eq!(same.movement, Movement::Steady);
        let band = same.band.expect("a band");
        assert!((band.low - 5.95).abs() < 1e-9 && (band.high - 6.25).abs() < 1e-9, "{band:?}");
        assert!(course(&[], &low_limit()).since.is_none());
    }

    #[test]
    fn the_course_is_said_in_words() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let falling: Vec<f64> = (0..10).map(|i| 8.0 - 0.1 * f64::from(i)).collect();
        let told = of(&falling, &low_limit());
        let words = told.in_words("bar", &calendar, ShopDay::from_days(9));
        assert_eq!(words[0], "falls 0.7 bar a week over 10 readings; with 95 of 100, 0.7 to 0.7 bar a week");
        assert!(words[1].starts_with("at that pace below its limit of 5 bar about "), "{words:?}");
        assert_eq!(
            of(&[6.0], &low_limit()).in_words("bar", &calendar, ShopDay::from_days(1))[0],
            "1 of 5 readings that a trend needs"
        );
    }

    #[test]
    fn numbers_are_shown_with_three_digits() {
        let check = |number: f64, shown: &str| assert_eq!(rounded(number).to_string(), shown);
        check(6.0674, "6.07");
        check(0.012_345, "0.0123");
        check(12345.6, "12346");
        check(0.0, "0");
        check(-0.5, "-0.5");
    }
}
