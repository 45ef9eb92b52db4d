//! A straight line through readings that single wild ones hardly move, and when it reaches a limit (Theil 1950, Sen
//! 1968).

use super::{TellsNothing, checked, median, median_of_sorted, normal, number, same};

/// Fewer readings show no trend.
const READINGS_MIN: usize = 5;

/// A line through readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Trend {
    /// The median slope of all pairs whose places differ.
    pub slope: f64,
    /// The value at place 0: median y - slope x median x.
    pub intercept: f64,
    /// The same as the median of y - slope x.
    pub joint_intercept: f64,
    /// The lower limit of the slope.
    pub slope_low: f64,
    /// The upper limit of the slope.
    pub slope_high: f64,
}

/// A reading at a place: a time, or hours of run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At {
    /// The place.
    pub place: f64,
    /// The reading.
    pub reading: f64,
}

/// The line through some readings, with limits of its slope at a confidence between 0 and 1 (Sen's, ties corrected).
pub fn theil_sen(points: &[At], confidence: f64) -> Result<Trend, TellsNothing> {
    let places: Vec<f64> = points.iter().map(|at| at.place).collect();
    let readings: Vec<f64> = points.iter().map(|at| at.reading).collect();
    checked(&places, 2)?;
    checked(&readings, 2)?;
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(TellsNothing::Unfit("a confidence lies between 0 and 1"));
    }
    let mut slopes = slopes(points);
    if slopes.is_empty() {
        return Err(TellsNothing::Unfit("all readings stand at one place; a line needs two"));
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median_of_sorted(&slopes);
    let residues: Vec<f64> = points.iter().map(|at| at.reading - slope * at.place).collect();
    let (slope_low, slope_high) = limits(&slopes, &places, &readings, confidence);
    Ok(Trend {
        slope,
        intercept: median(&readings) - slope * median(&places),
        joint_intercept: median(&residues),
        slope_low,
        slope_high,
    })
}

fn slopes(points: &[At]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(points.len() * (points.len() - 1) / 2);
    for (index, one) in points.iter().enumerate() {
        for other in &points[..index] {
            let apart = one.place - other.place;
            if apart != 0.0 {
                slopes.push((one.reading - other.reading) / apart);
            }
        }
    }
    slopes
}

/// Sen's limits: slopes at ranks (N ± z sigma) / 2, sigma from Kendall's statistic with ties (Sen 1968, equation 2.6).
fn limits(slopes: &[f64], places: &[f64], readings: &[f64], confidence: f64) -> (f64, f64) {
    let z = -normal::quantile((1.0 - confidence) / 2.0);
    let spread = |count: f64| count * (count - 1.0) * (2.0 * count + 5.0);
    let ties = |values: &[f64]| tied(values).into_iter().map(|count| spread(number(count))).sum::<f64>();
    let variance = (spread(number(places.len())) - ties(places) - ties(readings)) / 18.0;
    let (all, off) = (number(slopes.len()), z * variance.max(0.0).sqrt());
    let at = |rank: f64| slopes[index(rank.clamp(0.0, all - 1.0))];
    let low = ((all - off) / 2.0).round_ties_even() - 1.0;
    let high = f64::midpoint(all, off).round_ties_even();
    (at(low), at(high))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a rank is a whole number between 0 and the count of the slopes"
)]
fn index(rank: f64) -> usize {
    rank as usize
}

/// How often each value stands that stands more than once.
fn tied(values: &[f64]) -> Vec<usize> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| same(*a, *b)).map(<[f64]>::len).filter(|count| *count > 1).collect()
}

/// When a trend reaches a limit, from some place on: the earliest and the latest place by the limits of its slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reaches {
    /// By the steeper limit of the slope.
    pub earliest: f64,
    /// By the slope itself.
    pub expected: f64,
    /// By the flatter limit.
    pub latest: f64,
}

impl Trend {
    /// When the line reaches a limit, counted from its value at `now`; none where it shows no trend (fewer than five
    /// readings, or limits of the slope on both sides of 0), leads away from it, or takes longer than `longest`.
    pub fn reaches(&self, readings: usize, now: f64, limit: f64, longest: f64) -> Option<Reaches> {
        let flat = self.slope_low <= 0.0 && self.slope_high >= 0.0;
        let missing = limit - (self.joint_intercept + self.slope * now);
        if readings < READINGS_MIN || flat || missing * self.slope < 0.0 {
            return None;
        }
        let after = |slope: f64| now + missing / slope;
        let (steep, shallow) = if self.slope > 0.0 {
            (self.slope_high, self.slope_low)
        } else {
            (self.slope_low, self.slope_high)
        };
        let expected = after(self.slope);
        (expected - now <= longest).then(|| Reaches {
            earliest: after(steep),
            expected,
            latest: after(shallow),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(readings: &[f64]) -> Vec<At> {
        let places = (0_u32..).map(f64::from);
        places.zip(readings).map(|(place, reading)| At { place, reading: *reading }).collect()
    }

    #[test]
    fn a_wild_reading_does_not_turn_the_line() {
        let trend = theil_sen(&line(&[0.0, 1.0, 2.1, 2.9, 90.0, 5.0, 6.1]), 0.95).expect("a line");
        assert!((trend.slope - 1.0).abs() < 0.1, "{trend:?}");
    }

    #[test]
    fn the_limit_is_reached_between_its_earliest_and_latest() {
        let falling = theil_sen(&line(&[9.0, 8.1, 7.0, 5.9, 5.1, 4.0]), 0.95).expect("a line");
        let reaches = falling.reaches(6, 5.0, 2.0, 100.0).expect("a trend");
        assert!(reaches.earliest <= reaches.expected && reaches.expected <= reaches.latest);
        assert!((reaches.expected - 7.0).abs() < 0.2, "{reaches:?}");
        // It rises away from a limit above, takes too long, or has too few readings.
        assert_eq!(falling.reaches(6, 5.0, 12.0, 100.0), None);
        assert_eq!(falling.reaches(6, 5.0, -500.0, 100.0), None);
        assert_eq!(falling.reaches(4, 5.0, 2.0, 100.0), None);
        let flat = theil_sen(&line(&[5.0, 5.1, 4.9, 5.0, 5.1, 4.9]), 0.95).expect("a line");
        assert_eq!(flat.reaches(6, 5.0, 2.0, 1e9), None);
    }

    #[test]
    fn one_place_has_no_line() {
        let still = [At { place: 1.0, reading: 2.0 }, At { place: 1.0, reading: 3.0 }];
        assert!(theil_sen(&still, 0.95).is_err());
        assert!(theil_sen(&line(&[1.0, 2.0]), 1.0).is_err());
    }
}
