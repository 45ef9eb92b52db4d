//! Whether an interval fits beside those that count already on its meter.
//!
//! Reports of two sources never overlap in the count. Reports of one source may, as long as in every stretch
//! their rates add up to no more than the meter's own: each report's amount, lessened by its minute of grace but
//! never below nothing, is spread evenly over its length.

use super::row::{Reason, Rival, Row};
use super::{history::Segment, report::Statement};
use crate::quantity::{Amount, MaxPerHour};
use crate::time::{MICROS_PER_HOUR, Ts};
use num_bigint::BigInt;
use num_rational::BigRational;

/// Bits of the fixed point in which rates are first compared. Amounts are below 2^52, so a sum of 2^19 rates
/// still fits an `i128`; only sums within that rounding of the limit are computed exactly.
const RATE_BITS: u32 = 56;

/// The segment of an interval report; none for other statements.
pub fn segment(row: &Row) -> Option<Segment> {
    match row.content.statement {
        Statement::Interval { start, end, amount, .. } => Some(Segment { start, end, amount }),
        Statement::Absolute { .. } | Statement::Withdrawn => None,
    }
}

/// Whether two stretches share time; stretches that only touch do not.
pub fn overlap(a: (Ts, Ts), b: (Ts, Ts)) -> bool {
    a.0 < b.1 && b.0 < a.1
}

/// Whether `row` fits beside `counted`: the counted reports before it in the order of judging that overlap it,
/// in that order.
pub fn fit(row: &Row, counted: &[&Row], max: MaxPerHour) -> Result<(), Reason> {
    if let Some(other) = counted.iter().find(|other| other.key.source != row.key.source) {
        return Err(Reason::Conflict { with: Rival::of(&other.key) });
    }
    if counted.is_empty() {
        return Ok(());
    }
    let Some(own) = segment(row) else { return Ok(()) };
    let segments: Vec<Segment> = counted.iter().filter_map(|other| segment(other)).collect();
    match overfull(own, &segments, max) {
        None => Ok(()),
        Some(first) => Err(Reason::Overlap { with: Rival::of(&counted[first].key) }),
    }
}

/// The first of `others` in the first overfull stretch of `own`; none when every stretch fits.
///
/// A report that alone says more than the time allows never comes here, so another one touches such a stretch.
fn overfull(own: Segment, others: &[Segment], max: MaxPerHour) -> Option<usize> {
    let mut changes: Vec<(Ts, i128, i128)> = Vec::with_capacity(others.len() * 2 + 1);
    changes.push((own.start, floor_rate(&own, max), 1));
    for other in others {
        let rate = floor_rate(other, max);
        changes.push((other.start.max(own.start), rate, 1));
        changes.push((other.end, -rate, -1));
    }
    changes.sort_unstable();
    let limit = scaled(max.0, MICROS_PER_HOUR);
    let (mut least, mut terms) = (0_i128, 0_i128);
    let mut changes = changes.into_iter().peekable();
    while let Some((at, rate, term)) = changes.next() {
        if at >= own.end {
            break;
        }
        least += rate;
        terms += term;
        if changes.peek().is_some_and(|next| next.0 == at) {
            continue;
        }
        // Each of the `terms` rates was cut by less than one, and so was the limit.
        let surely = least + terms <= limit;
        let never = least > limit;
        let touches = |s: &&Segment| s.start <= at && at < s.end;
        if !surely && (never || !fits_exactly(others.iter().filter(touches).chain([&own]), max)) {
            return others.iter().position(|s| touches(&s));
        }
    }
    None
}

/// The amount that takes up room: what is left after the report's own minute of grace.
fn lessened(segment: &Segment, max: MaxPerHour) -> i64 {
    (segment.amount - max.grace()).max(Amount::ZERO).0
}

/// Kept units a microsecond in fixed point, cut down.
fn scaled(amount: i64, micros: i64) -> i128 {
    (i128::from(amount) << RATE_BITS).div_euclid(i128::from(micros))
}

fn floor_rate(segment: &Segment, max: MaxPerHour) -> i128 {
    scaled(lessened(segment, max), segment.end.micros_since(segment.start))
}

/// Whether the rates of the segments add up to no more than the meter's, in exact fractions.
fn fits_exactly<'a>(segments: impl Iterator<Item = &'a Segment>, max: MaxPerHour) -> bool {
    let fraction = |top: i64, bottom: i64| BigRational::new(BigInt::from(top), BigInt::from(bottom));
    let rate = |s: &Segment| fraction(lessened(s, max), s.end.micros_since(s.start));
    segments.map(rate).sum::<BigRational>() <= fraction(max.0, MICROS_PER_HOUR)
}
