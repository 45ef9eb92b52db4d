//! What a source states about a meter, and how that statement is known: by source, report id, revision and a
//! digest of the content, so that the same statement sent twice is one report.

use crate::journal::Canonical;
use crate::quantity::{Amount, Unit};
use crate::text::ForeignName;
use crate::time::{MICROS_PER_DAY, Ts};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use std::fmt;

/// The longest stretch one report may cover, in microseconds: 31 days. Judging a report looks only that far.
pub const LENGTH_MAX_MICROS: i64 = 31 * MICROS_PER_DAY;

/// The SHA-256 of a report's content. It orders contents of one revision, so that every site picks the same.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Digest {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Digest, D::Error> {
        let text = String::deserialize(deserializer)?;
        let mut bytes = [0; 32];
        hex::decode_to_slice(&text, &mut bytes)
            .map_err(|_| serde::de::Error::custom(format!("`{text}` is not 64 hexadecimal digits")))?;
        Ok(Digest(bytes))
    }
}

/// A report whatever its revision: the source and the id that the source gives it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ReportId {
    /// Who states it.
    pub source: ForeignName,
    /// The source's own id for it.
    pub report: ForeignName,
}

/// One statement, fully named. Settlements bind to this.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ReportKey {
    /// Who states it.
    pub source: ForeignName,
    /// The source's own id for it.
    pub report: ForeignName,
    /// Which edition of the report; a higher one replaces a lower one.
    pub revision: u32,
    /// Digest of the content.
    pub digest: Digest,
}

impl ReportKey {
    /// The report that this is a statement of.
    pub fn id(&self) -> ReportId {
        ReportId { source: self.source.clone(), report: self.report.clone() }
    }
}

/// What is said about the meter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Statement {
    /// It ran so much in [start, end).
    Interval {
        /// First instant.
        start: Ts,
        /// First instant after it.
        end: Ts,
        /// The unit in which the amount was stated.
        unit: Unit,
        /// How much, in kept units.
        amount: Amount,
    },
    /// Its counter showed this.
    Absolute {
        /// When it was read.
        at: Ts,
        /// The unit in which the value was stated.
        unit: Unit,
        /// What it showed, in kept units.
        value: Amount,
    },
    /// Nothing: the report is withdrawn.
    Withdrawn,
}

/// The content of a report: where, and what.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Content {
    /// The machine as sent: its tag or a name that another system gives it.
    pub machine: ForeignName,
    /// The meter as sent: its key or the word of its kind; none means the one that the source feeds.
    pub meter: Option<ForeignName>,
    /// What is said.
    pub statement: Statement,
}

/// The content as it is hashed. The fields stand in the order of their names, as RFC 8785 wants, and what does
/// not apply is left out; all numbers are integers below 2^53.
#[derive(Serialize)]
struct Form<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    amount: Option<Amount>,
    #[serde(skip_serializing_if = "Option::is_none")]
    end: Option<Ts>,
    #[serde(skip_serializing_if = "Option::is_none")]
    kind: Option<&'static str>,
    machine: &'a ForeignName,
    #[serde(skip_serializing_if = "Option::is_none")]
    meter: Option<&'a ForeignName>,
    #[serde(skip_serializing_if = "Option::is_none")]
    start: Option<Ts>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<Unit>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<Amount>,
    #[serde(skip_serializing_if = "Option::is_none")]
    withdrawn: Option<bool>,
}

impl Content {
    /// The canonical JSON (RFC 8785) of the content.
    #[expect(clippy::missing_panics_doc, reason = "texts and integers always have a JSON form")]
    pub fn canonical(&self) -> Canonical {
        let mut form = Form {
            amount: None,
            end: None,
            kind: None,
            machine: &self.machine,
            meter: self.meter.as_ref(),
            start: None,
            unit: None,
            value: None,
            withdrawn: None,
        };
        match &self.statement {
            Statement::Interval { start, end, unit, amount } => {
                form.kind = Some("interval");
                (form.start, form.end) = (Some(*start), Some(*end));
                (form.unit, form.amount) = (Some(*unit), Some(*amount));
            }
            Statement::Absolute { at, unit, value } => {
                form.kind = Some("absolute");
                form.start = Some(*at);
                (form.unit, form.value) = (Some(*unit), Some(*value));
            }
            Statement::Withdrawn => form.withdrawn = Some(true),
        }
        let text = serde_json::to_string(&form).expect("texts and integers always have a JSON form");
        Canonical::by_form(text)
    }

    /// The digest of the content.
    pub fn digest(&self) -> Digest {
        Digest(Sha256::digest(self.canonical().as_str().as_bytes()).into())
    }
}

/// A report as it came in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Received {
    /// How it is known.
    pub key: ReportKey,
    /// What it says.
    pub content: Content,
    /// When it first came in. It decides nothing.
    pub received_at: Ts,
}

impl Received {
    /// A report with the digest of its content.
    pub fn new(id: ReportId, revision: u32, content: Content, received_at: Ts) -> Received {
        let digest = content.digest();
        let key = ReportKey { source: id.source, report: id.report, revision, digest };
        Received { key, content, received_at }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> ForeignName {
        ForeignName::new(text).expect("a name")
    }

    #[test]
    fn the_digest_is_of_sorted_integers_only() {
        let check = |meter: Option<&str>, statement, json: &str, digest: &str| {
            let content = Content { machine: name("L-7 \"neu\""), meter: meter.map(name), statement };
            assert_eq!(content.canonical().as_str(), json);
            let value: serde_json::Value = serde_json::from_str(json).expect("JSON");
            assert_eq!(Canonical::of(&value), Ok(content.canonical()));
            assert_eq!(content.digest().to_string(), digest);
        };
        // Digests computed with Python's hashlib over the texts beside them.
        check(
            Some("working"),
            Statement::Interval {
                start: Ts(1_000_000),
                end: Ts(3_601_000_000),
                unit: Unit::Hours,
                amount: Amount(1_800_000),
            },
            r#"{"amount":1800000,"end":3601000000,"kind":"interval","machine":"L-7 \"neu\"","meter":"working","start":1000000,"unit":"hours"}"#,
            "1ace77958bd58edd58e1802b18e854b789abb51e0e6b49dcb68ee5ac68ff7391",
        );
        check(
            None,
            Statement::Absolute { at: Ts(5), unit: Unit::Cycles, value: Amount(7_000) },
            r#"{"kind":"absolute","machine":"L-7 \"neu\"","start":5,"unit":"cycles","value":7000}"#,
            "f5a1c84b6630a6ac27b88552f238792a7581d62dca2f20d7533ea6eb9ae253dd",
        );
        check(
            None,
            Statement::Withdrawn,
            r#"{"machine":"L-7 \"neu\"","withdrawn":true}"#,
            "a5a938fc3c81268e78a8f047a2ff1ca876292e5d729973d55497fe4d4bbdabc0",
        );
    }

    #[test]
    fn a_digest_keeps_its_text_form() {
        let digest = Digest([0xab; 32]);
        let text = serde_json::to_string(&digest).expect("serialises");
        assert_eq!(text, format!("\"{}\"", "ab".repeat(32)));
        assert_eq!(serde_json::from_str::<Digest>(&text).expect("reads back"), digest);
        assert!(serde_json::from_str::<Digest>("\"ab\"").is_err());
    }
}
