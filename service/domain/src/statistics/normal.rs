//! The standard normal distribution.

use statrs::distribution::{Continuous as _, ContinuousCDF as _, Normal};

/// The value below which a share of the readings lies. The share lies between 0 and 1, neither included.
pub fn quantile(share: f64) -> f64 {
    Normal::standard().inverse_cdf(share)
}

/// The share of the readings that lies below a value.
pub fn cumulative(value: f64) -> f64 {
    Normal::standard().cdf(value)
}

/// The density at a value.
pub fn density(value: f64) -> f64 {
    Normal::standard().pdf(value)
}

/// What lies above a value on average, counted from it: φ(z) - z (1 - Φ(z)).
pub fn loss(value: f64) -> f64 {
    density(value) - value * cumulative(-value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles as printed to ten digits (from memory; scipy gives the same).
    #[test]
    fn known_points() {
        for (share, value) in
            [(0.5, 0.0), (0.95, 1.644_853_627), (0.975, 1.959_963_985), (0.999, 3.090_232_306)]
        {
            assert!((quantile(share) - value).abs() < 1e-9, "{share}: {}", quantile(share));
            assert!((cumulative(value) - share).abs() < 1e-9);
        }
        assert!((loss(0.0) - 0.398_942_280).abs() < 1e-9);
    }
}
