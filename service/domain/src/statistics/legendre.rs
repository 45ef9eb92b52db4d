//! The Gauss-Legendre rule, which stands for an integral.

use super::number;

/// Each step of Newton's method doubles the digits of a point; fewer than these are needed.
const STEPS_MAX: u32 = 100;

/// Points, ascending, and weights of the rule of an order between two ends: the zeros of the Legendre polynomial by Newton's
/// method.
pub(super) fn rule(low: f64, high: f64, order: usize) -> Vec<(f64, f64)> {
    let half = (high - low) / 2.0;
    (1..=order)
        .map(|index| {
            let mut x = (std::f64::consts::PI * (number(index) - 0.25) / (number(order) + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..STEPS_MAX {
                let (value, derivative) = legendre(x, order);
                slope = derivative;
                let step = value / derivative;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            (low + half * (1.0 - x), 2.0 * half / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// The Legendre polynomial of an order and its derivative.
fn legendre(x: f64, order: usize) -> (f64, f64) {
    let (mut before, mut value) = (1.0, x);
    for degree in 2..=order {
        let n = number(degree);
        (before, value) = (value, ((2.0 * n - 1.0) * x * value - (n - 1.0) * before) / n);
    }
    (value, number(order) * (x * value - before) / (x * x - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rule integrates a polynomial exactly: x^3 from 0 to 2 is 4, and from 1 to 3 it is 20.
    #[test]
    fn the_rule_integrates() {
        for (low, high, expect) in [(0.0, 2.0, 4.0), (1.0, 3.0, 20.0)] {
            for order in [2, 80, 200] {
                let sum: f64 = rule(low, high, order).iter().map(|(at, weight)| at.powi(3) * weight).sum();
                assert!((sum - expect).abs() < 1e-11, "{order}: {sum}");
            }
        }
    }
}
