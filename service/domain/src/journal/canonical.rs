//! Canonical JSON after RFC 8785, limited to what the journal needs: objects, arrays, texts, booleans, null and
//! whole numbers that every reader holds exactly (at most 2^53 - 1 in size). Fractions are refused.

use serde_json::Value;
use std::fmt::Write;

/// The largest whole number that may stand in the journal.
pub const INTEGER_MAX: i64 = (1 << 53) - 1;

/// Why a value has no canonical form here.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CanonicalError {
    /// A number with a fraction or exponent, or too large.
    #[error("the journal holds whole numbers up to 2^53 - 1 only, found {0}")]
    NotAnInteger(String),
}

/// The canonical text of a value: keys sorted by UTF-16 code units, no spaces, shortest escapes.
pub fn to_canonical(value: &Value) -> Result<String, CanonicalError> {
    let mut out = String::with_capacity(256);
    write_value(&mut out, value)?;
    Ok(out)
}

fn write_value(out: &mut String, value: &Value) -> Result<(), CanonicalError> {
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(b) => out.push_str(if *b { "true" } else { "false" }),
        Value::Number(n) => {
            let whole = n.as_i64().filter(|i| i.unsigned_abs() <= INTEGER_MAX.unsigned_abs());
            let whole = whole.ok_or_else(|| CanonicalError::NotAnInteger(n.to_string()))?;
            write!(out, "{whole}").map_err(|_| CanonicalError::NotAnInteger(n.to_string()))?;
        }
        Value::String(s) => write_text(out, s),
        Value::Array(items) => {
            out.push('[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write_value(out, item)?;
            }
            out.push(']');
        }
        Value::Object(fields) => {
            let mut keys: Vec<&String> = fields.keys().collect();
            keys.sort_by(|a, b| a.encode_utf16().cmp(b.encode_utf16()));
            out.push('{');
            for (i, key) in keys.into_iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write_text(out, key);
                out.push(':');
                write_value(out, &fields[key])?;
            }
            out.push('}');
        }
    }
    Ok(())
}

fn write_text(out: &mut String, text: &str) {
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\u{8}' => out.push_str("\\b"),
            '\u{9}' => out.push_str("\\t"),
            '\u{a}' => out.push_str("\\n"),
            '\u{c}' => out.push_str("\\f"),
            '\u{d}' => out.push_str("\\r"),
            c if c < '\u{20}' => {
                // Writing to a String cannot fail.
                let _ = write!(out, "\\u{:04x}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn keys_are_sorted_by_utf16_and_texts_escaped_shortest() {
        // The key order example of RFC 8785, section 3.2.3 (from memory): \r, 1, \u0080, ö, €, 😀 (a surrogate pair), דּ.
        let value =
            json!({"\u{20ac}": 1, "\r": 2, "\u{fb33}": 3, "1": 4, "\u{1f600}": 5, "\u{80}": 6, "\u{f6}": 7});
        let expect =
            "{\"\\r\":2,\"1\":4,\"\u{80}\":6,\"\u{f6}\":7,\"\u{20ac}\":1,\"\u{1f600}\":5,\"\u{fb33}\":3}";
        assert_eq!(to_canonical(&value).as_deref(), Ok(expect));
        let text = json!("\u{20ac}$\u{f}\nA'B\"\\\"/");
        assert_eq!(to_canonical(&text).as_deref(), Ok("\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\"/\""));
    }

    #[test]
    fn fractions_and_numbers_beyond_exact_range_are_refused() {
        for bad in [json!(1.5), json!(INTEGER_MAX + 1), json!(u64::MAX), json!(1e3)] {
            assert!(to_canonical(&bad).is_err(), "{bad}");
        }
        assert_eq!(
            to_canonical(&json!([-INTEGER_MAX, 0, null, true])).as_deref(),
            Ok("[-9007199254740991,0,null,true]")
        );
    }
}
