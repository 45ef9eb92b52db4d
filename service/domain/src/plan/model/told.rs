//! What a model tells beside its due point, as data.

use crate::reading::Value;
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use serde_with::skip_serializing_none;

/// What a model starts from, how fast it goes and what it finds.
#[skip_serializing_none]
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Modelled {
    /// What it starts from; absent where nothing was read or done.
    pub start: Option<Start>,
    /// How fast it goes.
    pub rate: Option<Rate>,
    /// What is to be done, and how much of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub acts: Vec<Act>,
    /// What is not as it should be.
    pub fault: Option<Fault>,
    /// When a reading said that it is due.
    pub reached: Option<Ts>,
    /// Whether nothing but a reading makes it due.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub waits: bool,
}

/// What a model starts from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Start {
    /// When.
    pub at: Ts,
    /// The value, in the unit of `sign`.
    pub value: Value,
    /// The sign of its unit.
    pub sign: String,
    /// Whether it was read; else it follows from a closing.
    pub read: bool,
}

/// How fast a model goes.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rate {
    /// By so much in one of what the meter counts, in mL.
    pub value: Value,
    /// The sign of that: `mL/h`.
    pub sign: String,
    /// How many readings tell it; 0 where the formula does.
    pub readings: u32,
    /// What it is in per cent of the formula, where readings tell it.
    pub percent: Option<u32>,
}

/// What is to be done, and how much.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Act {
    /// Fill it up.
    Refill {
        /// What fits in when it is due, in L.
        litres: Value,
        /// Whole packs of that which fit in, and what a pack holds in L, where a pack is stated.
        packs: Option<(u32, Value)>,
    },
    /// Empty it.
    Drain {
        /// What is in it when it is due, in mL.
        millilitres: Value,
    },
}

/// What is not as it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// More or less is used than should be.
    Use {
        /// What is used, in per cent of what should be.
        percent: u32,
        /// Since about when.
        since: Ts,
        /// Whether it is judged against its own past; else against what the strokes take.
        own_past: bool,
    },
    /// More was found than computed.
    Fuller {
        /// What was found, in mL.
        found: Value,
        /// What was computed, in mL.
        computed: Value,
        /// When it was found.
        at: Ts,
    },
}
