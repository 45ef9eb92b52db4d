//! Readings: what is read at a test point, in which unit, against which limits, and what is odd about it.
//!
//! A reading is a fact: it is kept as said, and only asked back when it looks like a slip ([`ask`]). Which task a
//! reading makes due is the planner's business; what many of them tell stands in [`course`].

pub mod ask;
pub mod course;
mod limits;
mod record;
mod unit;
mod value;

pub use limits::{Beyond, Limits, Possible, Side, Step, Taker};
pub use record::{ReadingRecord, ReadingTold, TOLD_MAX, Withdrawn};
pub use unit::{PointUnit, Quantity, unit_codes};
pub use value::{VALUE_DIGITS, Value, ValueError};

use crate::text::Key;
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A reading out of its limits, as the planner sees it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct OutOfLimits {
    /// When it was read.
    pub at: Ts,
    /// Its number: the journal entry that records it.
    pub entry: i64,
    /// The test point's key on the machine.
    pub point: Key,
    /// The value.
    pub value: Value,
    /// The sign of the unit in which it was read.
    pub sign: String,
    /// Which limit it is beyond.
    pub beyond: Beyond,
}

impl fmt::Display for OutOfLimits {
    /// `coolant 3.2 %, below its limit of 5 %`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let OutOfLimits { point, value, sign, beyond, .. } = self;
        write!(f, "{point} {}, {}", with_sign(*value, sign), beyond.in_words(sign))
    }
}

/// A value with the sign of its unit: `6.1 bar`, and `8.9` where there is none.
pub fn with_sign(value: Value, sign: &str) -> String {
    if sign.is_empty() { value.to_string() } else { format!("{value} {sign}") }
}
