//! What clauses state of compressed air: a filter element, and the flow of a machine that idles.

use super::{ModelError, wrong};
use crate::consumables::filters::{CHANGE, ChangeLimits};
use crate::consumables::limits::Edition;
use crate::reading::Value;
use crate::text::Key;
use serde::{Deserialize, Serialize};

/// The most months after which an element is changed at the latest.
pub const MONTHS_MAX: u32 = 120;

/// The element of a filter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Element<M> {
    /// The meter whose hours air flows through.
    pub meter: M,
    /// The test point at which its pressure drop is read.
    pub point: Key,
    /// The test point at which the flow is read with it; none where it is always read at rated flow.
    pub flow_point: Option<Key>,
    /// The rated flow, in the unit in which flows of that kind are kept, L/min.
    pub rated: Option<Value>,
    /// At which drop at rated flow it is changed, in bar; none takes the edition's.
    pub change_at: Option<Value>,
    /// After how many months it is changed at the latest; none takes the edition's.
    pub months: Option<u32>,
    /// After how many hours it is changed at the latest; none takes the edition's, where it has any.
    pub hours: Option<Value>,
    /// The edition of the limits.
    pub edition: String,
}

/// The flow of a machine that idles.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IdleAir {
    /// The test point at which it is read.
    pub point: Key,
    /// What it should be, in L/min; none takes it from the first readings since the last closing.
    pub baseline: Option<Value>,
}

impl<M> Element<M> {
    /// Its edition of the limits; the first where it is not stated.
    pub fn limits(&self) -> Option<&'static Edition<ChangeLimits>> {
        let is_meant = |of: &&Edition<ChangeLimits>| self.edition.is_empty() || of.version == self.edition;
        CHANGE.iter().find(is_meant)
    }

    /// The drop at rated flow at which it is changed, in bar.
    pub fn change_bar(&self) -> f64 {
        let of_edition = self.limits().map_or(f64::MAX, |edition| edition.limits.drop_bar);
        self.change_at.map_or(of_edition, Value::to_f64)
    }

    pub(super) fn check(&self) -> Result<(), ModelError> {
        if self.limits().is_none() {
            let known: Vec<&str> = CHANGE.iter().map(|edition| edition.version).collect();
            let text = format!("`{}` is no edition of the limits; give {}", self.edition, known.join(" or "));
            return Err(wrong("limits")(text));
        }
        if self.flow_point.is_some() != self.rated.is_some() {
            let text = "a flow is compared with the rated one; give flow_point and rated_flow_l_min together";
            return Err(wrong("rated_flow_l_min")(text.to_owned()));
        }
        let positive = [
            ("rated_flow_l_min", self.rated),
            ("change_at_bar", self.change_at),
            ("change_after_h", self.hours),
        ];
        for (field, value) in positive {
            if let Some(value) = value.filter(|value| value.0 <= 0) {
                return Err(wrong(field)(format!("`{value}` is not possible; give more than 0")));
            }
        }
        if let Some(months) = self.months.filter(|months| !(1..=MONTHS_MAX).contains(months)) {
            let text = format!("`{months}` is out of bounds; give 1 to {MONTHS_MAX} months");
            return Err(wrong("change_after_months")(text));
        }
        Ok(())
    }
}

impl IdleAir {
    pub(super) fn check(&self) -> Result<(), ModelError> {
        if let Some(baseline) = self.baseline.filter(|baseline| baseline.0 <= 0) {
            return Err(wrong("baseline_l_min")(format!("`{baseline}` L/min is no flow; give more than 0")));
        }
        Ok(())
    }
}
