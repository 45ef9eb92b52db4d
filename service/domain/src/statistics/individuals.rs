//! The chart of single readings and their moving ranges: whether readings stay within what their own scatter explains.

use super::{TellsNothing, checked, mean, median};

/// How a mean range of two readings stands to the standard deviation (d2 of two, NIST/SEMATECH 6.3.2.2).
const RANGE_TO_DEVIATION: f64 = 1.128;
/// The same for a median range.
const MEDIAN_RANGE_TO_DEVIATION: f64 = 0.954;
/// The upper limit of a range of two readings, in mean ranges (D4 of two).
const RANGE_LIMIT: f64 = 3.267;
/// The limits of the readings, in standard deviations.
const LIMIT: f64 = 3.0;

/// Mean, scatter and limits of single readings. Points are counted from 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Individuals {
    /// The mean of the readings.
    pub mean: f64,
    /// The mean of the ranges from each reading to the next.
    pub mean_range: f64,
    /// The standard deviation that the mean range tells.
    pub deviation: f64,
    /// The standard deviation that the median range tells; single wild readings hardly move it.
    pub robust_deviation: f64,
    /// The upper limit of a reading.
    pub high: f64,
    /// The lower limit of a reading.
    pub low: f64,
    /// The upper limit of a range.
    pub range_high: f64,
    /// The readings beyond a limit.
    pub outside: Vec<usize>,
    /// The readings whose range from the one before is beyond its limit.
    pub ranges_outside: Vec<usize>,
    /// For each of the four Western Electric rules the first reading that breaks it.
    pub rules: [Option<usize>; 4],
}

/// The chart of some readings, its limits taken from themselves.
pub fn individuals(readings: &[f64]) -> Result<Individuals, TellsNothing> {
    checked(readings, 2)?;
    let ranges: Vec<f64> = readings.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let (mean, mean_range) = (mean(readings), self::mean(&ranges));
    let deviation = mean_range / RANGE_TO_DEVIATION;
    let range_high = RANGE_LIMIT * mean_range;
    let (high, low) = (mean + LIMIT * deviation, mean - LIMIT * deviation);
    let beyond = |value: &f64| *value > high || *value < low;
    Ok(Individuals {
        mean,
        mean_range,
        deviation,
        robust_deviation: median(&ranges) / MEDIAN_RANGE_TO_DEVIATION,
        high,
        low,
        range_high,
        outside: places(readings, 1, beyond),
        ranges_outside: places(&ranges, 2, |range| *range > range_high),
        rules: rules(readings, mean, deviation),
    })
}

fn places(values: &[f64], first: usize, wanted: impl Fn(&f64) -> bool) -> Vec<usize> {
    let found = values.iter().enumerate().filter(|(_, value)| wanted(value));
    found.map(|(index, _)| index + first).collect()
}

/// One beyond 3 deviations; two of three beyond 2, four of five beyond 1, eight in a row, each on one side of the mean.
/// A rule about several readings speaks from the first point on that has so many.
fn rules(readings: &[f64], mean: f64, deviation: f64) -> [Option<usize>; 4] {
    [(1, 1, 3.0), (2, 3, 2.0), (4, 5, 1.0), (8, 8, 0.0)].map(|(wanted, among, deviations)| {
        let far = deviations * deviation;
        (among..=readings.len()).find(|point| {
            let last = &readings[point - among..*point];
            let above = last.iter().filter(|reading| **reading > mean + far).count();
            let below = last.iter().filter(|reading| **reading < mean - far).count();
            above >= wanted || below >= wanted
        })
    })
}

/// A standard deviation that is not below what the gauge can tell: half of its resolution. Readings that repeat one
/// value would else have none.
pub fn floored(deviation: f64, resolution: f64) -> f64 {
    deviation.max(resolution / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_that_repeat_break_no_rule() {
        let still = individuals(&[5.0; 20]).expect("readings");
        assert!(still.deviation == 0.0 && still.outside.is_empty());
        assert_eq!(still.rules, [None; 4]);
        assert!((floored(still.deviation, 0.1) - 0.05).abs() < 1e-12);
        assert!(individuals(&[5.0]).is_err());
    }
}
