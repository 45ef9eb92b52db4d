//! Limits of a test point in two steps, what it can show at all, and who may take it.

use super::value::Value;
use super::with_sign;
use serde::{Deserialize, Serialize};
use serde_with::skip_serializing_none;
use std::fmt;

/// How far a reading is out of its limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Step {
    /// Something is to be done about it.
    Act,
    /// The machine is to be stopped until somebody competent has looked.
    Stop,
}

/// On which side of a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Below it.
    Below,
    /// Above it.
    Above,
}

/// The limit that a reading is beyond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Beyond {
    /// Which step.
    pub step: Step,
    /// On which side.
    pub side: Side,
    /// The limit, as it was declared when the reading was entered.
    pub limit: Value,
}

impl Beyond {
    /// The field that declares this limit.
    pub const fn field(self) -> &'static str {
        match (self.step, self.side) {
            (Step::Act, Side::Below) => "act_below",
            (Step::Act, Side::Above) => "act_above",
            (Step::Stop, Side::Below) => "stop_below",
            (Step::Stop, Side::Above) => "stop_above",
        }
    }

    /// `below its limit of 5 %`, `above its stop limit of 8 bar`.
    pub fn in_words(self, sign: &str) -> String {
        let side = match self.side {
            Side::Below => "below",
            Side::Above => "above",
        };
        let step = match self.step {
            Step::Act => "limit",
            Step::Stop => "stop limit",
        };
        format!("{side} its {step} of {}", with_sign(self.limit, sign))
    }
}

/// The limits of a test point. A value on a limit is still good; low limits alone look downward, high ones upward, both
/// make a band.
#[skip_serializing_none]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Limits {
    /// Below it the machine is to be stopped.
    pub stop_below: Option<Value>,
    /// Below it something is to be done.
    pub act_below: Option<Value>,
    /// Above it something is to be done.
    pub act_above: Option<Value>,
    /// Above it the machine is to be stopped.
    pub stop_above: Option<Value>,
}

impl Limits {
    /// Whether none is declared.
    pub fn is_none(&self) -> bool {
        *self == Limits::default()
    }

    /// The outermost limit that a value is beyond; none while it is good.
    pub fn beyond(&self, value: Value) -> Option<Beyond> {
        let below = |limit: Option<Value>, step| {
            limit.filter(|limit| value < *limit).map(|limit| Beyond { step, side: Side::Below, limit })
        };
        let above = |limit: Option<Value>, step| {
            limit.filter(|limit| value > *limit).map(|limit| Beyond { step, side: Side::Above, limit })
        };
        below(self.stop_below, Step::Stop)
            .or_else(|| above(self.stop_above, Step::Stop))
            .or_else(|| below(self.act_below, Step::Act))
            .or_else(|| above(self.act_above, Step::Act))
    }

    /// The limits from the lowest to the highest, each with its step and side.
    pub fn each(&self) -> impl Iterator<Item = Beyond> + use<> {
        let below = |limit: Option<Value>, step| limit.map(|limit| Beyond { step, side: Side::Below, limit });
        let above = |limit: Option<Value>, step| limit.map(|limit| Beyond { step, side: Side::Above, limit });
        let all = [
            below(self.stop_below, Step::Stop),
            below(self.act_below, Step::Act),
            above(self.act_above, Step::Act),
            above(self.stop_above, Step::Stop),
        ];
        all.into_iter().flatten()
    }

    /// What is wrong with the limits together: the field and the text.
    pub fn wrong(&self) -> Option<(&'static str, String)> {
        let Limits { stop_below, act_below, act_above, stop_above } = *self;
        let order = [
            ("stop_below", stop_below),
            ("act_below", act_below),
            ("act_above", act_above),
            ("stop_above", stop_above),
        ];
        let given: Vec<(&'static str, Value)> =
            order.into_iter().filter_map(|(name, limit)| Some((name, limit?))).collect();
        given.windows(2).find(|pair| pair[0].1 > pair[1].1).map(|pair| {
            let ((lower, low), (higher, high)) = (pair[0], pair[1]);
            (lower, format!("`{low}` is more than {higher}, `{high}`; {lower} is at most {higher}"))
        })
    }
}

impl fmt::Display for Limits {
    /// `act below 5.5, stop below 5, act above 7`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = [
            ("act below", self.act_below),
            ("stop below", self.stop_below),
            ("act above", self.act_above),
            ("stop above", self.stop_above),
        ];
        let words = words.iter().filter_map(|(words, limit)| Some(format!("{words} {}", (*limit)?)));
        f.write_str(&words.collect::<Vec<_>>().join(", "))
    }
}

/// What a test point can show at all, both ends included: a gauge's scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Possible {
    /// The lowest value.
    pub from: Value,
    /// The highest value.
    pub to: Value,
}

impl Possible {
    /// Whether a value can be.
    pub fn holds(&self, value: Value) -> bool {
        (self.from..=self.to).contains(&value)
    }
}

impl fmt::Display for Possible {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.from, self.to)
    }
}

/// Who may take readings at a test point.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Taker {
    /// Whoever walks the machine: the gauge is read from outside.
    #[default]
    Anyone,
    /// Only a licensed electrician, as for anything inside an electrical cabinet; the reading comes from their record.
    LicensedElectrician,
}

impl Taker {
    /// Whether anyone may.
    pub fn is_anyone(&self) -> bool {
        *self == Taker::Anyone
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Value {
        Value::parse(text).expect(text)
    }

    #[test]
    fn a_value_is_judged_by_the_outermost_limit_it_is_beyond() {
        let limits = Limits {
            stop_below: Some(value("5")),
            act_below: Some(value("5.5")),
            act_above: Some(value("7")),
            stop_above: None,
        };
        let judged = |text: &str| limits.beyond(value(text)).map(|beyond| beyond.in_words("bar"));
        assert_eq!(judged("5.5"), None);
        assert_eq!(judged("7"), None);
        assert_eq!(judged("5.49").as_deref(), Some("below its limit of 5.5 bar"));
        assert_eq!(judged("5").as_deref(), Some("below its limit of 5.5 bar"));
        assert_eq!(judged("4.9").as_deref(), Some("below its stop limit of 5 bar"));
        assert_eq!(judged("16").as_deref(), Some("above its limit of 7 bar"));
        assert_eq!(limits.to_string(), "act below 5.5, stop below 5, act above 7");
    }

    #[test]
    fn limits_out_of_order_are_told() {
        let crossed =
            Limits { act_below: Some(value("7")), act_above: Some(value("5")), ..Limits::default() };
        let (field, text) = crossed.wrong().expect("out of order");
        assert_eq!(
            (field, text.as_str()),
            ("act_below", "`7` is more than act_above, `5`; act_below is at most act_above")
        );
        assert_eq!(Limits::default().wrong(), None);
        assert!(Limits::default().is_none());
    }
}
