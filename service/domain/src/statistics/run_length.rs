//! How many readings a cumulative sum runs on average before it signals: how rare its false alarms are, and how soon it
//! finds a step.

use super::{TellsNothing, legendre, normal};

/// Points of the Gauss-Legendre rule that stands for the integral.
const POINTS: usize = 80;

/// The settings of a sum, in standard deviations of the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standardised {
    /// The slack k.
    pub slack: f64,
    /// The limit h.
    pub limit: f64,
}

/// The mean number of readings until a signal of either sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunLength {
    /// Starting at 0.
    pub plain: f64,
    /// Starting at half of the limit.
    pub head_start: f64,
}

/// The mean run length of both sums together for normal readings that lie `shift` standard deviations off the target:
/// the integral equation of each sum, solved on a Gauss-Legendre rule, combined as Lucas and Crosier 1982 do.
pub fn run_length(settings: Standardised, shift: f64) -> Result<RunLength, TellsNothing> {
    let Standardised { slack, limit } = settings;
    if !(slack >= 0.0 && limit > 0.0 && limit <= 100.0 && slack.is_finite() && shift.is_finite()) {
        return Err(TellsNothing::Unfit("slack lies at 0 or above, a limit above 0 and up to 100"));
    }
    let [up, down] = [shift, -shift].map(|shift| Sum::of(settings, shift));
    let (up_zero, down_zero) = (up.from(0.0), down.from(0.0));
    let (up_half, down_half) = (up.from(limit / 2.0), down.from(limit / 2.0));
    // 1 / (1/a + 1/b) and (a' b + a b' - a b) / (a + b), written so that a nearly endless run of one sum stays finite.
    let plain = up_zero / (1.0 + up_zero / down_zero);
    let ratio = up_zero / down_zero;
    let head_start = (up_half + up_zero * (down_half / down_zero) - up_zero) / (1.0 + ratio);
    Ok(RunLength { plain, head_start })
}

/// One sum: its mean run length from the points of the rule and from 0.
struct Sum {
    slack: f64,
    shift: f64,
    /// Points between 0 and the limit, with their weights.
    rule: Vec<(f64, f64)>,
    /// The run length from each point, and at the end from 0.
    lengths: Vec<f64>,
}

impl Sum {
    /// Solves L(u) = 1 + L(0) Φ(k - u - m) + ∫ L(y) φ(y + k - u - m) dy from 0 to h.
    fn of(settings: Standardised, shift: f64) -> Sum {
        let rule = legendre::rule(0.0, settings.limit, POINTS);
        let mut sum = Sum { slack: settings.slack, shift, rule, lengths: Vec::new() };
        let starts: Vec<f64> = sum.rule.iter().map(|(point, _)| *point).chain([0.0]).collect();
        let mut equations: Vec<Vec<f64>> = starts
            .iter()
            .enumerate()
            .map(|(row, start)| {
                let mut equation: Vec<f64> = sum.kernel(*start).into_iter().map(|share| -share).collect();
                equation[row] += 1.0;
                equation.push(1.0);
                equation
            })
            .collect();
        sum.lengths = solve(&mut equations);
        sum
    }

    /// The weights with which the run lengths from the points, and from 0, follow from a start.
    fn kernel(&self, start: f64) -> Vec<f64> {
        let off = self.slack - start - self.shift;
        let points = self.rule.iter().map(|(point, weight)| weight * normal::density(point + off));
        points.chain([normal::cumulative(off)]).collect()
    }

    fn from(&self, start: f64) -> f64 {
        1.0 + self.kernel(start).iter().zip(&self.lengths).map(|(share, length)| share * length).sum::<f64>()
    }
}

/// Solves linear equations, each with its right side at the end, by elimination with pivots.
fn solve(equations: &mut [Vec<f64>]) -> Vec<f64> {
    let count = equations.len();
    for column in 0..count {
        let size = |row: &usize| equations[*row][column].abs();
        let pivot = (column..count).max_by(|a, b| size(a).total_cmp(&size(b))).unwrap_or(column);
        equations.swap(column, pivot);
        let (above, below) = equations.split_at_mut(column + 1);
        let lead = &above[column];
        for equation in below {
            let factor = equation[column] / lead[column];
            if factor != 0.0 {
                for (value, from) in equation.iter_mut().zip(lead).skip(column) {
                    *value -= factor * from;
                }
            }
        }
    }
    let mut solution = vec![0.0; count];
    for row in (0..count).rev() {
        let known: f64 = (row + 1..count).map(|column| equations[row][column] * solution[column]).sum();
        solution[row] = (equations[row][count] - known) / equations[row][row];
    }
    solution
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_alike_on_either_side_and_sooner_than_a_false_alarm() {
        let settings = Standardised { slack: 0.5, limit: 5.0 };
        let at = |shift| run_length(settings, shift).expect("a sum");
        assert!((at(1.0).plain - at(-1.0).plain).abs() < 1e-9);
        assert!(at(0.0).plain > at(0.5).plain && at(0.5).plain > at(1.0).plain);
        assert!(at(1.0).head_start < at(1.0).plain);
        assert!(run_length(Standardised { limit: 0.0, ..settings }, 0.0).is_err());
    }
}
