//! What a calculator gives: values in the order of its results, and remarks.

use fettler_domain::physics::measure::Outside;

/// A result as it is declared.
pub(crate) struct Column {
    /// Its name in CSV.
    pub(crate) name: &'static str,
    /// Its unit; empty for none.
    pub(crate) unit: &'static str,
    /// What it is.
    pub(crate) what: &'static str,
    /// What an empty value says.
    pub(crate) absent: &'static str,
}

impl Column {
    /// A result that is never empty.
    pub(crate) const fn new(name: &'static str, unit: &'static str, what: &'static str) -> Column {
        Column { name, unit, what, absent: "" }
    }

    /// The same, where an empty value says something.
    pub(crate) const fn or(mut self, absent: &'static str) -> Column {
        self.absent = absent;
        self
    }
}

/// A value of a result.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Value {
    /// A number.
    Number(f64),
    /// One number for each period or lot.
    Numbers(Vec<f64>),
    /// A word or code.
    Text(String),
    /// Nothing; the declaration says what that means.
    Absent,
}

impl From<f64> for Value {
    fn from(number: f64) -> Value {
        Value::Number(number)
    }
}

impl From<Option<f64>> for Value {
    fn from(number: Option<f64>) -> Value {
        number.map_or(Value::Absent, Value::Number)
    }
}

impl From<Vec<f64>> for Value {
    fn from(numbers: Vec<f64>) -> Value {
        Value::Numbers(numbers)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Value {
        Value::from(text.to_owned())
    }
}

impl From<String> for Value {
    fn from(text: String) -> Value {
        if text.is_empty() { Value::Absent } else { Value::Text(text) }
    }
}

impl Value {
    /// The value for a cell: numbers with at most so many digits that count, lists apart by `;`.
    pub(crate) fn text(&self, digits: usize) -> String {
        match self {
            Value::Number(number) => number_text(*number, digits),
            Value::Numbers(numbers) => {
                numbers.iter().map(|number| number_text(*number, digits)).collect::<Vec<_>>().join(";")
            }
            Value::Text(text) => text.clone(),
            Value::Absent => String::new(),
        }
    }

    /// The value for JSON.
    pub(crate) fn json(&self) -> serde_json::Value {
        match self {
            Value::Number(number) => serde_json::json!(number),
            Value::Numbers(numbers) => serde_json::json!(numbers),
            Value::Text(text) => serde_json::json!(text),
            Value::Absent => serde_json::Value::Null,
        }
    }
}

/// What a calculator gives.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Found {
    /// A value for each result, in their order.
    pub(crate) values: Vec<Value>,
    /// What else there is to say: values outside a formula's range, and the like.
    pub(crate) remarks: Vec<String>,
}

impl Found {
    /// Values in the order of the results.
    pub(crate) fn new<const N: usize>(values: [Value; N]) -> Found {
        Found { values: Vec::from(values), remarks: Vec::new() }
    }

    /// The same with what lies outside a formula's range.
    pub(crate) fn outside(mut self, outside: &[Outside]) -> Found {
        self.remarks.extend(outside.iter().map(ToString::to_string));
        self
    }

    /// The same with something else to say.
    pub(crate) fn remark(mut self, remark: Option<String>) -> Found {
        self.remarks.extend(remark);
        self
    }
}

/// A number with at most so many digits that count, without trailing zeros; very small and very large ones with an
/// exponent.
pub(crate) fn number_text(number: f64, digits: usize) -> String {
    if number == 0.0 {
        return "0".to_owned();
    }
    let scientific = format!("{number:.*e}", digits.saturating_sub(1));
    let exponent: i32 = scientific.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    if !(-5..15).contains(&exponent) {
        let (mantissa, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
        return format!("{}e{exponent}", without_zeros(mantissa));
    }
    let decimals = usize::try_from(i32::try_from(digits).unwrap_or(i32::MAX) - 1 - exponent).unwrap_or(0);
    without_zeros(&format!("{number:.decimals$}")).to_owned()
}

fn without_zeros(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_the_digits_that_count() {
        for (number, text) in [
            (0.0, "0"),
            (21.400_000_000_000_002, "21.4"),
            (6.421_568_627_450_98, "6.42156863"),
            (-591.254_026_1, "-591.254026"),
            (104_526.793_8, "104526.794"),
            (1_234_567_890_123.0, "1234567890123"),
            (999_999_999.9, "1000000000"),
            (0.000_261_795_021_4, "0.000261795021"),
            (8.881_784_197e-15, "8.8817842e-15"),
            (1e20, "1e20"),
        ] {
            assert_eq!(number_text(number, 9), text);
        }
        assert_eq!(Value::from(vec![21.4, 7.8]).text(9), "21.4;7.8");
        assert_eq!(Value::from("").text(9), "");
    }
}
