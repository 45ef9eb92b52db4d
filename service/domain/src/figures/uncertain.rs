//! How unsure counts and shares are: limits with 95 % confidence, so that a few orders are not taken for a trend.

use crate::statistics::life::root;
use crate::statistics::normal;
use crate::statistics::number;
use statrs::function::gamma::gamma_lr;

/// What lies outside both limits.
const OUTSIDE: f64 = 0.05;
/// Below so many, limits are shown beside a figure.
pub const FEW: usize = 20;

/// Limits of the share that `of` in `all` stands for (Wilson 1927).
pub fn share_limits(of: usize, all: usize) -> Option<(f64, f64)> {
    if all == 0 || of > all {
        return None;
    }
    let (n, z) = (number(all), -normal::quantile(OUTSIDE / 2.0));
    let share = number(of) / n;
    let middle = share + z * z / (2.0 * n);
    let width = z * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    let whole = 1.0 + z * z / n;
    Some((((middle - width) / whole).max(0.0), ((middle + width) / whole).min(1.0)))
}

/// Limits of the mean count that a count stands for, if events come one by one at a constant rate (Garwood 1936).
pub fn count_limits(count: usize) -> (f64, f64) {
    let most = 20.0 + 4.0 * number(count);
    let low =
        if count == 0 { 0.0 } else { root(|x| gamma_lr(number(count), x) - OUTSIDE / 2.0, 1e-12, most) };
    let high = root(|x| gamma_lr(number(count) + 1.0, x) - (1.0 - OUTSIDE / 2.0), 1e-12, most);
    (low, high)
}

/// By what operation without a failure is divided for the least time between failures: half of the 95 % point of chi-square with
/// two degrees of freedom, -ln 0.05.
fn no_failure_divisor() -> f64 {
    -OUTSIDE.ln()
}

/// The least time between failures, with 95 % confidence, of so many hours of operation without one.
pub fn between_failures_at_least(operating: f64) -> f64 {
    operating / no_failure_divisor()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table of Garwood's limits (from memory): 0 gives 0 to 3.689, 5 gives 1.623 to 11.668, 20 gives 12.217 to 30.888.
    #[test]
    fn printed_limits_of_counts() {
        for (count, low, high) in [(0, 0.0, 3.688_9), (5, 1.623_5, 11.668_3), (20, 12.216_5, 30.888_4)] {
            let found = count_limits(count);
            assert!((found.0 - low).abs() < 1e-3 && (found.1 - high).abs() < 1e-3, "{count}: {found:?}");
        }
    }

    /// -ln 0.05 = 2.9957.
    #[test]
    fn no_failure_gives_a_least() {
        assert!((between_failures_at_least(300.0) - 100.142_6).abs() < 1e-3);
    }

    /// Newcombe 1998 prints limits by this method for 4 in 20 (from memory: 0.0807 to 0.4160).
    #[test]
    fn limits_of_a_share() {
        let (low, high) = share_limits(4, 20).expect("limits");
        assert!((low - 0.080_7).abs() < 1e-3 && (high - 0.416_0).abs() < 1e-3, "{low} {high}");
        assert_eq!(share_limits(0, 0), None);
        let (low, high) = share_limits(7, 7).expect("limits");
        assert!(low < 0.7 && high >= 1.0 - 1e-12);
    }
}
