//! The value of a reading: a whole number of millionths, so that it is the same in the journal and on both engines.

use serde::{Deserialize, Serialize};
use std::fmt;

/// How many digits after the point are kept.
pub const VALUE_DIGITS: u32 = 6;
/// What one is, in millionths.
const ONE: i64 = 1_000_000;
/// The largest value either way, in millionths: far above what any gauge of a shop shows.
const VALUE_MAX: i64 = 1_000_000_000 * ONE;
/// The longest text of a value, in characters.
const TEXT_MAX: usize = 40;

/// A value that was read, in millionths of its unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Value(pub i64);

/// Why a text is no value.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ValueError {
    /// No plain decimal number.
    #[error("`{0}` is no plain decimal number; give digits with a point, such as 6.1")]
    NotDecimal(String),
    /// More digits after the point than are kept.
    #[error("`{0}` has more than {VALUE_DIGITS} digits after the point; round it")]
    TooFine(String),
    /// Too large either way.
    #[error("`{0}` is beyond a thousand million; give it in a larger unit")]
    TooLarge(String),
}

impl Value {
    /// Reads a plain decimal text such as `6.1`, `-3` or `.5`.
    pub fn parse(text: &str) -> Result<Value, ValueError> {
        let shown = || text.chars().take(TEXT_MAX).collect::<String>();
        let (negative, digits) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let plain = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
        let empty = whole.is_empty() && fraction.is_empty();
        if empty || !plain(whole) || !plain(fraction) || text.len() > TEXT_MAX {
            return Err(ValueError::NotDecimal(shown()));
        }
        let fraction = fraction.trim_end_matches('0');
        if fraction.len() > VALUE_DIGITS as usize {
            return Err(ValueError::TooFine(shown()));
        }
        let mut millionths: i64 = 0;
        let padding = std::iter::repeat_n(b'0', VALUE_DIGITS as usize - fraction.len());
        for digit in whole.bytes().chain(fraction.bytes()).chain(padding) {
            millionths = millionths
                .checked_mul(10)
                .and_then(|sum| sum.checked_add(i64::from(digit - b'0')))
                .filter(|sum| *sum <= VALUE_MAX)
                .ok_or_else(|| ValueError::TooLarge(shown()))?;
        }
        Ok(Value(if negative { -millionths } else { millionths }))
    }

    /// The nearest value to a number; none where it is no finite number within bounds.
    pub fn nearest(number: f64) -> Option<Value> {
        let millionths = (number * 1e6).round();
        // Below 2^53 a fraction holds every whole number; a thousand million millions is below that.
        if millionths.is_nan() || millionths.abs() > 1e15 {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, reason = "a whole number within bounds")]
        let millionths = millionths as i64;
        Some(Value(millionths))
    }

    /// The value as a number, for statistics and for drawing.
    #[expect(clippy::cast_precision_loss, reason = "millionths of a thousand million stay below 2^53")]
    pub fn to_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl fmt::Display for Value {
    /// The shortest decimal text.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (one, all) = (ONE.unsigned_abs(), self.0.unsigned_abs());
        let sign = if self.0 < 0 { "-" } else { "" };
        let fraction = format!("{:06}", all % one);
        match fraction.trim_end_matches('0') {
            "" => write!(f, "{sign}{}", all / one),
            fraction => write!(f, "{sign}{}.{fraction}", all / one),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_texts_are_kept_exactly_and_written_back_shortest() {
        for (text, written) in [
            ("6.1", "6.1"),
            ("-3", "-3"),
            (".5", "0.5"),
            ("8.", "8"),
            ("0.000001", "0.000001"),
            ("6.100", "6.1"),
        ] {
            assert_eq!(Value::parse(text).expect(text).to_string(), written);
        }
        assert_eq!(Value::parse("1000000000").map(|value| value.0), Ok(VALUE_MAX));
    }

    #[test]
    fn what_is_no_value_says_why() {
        for text in ["", ".", "-", "6,1", "1e3", "+1", " 1", "NaN", "٣"] {
            assert!(matches!(Value::parse(text), Err(ValueError::NotDecimal(_))), "{text}");
        }
        assert!(matches!(Value::parse("0.0000001"), Err(ValueError::TooFine(_))));
        assert!(matches!(Value::parse("1000000000.1"), Err(ValueError::TooLarge(_))));
        assert!(matches!(Value::parse("99999999999999999999999"), Err(ValueError::TooLarge(_))));
    }

    #[test]
    fn the_nearest_value_of_a_number() {
        assert_eq!(Value::nearest(6.1), Some(Value(6_100_000)));
        assert_eq!(Value::nearest(f64::NAN), None);
        assert_eq!(Value::nearest(1e12), None);
    }
}
