//! Roots and lowest points of functions of one number, with fixed bounds on the steps.

/// More steps than any root of a steady function takes.
const STEPS_MAX: u32 = 200;
/// How often an interval is cut by the golden ratio: 0.618^80 is 2e-17.
const CUTS: u32 = 80;

/// Where a function with different signs at both ends is 0 (Brent's method).
pub(crate) fn root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    let (mut c, mut fc) = (a, fa);
    let (mut step, mut before) = (b - a, b - a);
    for _ in 0..STEPS_MAX {
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            step = b - a;
            before = step;
        }
        if fc.abs() < fb.abs() {
            (a, fa) = (b, fb);
            (b, fb) = (c, fc);
            (c, fc) = (a, fa);
        }
        let near = 2.0 * f64::EPSILON * b.abs();
        let half = (c - b) / 2.0;
        if half.abs() <= near || fb == 0.0 {
            break;
        }
        let interpolated = interpolate([(a, fa), (b, fb), (c, fc)]);
        if before.abs() > near && fa.abs() > fb.abs() && fits(interpolated, half, before) {
            before = step;
            step = interpolated;
        } else {
            (before, step) = (half, half);
        }
        (a, fa) = (b, fb);
        b += if step.abs() > near { step } else { near.copysign(half) };
        fb = f(b);
    }
    b
}

/// The step from b by a line through two points, or a parabola on its side through three.
fn interpolate([(a, fa), (b, fb), (c, fc)]: [(f64, f64); 3]) -> f64 {
    let ratio = fb / fa;
    if a.total_cmp(&c).is_eq() {
        return (c - b) * ratio / (1.0 - ratio);
    }
    let (far, back) = (fa / fc, fb / fc);
    let over = ratio * ((c - b) * far * (far - back) - (b - a) * (back - 1.0));
    -over / ((far - 1.0) * (back - 1.0) * (ratio - 1.0))
}

/// Whether a step stays well inside the bracket and is less than half of the one before the last.
fn fits(step: f64, half: f64, before: f64) -> bool {
    step.is_finite() && step * half > 0.0 && step.abs() < 1.5 * half.abs() && step.abs() < before.abs() / 2.0
}

/// The highest of evenly spread points of a function, closed in by the golden ratio between its neighbours. Gives the place,
/// its value, and whether the highest point was at an end.
pub(super) fn highest(f: impl Fn(f64) -> f64, low: f64, high: f64, points: u32) -> (f64, f64, bool) {
    let width = (high - low) / f64::from(points - 1);
    let at = |index: u32| low + width * f64::from(index);
    let mut best = (0, f64::NEG_INFINITY);
    for index in 0..points {
        let value = f(at(index));
        if value > best.1 {
            best = (index, value);
        }
    }
    let end = best.0 == 0 || best.0 == points - 1;
    let (place, value) = golden(&f, at(best.0.saturating_sub(1)), at((best.0 + 1).min(points - 1)));
    if value > best.1 { (place, value, end) } else { (at(best.0), best.1, end) }
}

fn golden(f: impl Fn(f64) -> f64, low: f64, high: f64) -> (f64, f64) {
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (low, high);
    let point = |at: f64| (at, f(at));
    let mut left = point(high - ratio * (high - low));
    let mut right = point(low + ratio * (high - low));
    for _ in 0..CUTS {
        if left.1 > right.1 {
            (high, right) = (right.0, left);
            left = point(high - ratio * (high - low));
        } else {
            (low, left) = (left.0, right);
            right = point(low + ratio * (high - low));
        }
        if (high - low).abs() <= 1e-10 * (low.abs() + high.abs() + 1e-3) {
            break;
        }
    }
    if left.1 > right.1 { left } else { right }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_are_found() {
        type Case = (fn(f64) -> f64, f64, f64, f64);
        let cases: [Case; 4] = [
            (|x| x * x - 2.0, 0.0, 2.0, 2.0_f64.sqrt()),
            (|x| x.cos() - x, 0.0, 1.0, 0.739_085_133_215_160_6),
            (|x| (x - 1.0).powi(3), 0.0, 3.0, 1.0),
            (|x| x.exp() - 1e-300, -800.0, 0.0, -690.775_527_898_213_7),
        ];
        for (f, low, high, expect) in cases {
            let found = root(f, low, high);
            assert!((found - expect).abs() < 1e-5 * expect.abs().max(1.0), "{found} {expect}");
        }
    }

    #[test]
    fn the_highest_point_is_found_and_ends_are_told() {
        let (place, value, end) = highest(|x| -(x - 0.3).powi(2), -5.0, 5.0, 20);
        assert!((place - 0.3).abs() < 1e-7 && value > -1e-13 && !end);
        let (place, _, end) = highest(|x| x, 0.0, 1.0, 10);
        assert!((place - 1.0).abs() < 1e-8 && end);
    }
}
