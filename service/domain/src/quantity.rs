//! What a meter counts, as whole numbers of a small unit: no floating point, so sums are exact in any order.

use crate::time::MICROS_PER_HOUR;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The unit in which people state an amount.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Hours, kept as milliseconds.
    Hours,
    /// Cycles, kept as thousandths.
    Cycles,
    /// Litres, kept as millilitres.
    Litres,
}

impl Unit {
    /// How many of the small kept units make one stated unit.
    pub const fn per_unit(self) -> i64 {
        match self {
            Unit::Hours => 3_600_000,
            Unit::Cycles | Unit::Litres => 1_000,
        }
    }

    /// The short sign printed after an amount: `h`, `cycles` or `L`.
    pub const fn sign(self) -> &'static str {
        match self {
            Unit::Hours => "h",
            Unit::Cycles => "cycles",
            Unit::Litres => "L",
        }
    }
}

/// What a meter accumulates. The hour kinds have the MTConnect meanings of powered, operating, working and loaded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MeterKind {
    /// Primary power applied, at least the control on.
    Powered,
    /// Major parts powered or active.
    Operating,
    /// Active and performing, under load or not.
    Working,
    /// Sub-parts under load.
    Loaded,
    /// The coolant pump runs.
    CoolantPump,
    /// Cycles of any kind.
    Cycles,
    /// Litres of anything.
    Litres,
}

impl MeterKind {
    /// The unit in which this kind of meter is stated.
    pub const fn unit(self) -> Unit {
        match self {
            MeterKind::Powered
            | MeterKind::Operating
            | MeterKind::Working
            | MeterKind::Loaded
            | MeterKind::CoolantPump => Unit::Hours,
            MeterKind::Cycles => Unit::Cycles,
            MeterKind::Litres => Unit::Litres,
        }
    }

    /// The word used in files, columns and messages.
    pub const fn word(self) -> &'static str {
        match self {
            MeterKind::Powered => "powered",
            MeterKind::Operating => "operating",
            MeterKind::Working => "working",
            MeterKind::Loaded => "loaded",
            MeterKind::CoolantPump => "coolant_pump",
            MeterKind::Cycles => "cycles",
            MeterKind::Litres => "litres",
        }
    }

    /// Every kind, in the order of the glossary.
    pub const ALL: [MeterKind; 7] = [
        MeterKind::Powered,
        MeterKind::Operating,
        MeterKind::Working,
        MeterKind::Loaded,
        MeterKind::CoolantPump,
        MeterKind::Cycles,
        MeterKind::Litres,
    ];

    /// The kind with this word, if there is one.
    pub fn from_word(word: &str) -> Option<MeterKind> {
        MeterKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// An amount in the small kept unit of its meter: milliseconds, thousandths of a cycle, or millilitres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Amount(pub i64);

/// The largest amount that may be stated, in kept units: about 114,000 years of hours, far from overflow and
/// exactly representable in JSON numbers (below 2^53).
pub const AMOUNT_MAX: Amount = Amount(3_600_000_000_000_000);

/// Why a text is not an amount.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AmountError {
    /// Not a plain decimal number.
    #[error("`{0}` is not a plain decimal number such as 12.5")]
    NotDecimal(String),
    /// Too large to be kept.
    #[error("`{0}` is larger than this meter can hold")]
    TooLarge(String),
}

impl Amount {
    /// Nothing.
    pub const ZERO: Amount = Amount(0);

    /// Reads a plain decimal text stated in `unit`: digits, at most one point, an optional minus sign. It is
    /// rounded half up to the kept unit. Exponents, `NaN`, infinities, signs of grouping and spaces are refused.
    pub fn parse(text: &str, unit: Unit) -> Result<Amount, AmountError> {
        let bad = || AmountError::NotDecimal(text.chars().take(40).collect());
        let (negative, digits) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let all_digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        if (whole.is_empty() && fraction.is_empty())
            || !all_digits(whole)
            || !all_digits(fraction)
            || text.len() > 40
        {
            return Err(bad());
        }
        let too_large = || AmountError::TooLarge(text.chars().take(40).collect());
        let mut scaled: i128 = 0;
        for b in whole.bytes() {
            scaled = scaled * 10 + i128::from(b - b'0');
            if scaled > i128::from(AMOUNT_MAX.0) {
                return Err(too_large());
            }
        }
        let per_unit = i128::from(unit.per_unit());
        // 18 digits of fraction decide the rounding to a whole kept unit; further digits cannot matter more.
        let kept: i128 = fraction.bytes().take(18).fold(0, |acc, b| acc * 10 + i128::from(b - b'0'));
        let scale = 10_i128.pow(u32::try_from(fraction.len().min(18)).unwrap_or(18));
        let amount = scaled * per_unit + (kept * per_unit * 2 + scale) / (scale * 2);
        if amount > i128::from(AMOUNT_MAX.0) {
            return Err(too_large());
        }
        let amount = i64::try_from(amount).map_err(|_| too_large())?;
        Ok(Amount(if negative { -amount } else { amount }))
    }

