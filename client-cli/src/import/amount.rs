//! Amounts as other programs write them, exact: whole kept units, no floating point.

use fettler_domain::quantity::{AMOUNT_MAX, Amount, Unit};
use serde::Deserialize;

/// The most characters of an amount; none that means anything is longer.
const TEXT_CHARS_MAX: usize = 40;
/// The most digits that are reckoned with: further ones stand far behind a millisecond.
const DIGITS_MAX: usize = 20;
/// The furthest that an exponent may move the point.
const EXPONENT_MAX: i32 = 12;
/// Digits of an amount in hours: a tenth of a microsecond, so that the service reads the same milliseconds.
const SENT_DIGITS: u32 = 10;

/// In which form amounts stand in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub(crate) enum Written {
    /// 7.25 is seven hours and a quarter.
    #[serde(rename = "hours")]
    Hours,
    /// Minutes.
    #[serde(rename = "minutes")]
    Minutes,
    /// Seconds.
    #[serde(rename = "seconds")]
    Seconds,
    /// Milliseconds.
    #[serde(rename = "milliseconds")]
    Milliseconds,
    /// 7:15 is the same as 7.25 hours; 7:15:30 is half a minute more.
    #[serde(rename = "h:min")]
    Clock,
    /// Cycles, or parts.
    #[serde(rename = "cycles")]
    Cycles,
    /// Litres.
    #[serde(rename = "litres")]
    Litres,
    /// Millilitres.
    #[serde(rename = "millilitres")]
    Millilitres,
}

impl Written {
    /// The unit in which the service is told.
    pub(crate) const fn unit(self) -> Unit {
        match self {
            Written::Hours | Written::Minutes | Written::Seconds | Written::Milliseconds | Written::Clock => {
                Unit::Hours
            }
            Written::Cycles => Unit::Cycles,
            Written::Litres | Written::Millilitres => Unit::Litres,
        }
    }

    /// How many kept units one of these makes.
    const fn kept(self) -> i128 {
        match self {
            Written::Hours | Written::Clock => 3_600_000,
            Written::Minutes => 60_000,
            Written::Seconds | Written::Cycles | Written::Litres => 1_000,
            Written::Milliseconds | Written::Millilitres => 1,
        }
    }

    /// The form as a mapping writes it.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Written::Hours => "hours",
            Written::Minutes => "minutes",
            Written::Seconds => "seconds",
            Written::Milliseconds => "milliseconds",
            Written::Clock => "h:min",
            Written::Cycles => "cycles",
            Written::Litres => "litres",
            Written::Millilitres => "millilitres",
        }
    }
}

/// The signs of a number in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Signs {
    /// Between whole and fraction.
    pub(crate) decimal: char,
    /// Between thousands, if any sign is.
    pub(crate) thousands: Option<char>,
    /// Whether an exponent may follow, as in `1.2E3`.
    pub(crate) exponents: bool,
}

impl Signs {
    /// Those of XML Schema's `float` (W3C XML Schema Part 2, 3.2.4).
    pub(crate) const XML: Signs = Signs { decimal: '.', thousands: None, exponents: true };
}

/// A text as an amount in kept units, rounded half up. The error says what is wrong and what to do.
pub(crate) fn read(text: &str, written: Written, signs: Signs) -> Result<Amount, String> {
    if text.is_empty() {
        return Err("is empty; write an amount".to_owned());
    }
    let shown: String = text.chars().take(TEXT_CHARS_MAX).collect();
    if text.chars().count() > TEXT_CHARS_MAX {
        return Err(format!("`{shown}…` is longer than {TEXT_CHARS_MAX} characters; no amount is"));
    }
    let (negative, digits) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let kept = if written == Written::Clock { clock(digits) } else { number(digits, written, signs) };
    let kept = kept.map_err(|why| format!("`{shown}` {why}"))?;
    if kept > i128::from(AMOUNT_MAX.0) {
        return Err(format!(
            "`{shown}` is larger than a meter can hold; look at the unit, `{}`",
            written.word()
        ));
    }
    let kept = i64::try_from(kept).map_err(|_| format!("`{shown}` is larger than a meter can hold"))?;
    Ok(Amount(if negative { -kept } else { kept }))
}

