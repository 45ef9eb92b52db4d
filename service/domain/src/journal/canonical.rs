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

/// A JSON text in canonical form.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Canonical(String);

impl Canonical {
    /// The canonical text of a value: keys sorted by UTF-16 code units, no spaces, shortest escapes.
    pub fn of(value: &Value) -> Result<Canonical, CanonicalError> {
        let mut out = String::with_capacity(256);
        write_value(&mut out, value)?;
        Ok(Canonical(out))
    }

    /// A text whose form makes it canonical, as that of a report's content does.
    pub(crate) fn by_form(text: String) -> Canonical {
        Canonical(text)
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The bytes of the text.
    pub fn into_bytes(self) -> Vec<u8> {
        self.0.into_bytes()
    }
}

/// An object written field by field, for facts so frequent that building a [`Value`] of each costs more than all the
/// rest of recording it. The caller names the fields in the order of their names; a test holds each such object
/// against [`Canonical::of`].
#[derive(Debug)]
pub struct ObjectWriter(String);

impl Default for ObjectWriter {
    fn default() -> ObjectWriter {
        let mut out = String::with_capacity(512);
        out.push('{');
        ObjectWriter(out)
    }
}

impl ObjectWriter {
    fn name(&mut self, name: &'static str) {
        if self.0.len() > 1 {
            self.0.push(',');
        }
        write_text(&mut self.0, name);
        self.0.push(':');
    }

    /// A field that holds a canonical value.
    #[must_use]
    pub fn value(mut self, name: &'static str, value: &Canonical) -> ObjectWriter {
        self.name(name);
        self.0.push_str(&value.0);
        self
    }

    /// A field that holds a text, or null.
    #[must_use]
    pub fn text(mut self, name: &'static str, text: Option<&str>) -> ObjectWriter {
        self.name(name);
        match text {
            Some(text) => write_text(&mut self.0, text),
            None => self.0.push_str("null"),
        }
        self
    }

    /// A field that holds a whole number, or null.
    pub fn number(mut self, name: &'static str, number: Option<i64>) -> Result<ObjectWriter, CanonicalError> {
        self.name(name);
        match number {
            Some(number) => write_number(&mut self.0, number)?,
            None => self.0.push_str("null"),
        }
        Ok(self)
    }

    /// The object.
    pub fn end(mut self) -> Canonical {
        self.0.push('}');
        Canonical(self.0)
    }
}

fn write_number(out: &mut String, number: i64) -> Result<(), CanonicalError> {
    if number.unsigned_abs() > INTEGER_MAX.unsigned_abs() {
        return Err(CanonicalError::NotAnInteger(number.to_string()));
    }
    // Writing to a string cannot fail.
    let _ = write!(out, "{number}");
    Ok(())
}

fn write_value(out: &mut String, value: &Value) -> Result<(), CanonicalError> {
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(b) => out.push_str(if *b { "true" } else { "false" }),
        Value::Number(n) => {
            let whole = n.as_i64().ok_or_else(|| CanonicalError::NotAnInteger(n.to_string()))?;
            write_number(out, whole)?;
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
    if !text.bytes().any(|byte| byte < b' ' || byte == b'"' || byte == b'\\') {
        out.push_str(text);
        out.push('"');
        return;
    }
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

    fn text_of(value: &Value) -> Result<String, CanonicalError> {
        Canonical::of(value).map(|canonical| canonical.0)
    }

    #[test]
    fn an_object_written_field_by_field_is_canonical() {
        let inner = json!({"b": [1, "\u{1}"], "a": null});
        let written = ObjectWriter::default()
            .value("inner", &Canonical::of(&inner).expect("whole numbers"))
            .number("none", None)
            .and_then(|object| object.number("number", Some(-7)))
            .expect("a whole number")
            .text("quoted", Some("a \"b\" \\ c"))
            .text("word", None)
            .end();
        let whole =
            json!({"inner": inner, "none": null, "number": -7, "quoted": "a \"b\" \\ c", "word": null});
        assert_eq!(Ok(written), Canonical::of(&whole));
        assert!(ObjectWriter::default().number("n", Some(INTEGER_MAX + 1)).is_err());
    }

    #[test]
    fn keys_are_sorted_by_utf16_and_texts_escaped_shortest() {
        // The key order example of RFC 8785, section 3.2.3 (from memory): \r, 1, \u0080, ö, €, 😀 (a surrogate pair), דּ.
        let value =
            json!({"\u{20ac}": 1, "\r": 2, "\u{fb33}": 3, "1": 4, "\u{1f600}": 5, "\u{80}": 6, "\u{f6}": 7});
        let expect =
            "{\"\\r\":2,\"1\":4,\"\u{80}\":6,\"\u{f6}\":7,\"\u{20ac}\":1,\"\u{1f600}\":5,\"\u{fb33}\":3}";
        assert_eq!(text_of(&value).as_deref(), Ok(expect));
        let text = json!("\u{20ac}$\u{f}\nA'B\"\\\"/");
        assert_eq!(text_of(&text).as_deref(), Ok("\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\"/\""));
    }

    #[test]
    fn fractions_and_numbers_beyond_exact_range_are_refused() {
        for bad in [json!(1.5), json!(INTEGER_MAX + 1), json!(u64::MAX), json!(1e3)] {
            assert!(text_of(&bad).is_err(), "{bad}");
        }
        assert_eq!(
            text_of(&json!([-INTEGER_MAX, 0, null, true])).as_deref(),
            Ok("[-9007199254740991,0,null,true]")
        );
    }
}
