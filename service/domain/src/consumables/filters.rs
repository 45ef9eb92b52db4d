//! When the element of a compressed-air filter is to be changed. Sources disagree, so the limits are a setting with a
//! version, and every edition is cited.

use super::limits::Edition;
use crate::physics::measure::Hours;

/// The least share of its rated flow at which a pressure drop tells anything (common practice, no source).
const FLOW_SHARE_MIN: f64 = 0.5;

/// When to change a coalescing or particulate element.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChangeLimits {
    /// At this pressure drop at rated flow, in bar.
    pub drop_bar: f64,
    /// After so many months, however low the drop is.
    pub months: f64,
    /// After so many hours, where the source states them.
    pub hours: Option<Hours>,
}

/// The editions of the limits.
pub const CHANGE: [Edition<ChangeLimits>; 2] = [
    Edition {
        version: "supplier_low_drop",
        source: "common practice, no source: 0.42 bar (6 psi), 12 months",
        limits: ChangeLimits { drop_bar: 0.42, months: 12.0, hours: None },
    },
    Edition {
        version: "supplier_high_drop",
        source: "common practice, no source: 0.5 to 0.7 bar, here its upper end; 12 months or 8,000 h",
        limits: ChangeLimits { drop_bar: 0.7, months: 12.0, hours: Some(Hours(8_000.0)) },
    },
];

/// Why an element is to be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Its pressure drop is as high as it may be.
    Drop,
    /// It is old enough.
    Age,
    /// It has run long enough.
    Run,
}

/// A pressure drop as it would be at rated flow: it grows with the square of the flow (fluid power handbooks). Below
/// half of the rated flow it tells nothing.
pub fn drop_at_rated_flow_bar(drop_bar: f64, flow_share: f64) -> Option<f64> {
    (flow_share >= FLOW_SHARE_MIN).then(|| drop_bar / (flow_share * flow_share))
}

/// The first reason by which an element is to be changed; none while it may stay.
pub fn change(limits: &ChangeLimits, drop_bar: Option<f64>, months: f64, run: Hours) -> Option<Change> {
    if drop_bar.is_some_and(|drop| drop >= limits.drop_bar) {
        return Some(Change::Drop);
    }
    if months >= limits.months {
        return Some(Change::Age);
    }
    limits.hours.is_some_and(|hours| run >= hours).then_some(Change::Run)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_editions_disagree_on_the_drop_and_on_the_run() {
        let said = |drop, months, hours| {
            CHANGE.map(|edition| change(&edition.limits, Some(drop), months, Hours(hours)))
        };
        assert_eq!(said(0.5, 3.0, 1_000.0), [Some(Change::Drop), None]);
        assert_eq!(said(0.7, 3.0, 1_000.0), [Some(Change::Drop), Some(Change::Drop)]);
        assert_eq!(said(0.1, 11.0, 8_000.0), [None, Some(Change::Run)]);
        assert_eq!(said(0.1, 12.0, 0.0), [Some(Change::Age), Some(Change::Age)]);
    }

    #[test]
    fn a_drop_is_compared_at_rated_flow() {
        assert_eq!(drop_at_rated_flow_bar(0.1, 0.5), Some(0.4));
        assert_eq!(drop_at_rated_flow_bar(0.1, 0.4), None);
        let unknown = change(&CHANGE[0].limits, None, 1.0, Hours(1.0));
        assert_eq!(unknown, None);
    }
}
