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
    /// What is not as it should be, the worst first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
    /// When a reading said that it is due.
    pub reached: Option<Ts>,
    /// Whether nothing but a reading makes it due.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub waits: bool,
}

impl Modelled {
    /// The worst of what is not as it should be.
    pub fn fault(&self) -> Option<Fault> {
        self.faults.first().copied()
    }
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
    /// Whether it was read; else it follows from a closing, or from what was poured in.
    pub read: bool,
    /// Whether it follows from what was poured in since.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub poured: bool,
}

/// How fast a model goes.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rate {
    /// By so much.
    pub value: Value,
    /// The sign of that: `mL/h`, `bar in 1000 h`.
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
        /// What fits in: now, where its mark is reached or something is not as it should be, else when it is due. In L.
        litres: Value,
        /// Whole packs of that which fit in, and what a pack holds in L, where a pack is stated.
        packs: Option<(u32, Value)>,
    },
    /// Put in a new element.
    Change,
    /// Bring a coolant to its strength.
    Correct {
        /// What to drain and then to add of the mix, in L; the level stays.
        swap: Value,
        /// What to add with nothing drained, in L; the level rises.
        add: Value,
        /// How strong the mix is, in per cent; 0 is water.
        premix: Value,
        /// The concentrate in what is swapped, in L.
        concentrate: Value,
    },
    /// Empty it.
    Drain {
        /// What was read in it, where that is its mark or more, else what is in it when it is due. In mL.
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
    /// A reading tells it.
    Reading {
        /// What.
        what: Tells,
        /// What was read, or what follows from it.
        value: Value,
        /// What it is held against.
        limit: Value,
        /// When it was read: the newest reading.
        at: Ts,
        /// Since when it has been so: the first of the readings one after the other that tell it.
        since: Ts,
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

/// What a reading tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tells {
    /// The flash point of a neat oil has fallen, in °C.
    FlashLow,
    /// So many colonies that somebody is to act at once, in CFU/mL.
    SlideAct,
    /// The pH has fallen so far that the coolant is to be changed.
    PhChange,
    /// So much nitrite that the coolant is to be changed or inhibited, in mg/L.
    NitriteHigh,
    /// The pressure drop of an element fell all at once, in bar.
    DropFell,
    /// The pressure drop of an element is as high as it may be, in bar.
    DropHigh,
    /// Too much water in a neat oil, in per cent.
    WaterHigh,
    /// The viscosity of a neat oil went away from what it was, in mm²/s.
    ViscosityOff,
    /// A machine takes more air than it should while it idles, in L/min.
    IdleHigh,
    /// The coolant is too weak, in per cent.
    Weak,
    /// The coolant is too strong, in per cent.
    Strong,
    /// The pH has fallen so far that the supplier's measures are due.
    PhLow,
    /// So many colonies that it is to be looked into, in CFU/mL.
    SlideReview,
}
