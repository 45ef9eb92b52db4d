//! One change in the mean of readings: where it lies, and whether it is one (Pettitt 1979).

use super::{TellsNothing, checked, mean, median, number, same};

/// Readings on each side of a split, at least.
const SIDE_MIN: usize = 2;
/// What makes a median deviation comparable to a standard deviation.
const MEDIAN_TO_STANDARD: f64 = 1.4826;

/// The best split of readings in two.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangePoint {
    /// How many readings stand before it.
    pub split: usize,
    /// Their mean.
    pub before: f64,
    /// The mean of those after it.
    pub after: f64,
    /// How much the split explains: (SSE0 - SSE1) / (SSE1 / (n - 2)). Its largest value over all splits follows no F
    /// distribution. None where the split explains everything.
    pub f: Option<f64>,
    /// The median of all.
    pub median: f64,
    /// The median deviation from it, times 1.4826.
    pub deviation: f64,
    /// Pettitt's test, which takes ranks alone.
    pub pettitt: Pettitt,
}

/// Pettitt's test for a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pettitt {
    /// How many readings stand before the change.
    pub split: usize,
    /// Its statistic K.
    pub k: f64,
    /// How likely such a K is without any change, approximately.
    pub p: f64,
}

/// Where readings change most, by least squares and by ranks.
pub fn change_point(readings: &[f64]) -> Result<ChangePoint, TellsNothing> {
    checked(readings, 2 * SIDE_MIN)?;
    let count = readings.len();
    let whole = squares(readings);
    let mut best = (SIDE_MIN, f64::INFINITY);
    for split in SIDE_MIN..=count - SIDE_MIN {
        let left = squares(&readings[..split]) + squares(&readings[split..]);
        if left < best.1 {
            best = (split, left);
        }
    }
    let (split, left) = best;
    let middle = median(readings);
    let deviations: Vec<f64> = readings.iter().map(|reading| (reading - middle).abs()).collect();
    Ok(ChangePoint {
        split,
        before: mean(&readings[..split]),
        after: mean(&readings[split..]),
        f: (left > 0.0).then(|| (whole - left) / (left / number(count - 2))),
        median: middle,
        deviation: MEDIAN_TO_STANDARD * median(&deviations),
        pettitt: pettitt(readings),
    })
}

/// The sum of the squared distances from the mean.
fn squares(readings: &[f64]) -> f64 {
    let mean = mean(readings);
    readings.iter().map(|reading| (reading - mean).powi(2)).sum()
}

/// K is the largest |2 sum of ranks - t (n + 1)|; p about 2 exp(-6 K^2 / (n^3 + n^2)).
fn pettitt(readings: &[f64]) -> Pettitt {
    let n = number(readings.len());
    let mut found = Pettitt { split: 1, k: -1.0, p: 1.0 };
    let mut sum = 0.0;
    for (before, rank) in (1..).zip(ranks(readings)) {
        sum += rank;
        let k = (2.0 * sum - number(before) * (n + 1.0)).abs();
        if k > found.k {
            found = Pettitt { split: before, k, ..found };
        }
    }
    found.p = (2.0 * (-6.0 * found.k.powi(2) / (n.powi(3) + n.powi(2))).exp()).min(1.0);
    found
}

/// The rank of each reading, counted from 1; equal ones share the mean of theirs.
fn ranks(readings: &[f64]) -> Vec<f64> {
    let below = |reading: f64| readings.iter().filter(|other| **other < reading).count();
    let equal = |reading: f64| readings.iter().filter(|other| same(**other, reading)).count();
    readings
        .iter()
        .map(|reading| number(below(*reading)) + f64::midpoint(number(equal(*reading)), 1.0))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_step_is_found_and_steady_readings_show_none() {
        let step = change_point(&[1.0, 1.0, 1.0, 2.0, 2.0, 2.0]).expect("readings");
        assert_eq!((step.split, step.f, step.pettitt.split), (3, None, 3));
        let steady = change_point(&[1.0; 6]).expect("readings");
        assert!(steady.pettitt.k == 0.0 && steady.pettitt.p >= 1.0);
        assert!(change_point(&[1.0, 2.0, 3.0]).is_err());
    }
}
