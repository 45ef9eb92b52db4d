//! What readings of a coolant and of its water mean. Where editions of a source disagree, the limits are a setting with
//! a version, and every edition is cited.

use crate::physics::measure::GRAIN;

/// Limits as one edition of a source states them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edition<L> {
    /// The name of the edition.
    pub version: &'static str,
    /// The source.
    pub source: &'static str,
    /// The limits.
    pub limits: L,
}

/// Bands of bacteria on a dip slide, in colony-forming units in a millilitre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DipSlideBands {
    /// Below it the coolant is in good order.
    pub good_below: f64,
    /// From it on, act at once.
    pub poor_from: f64,
}

/// The editions of the bands. They disagree on what is good.
pub const DIP_SLIDE: [Edition<DipSlideBands>; 2] = [
    Edition {
        version: "hse_current",
        source: "UK Health and Safety Executive, hse.gov.uk/metalworking/bacterial.htm, current page",
        limits: DipSlideBands { good_below: 1e4, poor_from: 1e6 },
    },
    Edition {
        version: "hse_2012",
        source: "UK Health and Safety Executive, the same page as of 2012",
        limits: DipSlideBands { good_below: 1e3, poor_from: 1e6 },
    },
];

/// Above it nitrite is watched weekly (TRGS 611, section 5.3), in mg/L. Exactly 10 is in neither of its clauses; here
/// it is in order.
pub(crate) const NITRITE_WATCH_MG_L: f64 = 10.0;
/// Above it something must be done (TRGS 611, section 5.3), in mg/L.
pub(crate) const NITRITE_ACT_MG_L: f64 = 20.0;
/// The most nitrate of the water for mixing (TRGS 611, section 5.2), in mg/L.
const NITRATE_MG_L: f64 = 50.0;
/// From a fall of the pH by more than it on, the supplier's measures (DGUV Regel 109-003, annex 3).
pub(crate) const PH_MEASURES: f64 = 0.5;
/// From a fall by more than it on, change and clean (from memory).
pub(crate) const PH_CHANGE: f64 = 1.0;
/// How far the strength may be off, in percentage points, where the supplier states nothing (common practice, no
/// source).
pub const STRENGTH_BAND_POINTS: f64 = 1.0;

/// A reading to be judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// Nitrite in the sump, in mg/L.
    Nitrite(f64),
    /// Nitrate in the water for mixing, in mg/L.
    NitrateOfWater(f64),
    /// Colony-forming units in a millilitre, by the bands of an edition.
    DipSlide(Edition<DipSlideBands>, f64),
    /// The pH now and at the first fill.
    Ph {
        /// Now.
        now: f64,
        /// At the first fill.
        first_fill: f64,
    },
    /// The strength now and as it should be, in per cent.
    Strength {
        /// Now.
        now: f64,
        /// As it should be.
        wanted: f64,
    },
}

/// What a reading means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// In order.
    Ok,
    /// Look every week.
    WeeklyWatch,
    /// Change, change a part, or add an inhibitor.
    ChangeOrInhibit,
    /// Blend with better water, or take other water.
    BlendWater,
    /// Few bacteria.
    Good,
    /// Look into it and correct.
    Review,
    /// Act at once.
    ActNow,
    /// What the supplier says to do.
    SupplierMeasures,
    /// Change and clean.
    ChangeAndClean,
    /// Too high.
    High,
    /// Too low.
    Low,
}

impl Verdict {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Verdict::Ok => "ok",
            Verdict::WeeklyWatch => "weekly_watch",
            Verdict::ChangeOrInhibit => "act_change_part_change_or_inhibitor",
            Verdict::BlendWater => "blend_or_change_water",
            Verdict::Good => "good",
            Verdict::Review => "reasonable_review",
            Verdict::ActNow => "poor_act_now",
            Verdict::SupplierMeasures => "supplier_measures",
            Verdict::ChangeAndClean => "change_and_clean",
            Verdict::High => "high",
            Verdict::Low => "low",
        }
    }
}

/// What a reading means.
pub fn judge(reading: &Reading) -> Verdict {
    match *reading {
        Reading::Nitrite(mg_l) => match mg_l {
            _ if exceeds(mg_l, NITRITE_ACT_MG_L) => Verdict::ChangeOrInhibit,
            _ if exceeds(mg_l, NITRITE_WATCH_MG_L) => Verdict::WeeklyWatch,
            _ => Verdict::Ok,
        },
        Reading::NitrateOfWater(mg_l) if exceeds(mg_l, NITRATE_MG_L) => Verdict::BlendWater,
        Reading::DipSlide(Edition { limits, .. }, cfu_ml) => match cfu_ml {
            _ if cfu_ml >= limits.poor_from => Verdict::ActNow,
            _ if cfu_ml >= limits.good_below => Verdict::Review,
            _ => Verdict::Good,
        },
        Reading::Ph { now, first_fill } => match first_fill - now {
            fall if exceeds(fall, PH_CHANGE) => Verdict::ChangeAndClean,
            fall if exceeds(fall, PH_MEASURES) => Verdict::SupplierMeasures,
            _ => Verdict::Ok,
        },
        Reading::Strength { now, wanted } if exceeds(now - wanted, STRENGTH_BAND_POINTS) => Verdict::High,
        Reading::Strength { now, wanted } if exceeds(wanted - now, STRENGTH_BAND_POINTS) => Verdict::Low,
        Reading::NitrateOfWater(_) | Reading::Strength { .. } => Verdict::Ok,
    }
}

/// Whether a value is more than a limit; a difference of decimal fractions that equals it but for its last bits is not.
fn exceeds(value: f64, limit: f64) -> bool {
    value > limit + GRAIN
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_itself_is_not_beyond_it() {
        // 9.3 - 8.3 and 8.3 - 7.3 are a little more than 1 in binary.
        assert_eq!(judge(&Reading::Ph { now: 8.3, first_fill: 9.3 }), Verdict::SupplierMeasures);
        assert_eq!(judge(&Reading::Strength { now: 8.3, wanted: 7.3 }), Verdict::Ok);
        assert_eq!(judge(&Reading::Strength { now: 7.3, wanted: 8.4 }), Verdict::Low);
        assert_eq!(judge(&Reading::Ph { now: 9.5, first_fill: 9.0 }), Verdict::Ok);
        assert_eq!(judge(&Reading::Nitrite(20.0)), Verdict::WeeklyWatch);
    }

    #[test]
    fn the_editions_of_the_dip_slide_disagree_between_a_thousand_and_ten_thousand() {
        let said = |cfu_ml| DIP_SLIDE.map(|edition| judge(&Reading::DipSlide(edition, cfu_ml)));
        assert_eq!(said(999.0), [Verdict::Good, Verdict::Good]);
        assert_eq!(said(5_000.0), [Verdict::Good, Verdict::Review]);
        assert_eq!(said(1e4), [Verdict::Review, Verdict::Review]);
    }
}
