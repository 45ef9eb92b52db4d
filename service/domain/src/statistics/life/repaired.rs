//! Whether a machine that is mended again and again fails ever more often, or more rarely.

use super::NotTold;
use crate::statistics::number;
use statrs::function::erf::erfc;
use statrs::function::gamma::gamma_lr;

/// Fewer failures show no trend.
const FAILURES_MIN: usize = 3;

/// The trend of one machine's failures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RepairTrend {
    /// Laplace's statistic: above 0 failures come ever faster; normal without a trend.
    pub laplace: f64,
    /// How likely one so far from 0 is without a trend.
    pub laplace_p: f64,
    /// The power of the law of failures a t^b: above 1 they come ever faster.
    pub power: f64,
    /// The same without its bias.
    pub unbiased_power: f64,
    /// The factor a of that law.
    pub factor: f64,
    /// The mean time between failures at the end, by that law.
    pub between_failures_now: f64,
    /// Twice the sum of the logarithms of the whole time over each failure's: chi-square of 2n degrees without a trend.
    pub chi_square: f64,
    /// The share of that distribution below it: near 0 ever faster, near 1 ever more rarely.
    pub below: f64,
}

/// The trend of failures at some times of a machine that was watched from 0 to `watched` (NIST/SEMATECH 8.4.5.2, MIL-HDBK-189).
pub fn trend(failures: &[f64], watched: f64) -> Result<RepairTrend, NotTold> {
    if failures.len() > super::LIVES_MAX {
        return Err(NotTold::TooMany(failures.len()));
    }
    if failures.len() < FAILURES_MIN {
        return Err(NotTold::TooFewFailures { has: failures.len(), needs: FAILURES_MIN });
    }
    if let Some(index) = failures.iter().position(|time| !(*time > 0.0 && *time <= watched)) {
        return Err(NotTold::Impossible(index + 1));
    }
    let n = number(failures.len());
    let share = failures.iter().map(|time| time / watched).sum::<f64>() / n;
    let laplace = (12.0 * n).sqrt() * (share - 0.5);
    let sum: f64 = failures.iter().map(|time| (watched / time).ln()).sum();
    if sum <= 0.0 {
        return Err(NotTold::Unfit("all failures came at the very end; no law gives that"));
    }
    let power = n / sum;
    Ok(RepairTrend {
        laplace,
        laplace_p: erfc(laplace.abs() / std::f64::consts::SQRT_2),
        power,
        unbiased_power: (n - 1.0) / sum,
        factor: (n.ln() - power * watched.ln()).exp(),
        between_failures_now: watched / (n * power),
        chi_square: 2.0 * sum,
        below: gamma_lr(n, sum),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn even_failures_have_no_trend_and_bunched_ones_have() {
        let even: Vec<f64> = (1..=9_u32).map(|at| 100.0 * f64::from(at)).collect();
        assert!(trend(&even, 1000.0).expect("a trend").laplace.abs() < 1e-12);
        assert!(trend(&[900.0, 950.0, 990.0], 1000.0).expect("a trend").laplace > 2.0);
        assert_eq!(trend(&[1.0, 2.0], 3.0), Err(NotTold::TooFewFailures { has: 2, needs: 3 }));
        assert_eq!(trend(&[1.0, 2.0, 4.0], 3.0), Err(NotTold::Impossible(3)));
        assert!(trend(&[3.0, 3.0, 3.0], 3.0).is_err());
    }
}