/// An amount as the service is told.
pub(crate) fn sent(amount: Amount, unit: Unit) -> String {
    amount.to_text(unit, SENT_DIGITS)
}

fn clock(digits: &str) -> Result<i128, String> {
    const WRONG: &str = "is not written as h:min; write 7:15, or 7:15:30";
    let parts: Vec<&str> = digits.split(':').collect();
    let (2 | 3) = parts.len() else { return Err(WRONG.to_owned()) };
    let mut kept = 0_i128;
    for (place, part) in parts.iter().enumerate() {
        let fits = if place == 0 { (1..=9).contains(&part.len()) } else { part.len() == 2 };
        if !fits || !part.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(WRONG.to_owned());
        }
        let value: i128 = part.parse().map_err(|_| WRONG.to_owned())?;
        if place > 0 && value > 59 {
            return Err(format!("has {value} where 59 is the most; look whether it is a decimal number"));
        }
        kept += value * [3_600_000, 60_000, 1_000][place];
    }
    Ok(kept)
}

fn number(text: &str, written: Written, signs: Signs) -> Result<i128, String> {
    let (mantissa, exponent) = exponent(text, signs)?;
    let (whole, fraction) = mantissa.split_once(signs.decimal).unwrap_or((mantissa, ""));
    let whole = ungrouped(whole, signs)?;
    let only_digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if (whole.is_empty() && fraction.is_empty()) || !only_digits(&whole) || !only_digits(fraction) {
        let example = format!("7{}25", signs.decimal);
        return Err(format!("is not a number such as {example}; `decimal` and `thousands` name its signs"));
    }
    let whole = whole.trim_start_matches('0');
    if whole.len() > DIGITS_MAX {
        return Err("is larger than a meter can hold".to_owned());
    }
    let fraction = &fraction[..fraction.len().min(DIGITS_MAX - whole.len())];
    let digits: i128 =
        whole.bytes().chain(fraction.bytes()).fold(0, |sum, b| sum * 10 + i128::from(b - b'0'));
    let places = exponent - i32::try_from(fraction.len()).unwrap_or(0);
    let scaled = digits * written.kept();
    let power = 10_i128.checked_pow(places.unsigned_abs()).ok_or("has too many digits")?;
    if places >= 0 {
        return scaled.checked_mul(power).ok_or_else(|| "is larger than a meter can hold".to_owned());
    }
    Ok((scaled * 2 + power) / (power * 2))
}

fn exponent(text: &str, signs: Signs) -> Result<(&str, i32), String> {
    let Some((mantissa, exponent)) = text.split_once(['e', 'E']).filter(|_| signs.exponents) else {
        return Ok((text, 0));
    };
    let digits = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
    let value =
        if digits.bytes().all(|byte| byte.is_ascii_digit()) { exponent.parse::<i32>().ok() } else { None };
    match value {
        Some(value) if value.abs() <= EXPONENT_MAX => Ok((mantissa, value)),
        Some(_) | None => Err("is not a number that a meter can hold".to_owned()),
    }
}

