//! The exponentially weighted moving average: whether readings drift slowly away.

use super::{TellsNothing, checked};

/// How a chart is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EwmaSettings {
    /// What the readings should be.
    pub target: f64,
    /// Their standard deviation while all is well.
    pub deviation: f64,
    /// The weight of the newest reading, more than 0 and at most 1.
    pub weight: f64,
    /// The width of the limits in standard deviations of the average.
    pub width: f64,
}

/// A chart. Points are counted from 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Ewma {
    /// The average at each reading.
    pub averages: Vec<f64>,
    /// The upper limit once the chart has settled.
    pub high: f64,
    /// The lower limit once the chart has settled.
    pub low: f64,
    /// The first average beyond the limits that hold at its reading.
    pub first_exact: Option<usize>,
    /// The first average beyond the settled limits.
    pub first_settled: Option<usize>,
}

/// The chart of some readings: z = weight x + (1 - weight) z, starting at the target; limits width x deviation x
/// sqrt(weight / (2 - weight) (1 - (1 - weight)^(2 i))).
pub fn ewma(readings: &[f64], settings: EwmaSettings) -> Result<Ewma, TellsNothing> {
    checked(readings, 1)?;
    let EwmaSettings { target, deviation, weight, width } = settings;
    if !(weight > 0.0 && weight <= 1.0 && deviation >= 0.0 && width >= 0.0 && target.is_finite()) {
        return Err(TellsNothing::Unfit(
            "a weight lies above 0 and up to 1, deviation and width at 0 or above",
        ));
    }
    let mut averages = Vec::with_capacity(readings.len());
    let mut average = target;
    for reading in readings {
        average = weight * reading + (1.0 - weight) * average;
        averages.push(average);
    }
    let settled = width * deviation * (weight / (2.0 - weight)).sqrt();
    let exact = |power: i32| settled * (1.0 - (1.0 - weight).powi(power)).sqrt();
    let far = |average: f64, limit: f64| average > target + limit || average < target - limit;
    let first = |limit: &dyn Fn(i32) -> f64| {
        let points = (1_i32..).zip(&averages);
        let beyond = points.map(|(point, average)| far(*average, limit(2 * point)));
        beyond.into_iter().position(|beyond| beyond).map(|index| index + 1)
    };
    Ok(Ewma {
        high: target + settled,
        low: target - settled,
        first_exact: first(&exact),
        first_settled: first(&|_| settled),
        averages,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_the_whole_weight_it_is_the_reading() {
        let settings = EwmaSettings { target: 5.0, deviation: 1.0, weight: 1.0, width: 3.0 };
        let chart = ewma(&[5.0, 9.0, 1.0], settings).expect("a chart");
        assert_eq!((chart.first_exact, chart.first_settled), (Some(2), Some(2)));
        assert!((chart.high - 8.0).abs() < 1e-12 && (chart.averages[2] - 1.0).abs() < 1e-12);
        assert!(ewma(&[5.0], EwmaSettings { weight: 0.0, ..settings }).is_err());
    }
}