    /// The amount in `unit` as a decimal text with at most `digits` digits after the point, rounded half up, with
    /// no trailing zeros: `402.5`.
    pub fn to_text(self, unit: Unit, digits: u32) -> String {
        let scale = 10_i128.pow(digits);
        let per_unit = i128::from(unit.per_unit());
        let rounded = (i128::from(self.0.unsigned_abs()) * scale * 2 + per_unit) / (per_unit * 2);
        let sign = if self.0 < 0 && rounded > 0 { "-" } else { "" };
        let whole = rounded / scale;
        let fraction = rounded % scale;
        if fraction == 0 {
            return format!("{sign}{whole}");
        }
        let text = format!("{fraction:0width$}", width = digits as usize);
        format!("{sign}{whole}.{}", text.trim_end_matches('0'))
    }

    /// The amount with its sign, rounded to two digits: `402.5 h`.
    pub fn display(self, unit: Unit) -> impl fmt::Display {
        format!("{} {}", self.to_text(unit, 2), unit.sign())
    }
}

impl std::ops::Add for Amount {
    type Output = Amount;
    fn add(self, other: Amount) -> Amount {
        Amount(self.0 + other.0)
    }
}

impl std::ops::Sub for Amount {
    type Output = Amount;
    fn sub(self, other: Amount) -> Amount {
        Amount(self.0 - other.0)
    }
}

impl std::iter::Sum for Amount {
    fn sum<I: Iterator<Item = Amount>>(iter: I) -> Amount {
        iter.fold(Amount::ZERO, |a, b| a + b)
    }
}

/// The most a meter can accumulate in an hour of the clock, in kept units an hour.
///
/// For hour meters that is one hour an hour; cycles and litres state their own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct MaxPerHour(pub i64);

impl MaxPerHour {
    /// An hour meter's: one hour in an hour.
    pub const ONE_HOUR_AN_HOUR: MaxPerHour = MaxPerHour(3_600_000);

    /// The minute of grace that each report has: what could be accumulated in one minute.
    pub const fn grace(self) -> Amount {
        Amount(self.0 / 60)
    }

    /// The most that fits a stretch of `micros` microseconds, cut to a whole kept unit.
    pub fn capacity(self, micros: i64) -> Amount {
        let most = i128::from(self.0) * i128::from(micros) / i128::from(MICROS_PER_HOUR);
        Amount(i64::try_from(most).unwrap_or(i64::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_texts_become_exact_kept_units() {
        let check = |text: &str, unit, expect: Result<i64, AmountError>| {
            assert_eq!(Amount::parse(text, unit).map(|a| a.0), expect, "{text}");
        };
        check("1.77", Unit::Hours, Ok(6_372_000));
        check("0", Unit::Hours, Ok(0));
        check(".5", Unit::Hours, Ok(1_800_000));
        check("8.", Unit::Hours, Ok(28_800_000));
        check("-3", Unit::Cycles, Ok(-3_000));
        check("0.0005", Unit::Litres, Ok(1));
        check("0.00049999999999999999999", Unit::Litres, Ok(0));
        for text in ["", ".", "-", "NaN", "inf", "1e3", "1,5", " 1", "+1", "1.2.3", "٣"] {
            check(text, Unit::Hours, Err(AmountError::NotDecimal(text.into())));
        }
        check("1000000000000", Unit::Hours, Err(AmountError::TooLarge("1000000000000".into())));
    }

    #[test]
    fn amounts_print_without_trailing_zeros() {
        assert_eq!(Amount(6_372_000).to_text(Unit::Hours, 2), "1.77");
        assert_eq!(Amount(1_449_000_000).to_text(Unit::Hours, 2), "402.5");
        assert_eq!(Amount(-1).to_text(Unit::Hours, 2), "0");
        assert_eq!(Amount(-1_800_000).to_text(Unit::Hours, 2), "-0.5");
        assert_eq!(Amount(999_999).to_text(Unit::Cycles, 0), "1000");
    }
}
