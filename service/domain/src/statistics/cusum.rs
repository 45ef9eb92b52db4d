//! The cumulative sum of what readings miss their target by: whether they have stepped away, and since when.

use super::{TellsNothing, checked};

/// How a chart is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CusumSettings {
    /// What the readings should be.
    pub target: f64,
    /// What a reading may miss it by without adding to a sum: half of the step that is to be found.
    pub slack: f64,
    /// Beyond it a sum signals.
    pub limit: f64,
    /// Where the sums start: 0, or half of the limit to signal sooner after a start.
    pub head_start: f64,
}

/// A chart. Points are counted from 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Cusum {
    /// The sum of what lies above, at each reading.
    pub up: Vec<f64>,
    /// The sum of what lies below.
    pub down: Vec<f64>,
    /// The first signal of the upper sum.
    pub first_up: Option<usize>,
    /// The first signal of the lower sum.
    pub first_down: Option<usize>,
    /// The reading from which on the sum that signalled first was never 0; none without a signal.
    pub onset: Option<usize>,
}

/// The chart of some readings: up = max(0, up + x - target - slack), and down likewise below.
pub fn cusum(readings: &[f64], settings: CusumSettings) -> Result<Cusum, TellsNothing> {
    checked(readings, 1)?;
    let CusumSettings { target, slack, limit, head_start } = settings;
    if !(slack >= 0.0 && limit >= 0.0 && head_start >= 0.0 && target.is_finite()) {
        return Err(TellsNothing::Unfit("slack, limit and head start lie at 0 or above"));
    }
    let sums = |step: &dyn Fn(f64, f64) -> f64| {
        let mut sum = head_start;
        let each = readings.iter().map(|reading| {
            sum = step(sum, *reading).max(0.0);
            sum
        });
        each.collect::<Vec<f64>>()
    };
    let up = sums(&|sum, reading| sum + reading - target - slack);
    let down = sums(&|sum, reading| sum + target - slack - reading);
    let first = |sums: &[f64]| sums.iter().position(|sum| *sum > limit).map(|index| index + 1);
    let (first_up, first_down) = (first(&up), first(&down));
    // The earlier signal tells; of two at once the upper one.
    let onset = match (first_up, first_down) {
        (Some(above), Some(below)) if below < above => Some(onset(&down, below)),
        (Some(above), _) => Some(onset(&up, above)),
        (None, Some(below)) => Some(onset(&down, below)),
        (None, None) => None,
    };
    Ok(Cusum { up, down, first_up, first_down, onset })
}

/// The reading after the last one, before the signal, at which the sum was 0.
fn onset(sums: &[f64], signal: usize) -> usize {
    sums[..signal].iter().rposition(|sum| *sum == 0.0).map_or(1, |index| index + 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: CusumSettings = CusumSettings { target: 10.0, slack: 0.5, limit: 4.0, head_start: 0.0 };

    #[test]
    fn the_earlier_of_two_signals_tells_the_onset() {
        let readings = [10.0, 8.0, 7.0, 7.5, 10.0, 20.0];
        let chart = cusum(&readings, SETTINGS).expect("a chart");
        assert_eq!((chart.first_down, chart.first_up, chart.onset), (Some(4), Some(6), Some(2)));
        let head = CusumSettings { head_start: 2.0, ..SETTINGS };
        let chart = cusum(&[13.0], head).expect("a chart");
        assert_eq!((chart.first_up, chart.onset), (Some(1), Some(1)));
        assert_eq!(cusum(&[10.0; 5], SETTINGS).expect("a chart").onset, None);
        assert!(cusum(&[10.0], CusumSettings { limit: -1.0, ..SETTINGS }).is_err());
    }
}
