//! Statistics of readings and of demand: plain functions of their arguments, without any randomness.
//!
//! Charts tell whether readings stay as they were; trends tell when they reach a limit; consumption tells how fast
//! something is used; lives tell how long a part lasts. Nothing here knows machines, test points or stock. Formulas and their sources stand in
//! `docs/formulas.md`.

pub mod changepoint;
pub mod consumption;
pub mod cusum;
pub mod ewma;
pub mod individuals;
pub mod life;
pub mod normal;
pub mod run_length;
pub mod trend;

mod legendre;

/// The most readings that are taken at once: pairs of them are compared.
pub const READINGS_MAX: usize = 2_000;

/// Why readings tell nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TellsNothing {
    /// Too few of them.
    #[error("{has} readings are too few; {needs} are needed")]
    TooFew {
        /// How many there are.
        has: usize,
        /// How many are needed.
        needs: usize,
    },
    /// Too many of them.
    #[error("{0} readings are too many; give at most {READINGS_MAX}")]
    TooMany(usize),
    /// One of them is no finite number.
    #[error("reading {0} is no number; leave it out")]
    NoNumber(usize),
    /// Settings that make no chart, or readings that do not fit together.
    #[error("{0}")]
    Unfit(&'static str),
}

/// Checks readings for what every statistic needs.
fn checked(readings: &[f64], needs: usize) -> Result<(), TellsNothing> {
    if readings.len() < needs {
        return Err(TellsNothing::TooFew { has: readings.len(), needs });
    }
    if readings.len() > READINGS_MAX {
        return Err(TellsNothing::TooMany(readings.len()));
    }
    match readings.iter().position(|reading| !reading.is_finite()) {
        Some(index) => Err(TellsNothing::NoNumber(index + 1)),
        None => Ok(()),
    }
}

/// A count as a number, exact up to `u32::MAX`: what is counted here (readings, lives, orders behind a figure) lies in memory, in
/// lists that are many thousand times shorter.
pub(crate) fn number(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

/// Whether two readings are the same one; their scatter is that of the gauge, so equal ones are common.
fn same(one: f64, other: f64) -> bool {
    one.partial_cmp(&other) == Some(std::cmp::Ordering::Equal)
}

fn mean(readings: &[f64]) -> f64 {
    readings.iter().sum::<f64>() / number(readings.len())
}

/// The middle of sorted numbers, or the mean of the two in the middle; 0 for none.
fn median_of_sorted(sorted: &[f64]) -> f64 {
    let middle = sorted.len() / 2;
    match (sorted.len() % 2, sorted.get(middle)) {
        (_, None) => 0.0,
        (1, Some(value)) => *value,
        (_, Some(value)) => f64::midpoint(sorted[middle - 1], *value),
    }
}

/// The middle of numbers, or the mean of the two in the middle; 0 for none.
pub(crate) fn median(numbers: &[f64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_by(f64::total_cmp);
    median_of_sorted(&sorted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_and_faults() {
        assert!((median(&[3.0, 1.0, 2.0]) - 2.0).abs() < 1e-12);
        assert!((median(&[4.0, 1.0, 2.0, 3.0]) - 2.5).abs() < 1e-12);
        assert!(median(&[]) == 0.0);
        assert_eq!(checked(&[1.0], 2), Err(TellsNothing::TooFew { has: 1, needs: 2 }));
        assert_eq!(checked(&[1.0, f64::NAN], 2), Err(TellsNothing::NoNumber(2)));
        assert_eq!(checked(&vec![0.0; READINGS_MAX + 1], 2), Err(TellsNothing::TooMany(READINGS_MAX + 1)));
    }
}