/// The whole part without its signs of grouping, which stand before every third digit and nowhere else.
fn ungrouped(whole: &str, signs: Signs) -> Result<String, String> {
    let Some(sign) = signs.thousands.filter(|sign| whole.contains(*sign)) else {
        return Ok(whole.to_owned());
    };
    let groups: Vec<&str> = whole.split(sign).collect();
    let first = groups.first().map_or(0, |group| group.len());
    if !(1..=3).contains(&first) || groups.iter().skip(1).any(|group| group.len() != 3) {
        return Err(format!(
            "has `{sign}` where no thousand ends; look whether it is the decimal sign, which `decimal` names"
        ));
    }
    Ok(groups.concat())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GERMAN: Signs = Signs { decimal: ',', thousands: Some('.'), exponents: false };
    const PLAIN: Signs = Signs { decimal: '.', thousands: None, exponents: false };

    #[track_caller]
    fn check(text: &str, written: Written, signs: Signs, expected: Result<i64, &str>) {
        match (read(text, written, signs), expected) {
            (Ok(amount), Ok(kept)) => assert_eq!(amount.0, kept, "{text}"),
            (Err(told), Err(part)) => assert!(told.contains(part), "{text}: {told}"),
            (found, _) => panic!("{text}: {found:?}"),
        }
    }

    /// Each reckoned by hand.
    #[test]
    fn amounts_are_exact_in_every_form() {
        for (text, written, signs, kept) in [
            ("7,25", Written::Hours, GERMAN, 26_100_000),
            ("1.234,5", Written::Hours, GERMAN, 4_444_200_000),
            ("1.234.567", Written::Seconds, GERMAN, 1_234_567_000),
            ("435", Written::Minutes, PLAIN, 26_100_000),
            ("7:15", Written::Clock, PLAIN, 26_100_000),
            ("07:15:30", Written::Clock, PLAIN, 26_130_000),
            ("-0:30", Written::Clock, PLAIN, -1_800_000),
            ("1233", Written::Seconds, Signs::XML, 1_233_000),
            ("1.233E+3", Written::Seconds, Signs::XML, 1_233_000),
            ("12330e-1", Written::Seconds, Signs::XML, 1_233_000),
            ("0.0005", Written::Seconds, PLAIN, 1),
            ("0.00049", Written::Seconds, PLAIN, 0),
            ("120000", Written::Cycles, PLAIN, 120_000_000),
            ("2500", Written::Millilitres, PLAIN, 2_500),
            (".5", Written::Litres, PLAIN, 500),
            ("0.33333333333333333333333333333", Written::Hours, PLAIN, 1_200_000),
        ] {
            check(text, written, signs, Ok(kept));
        }
    }

    #[test]
    fn what_is_no_amount_says_why() {
        for (text, written, signs, part) in [
            ("", Written::Hours, PLAIN, "is empty"),
            ("7,25", Written::Hours, PLAIN, "not a number such as 7.25"),
            ("7.25", Written::Hours, GERMAN, "where no thousand ends"),
            ("1.2345", Written::Hours, GERMAN, "where no thousand ends"),
            (".123", Written::Hours, GERMAN, "where no thousand ends"),
            ("1E3", Written::Hours, PLAIN, "not a number"),
            ("1E99", Written::Seconds, Signs::XML, "not a number that a meter can hold"),
            ("9e12", Written::Hours, Signs::XML, "larger than a meter can hold"),
            ("NaN", Written::Seconds, Signs::XML, "not a number"),
            ("7:75", Written::Clock, PLAIN, "has 75 where 59 is the most"),
            ("7.25", Written::Clock, PLAIN, "not written as h:min"),
            ("7:1", Written::Clock, PLAIN, "not written as h:min"),
            ("1 2 3", Written::Seconds, Signs::XML, "not a number"),
            ("99999999999999999999999999", Written::Hours, PLAIN, "larger than a meter can hold"),
        ] {
            check(text, written, signs, Err(part));
        }
        check(&"9".repeat(41), Written::Hours, PLAIN, Err("longer than 40 characters"));
    }

    /// A third of an hour has no end as a decimal number, and comes back as the same milliseconds.
    #[test]
    fn what_is_sent_is_read_as_the_same_amount() {
        for kept in [0, 1, 1_233_000, 1_234_000, 3_599_999, 1_200_000, AMOUNT_MAX.0] {
            let text = sent(Amount(kept), Unit::Hours);
            assert_eq!(Amount::parse(&text, Unit::Hours), Ok(Amount(kept)), "{text}");
        }
    }
}
