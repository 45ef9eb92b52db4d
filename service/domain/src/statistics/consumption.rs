//! How fast something is used, from the levels that were found and left at visits.

use super::trend::{At, theil_sen};
use super::{TellsNothing, checked, mean, number};
use crate::physics::measure::{Hours, Volume};

/// A visit: what was found, and what was left after a refill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Visit {
    /// When, in hours of run.
    pub at: Hours,
    /// The level that was found.
    pub found: Volume,
    /// The level that was left; without a refill the one that was found.
    pub left: Volume,
}

/// What was used, and how fast. Rates are litres in an hour of run.
#[derive(Clone, Debug, PartialEq)]
pub struct Consumption {
    /// What was used between the first visit and the last, in L; readings that rose without a refill lessen it.
    pub used: f64,
    /// All that was used by all hours: the rate to plan with. Losses of single hours add up in it, and errors do not.
    pub rate: f64,
    /// The slope of what was used up to each visit, by least squares: weighs old visits too much.
    pub rate_least_squares: f64,
    /// The same by the median of all slopes.
    pub rate_median: f64,
    /// The same through the first visit.
    pub rate_origin: f64,
    /// From visit to visit: hours and rate.
    pub intervals: Vec<(f64, f64)>,
}

/// What was used between visits, in the order of time.
pub fn consumption(visits: &[Visit]) -> Result<Consumption, TellsNothing> {
    let hours: Vec<f64> = visits.iter().map(|visit| visit.at.to_hours()).collect();
    checked(&hours, 2)?;
    if hours.windows(2).any(|pair| pair[1] <= pair[0]) {
        return Err(TellsNothing::Unfit("each visit must come at more hours than the one before"));
    }
    let start = hours[0];
    let mut used = 0.0;
    let mut points = vec![At { place: 0.0, reading: 0.0 }];
    let mut intervals = Vec::with_capacity(visits.len() - 1);
    for pair in visits.windows(2) {
        let step = pair[0].left.to_litres() - pair[1].found.to_litres();
        let time = pair[1].at.to_hours() - pair[0].at.to_hours();
        used += step;
        points.push(At { place: pair[1].at.to_hours() - start, reading: used });
        intervals.push((time, step / time));
    }
    let all_hours = hours[hours.len() - 1] - start;
    Ok(Consumption {
        used,
        rate: used / all_hours,
        rate_least_squares: least_squares(&points),
        rate_median: theil_sen(&points, 0.95)?.slope,
        rate_origin: through_origin(&points),
        intervals,
    })
}

fn least_squares(points: &[At]) -> f64 {
    let places: Vec<f64> = points.iter().map(|at| at.place).collect();
    let readings: Vec<f64> = points.iter().map(|at| at.reading).collect();
    let (place, reading) = (mean(&places), mean(&readings));
    let both: f64 = points.iter().map(|at| (at.place - place) * (at.reading - reading)).sum();
    let own: f64 = points.iter().map(|at| (at.place - place).powi(2)).sum();
    both / own
}

fn through_origin(points: &[At]) -> f64 {
    let both: f64 = points.iter().map(|at| at.place * at.reading).sum();
    let own: f64 = points.iter().map(|at| at.place * at.place).sum();
    both / own
}

impl Consumption {
    /// The hours of run until a level has fallen to a mark; 0 at or below it, none where nothing is used.
    pub fn hours_left(&self, level: Volume, mark: Volume) -> Option<Hours> {
        let above = level.to_litres() - mark.to_litres();
        if above <= 0.0 {
            return Some(Hours(0.0));
        }
        (self.rate > 0.0).then(|| Hours(above / self.rate))
    }

    /// The rates from visit to visit made comparable, for a chart: a rate over few hours scatters more, by the root of
    /// its hours. In standard deviations of the whole; none where the rates do not scatter.
    pub fn standardised(&self) -> Option<Vec<f64>> {
        let scaled: Vec<f64> =
            self.intervals.iter().map(|(hours, rate)| (rate - self.rate) * hours.sqrt()).collect();
        let count = number(scaled.len());
        let deviation = (scaled.iter().map(|value| value * value).sum::<f64>() / (count - 1.0)).sqrt();
        (count > 1.0 && deviation > 0.0).then(|| scaled.iter().map(|value| value / deviation).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn visit(at: f64, found: f64, left: f64) -> Visit {
        Visit { at: Hours(at), found: Volume(found), left: Volume(left) }
    }

    #[test]
    fn a_steady_use_is_told_by_every_rate() {
        let visits = [visit(100.0, 6.0, 6.0), visit(110.0, 5.0, 6.0), visit(130.0, 4.0, 4.0)];
        let found = consumption(&visits).expect("a use");
        for rate in [found.rate, found.rate_least_squares, found.rate_median, found.rate_origin] {
            assert!((rate - 0.1).abs() < 1e-12, "{found:?}");
        }
        assert_eq!(found.hours_left(Volume(4.0), Volume(4.0)), Some(Hours(0.0)));
        assert_eq!(found.standardised(), None);
    }

    #[test]
    fn nothing_used_lasts_for_ever_and_time_runs_forward() {
        let still = consumption(&[visit(0.0, 6.0, 6.0), visit(10.0, 6.0, 6.0)]).expect("a use");
        assert_eq!(still.hours_left(Volume(6.0), Volume(1.0)), None);
        assert!(consumption(&[visit(10.0, 6.0, 6.0), visit(10.0, 5.0, 5.0)]).is_err());
        assert!(consumption(&[visit(10.0, 6.0, 6.0)]).is_err());
    }

    #[test]
    fn a_short_interval_weighs_less() {
        let visits = [visit(0.0, 6.0, 6.0), visit(1.0, 5.8, 5.8), visit(101.0, 4.0, 4.0)];
        let z = consumption(&visits).expect("a use").standardised().expect("it scatters");
        assert!(z[0] > 0.0 && z[1] < 0.0, "{z:?}");
    }
}
