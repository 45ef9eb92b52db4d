//! Grease for a rolling bearing: how much, and how often.

use crate::physics::measure::{Hours, Length, Outside, Span, Speed, Temperature};

/// Temperatures within which the factor for the temperature is printed by bearing guides.
pub const TEMPERATURE_SPAN: Span = Span { of: "bearing temperature", low: 40.0, high: 120.0, unit: "°C" };

/// The kind of a bearing, as far as its grease goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bearing {
    /// Deep-groove ball.
    DeepGrooveBall,
    /// Cylindrical roller or needle.
    CylindricalRoller,
    /// Spherical roller, taper roller or thrust.
    SphericalOrTaperRoller,
}

impl Bearing {
    /// Every kind.
    pub const ALL: [Bearing; 3] =
        [Bearing::DeepGrooveBall, Bearing::CylindricalRoller, Bearing::SphericalOrTaperRoller];

    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Bearing::DeepGrooveBall => "deep_groove_ball",
            Bearing::CylindricalRoller => "cylindrical_roller",
            Bearing::SphericalOrTaperRoller => "spherical_or_taper_roller",
        }
    }

    /// K of the interval.
    const fn factor(self) -> f64 {
        match self {
            Bearing::DeepGrooveBall => 10.0,
            Bearing::CylindricalRoller => 5.0,
            Bearing::SphericalOrTaperRoller => 1.0,
        }
    }
}

/// A bearing at work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Greased {
    /// Its kind.
    pub bearing: Bearing,
    /// The diameter of its bore.
    pub bore: Length,
    /// Its outside diameter.
    pub outside: Length,
    /// Its width.
    pub width: Length,
    /// How fast it turns.
    pub speed: Speed,
    /// How warm it is.
    pub temperature: Temperature,
}

/// How to grease a bearing.
#[derive(Clone, Debug, PartialEq)]
pub struct Greasing {
    /// The quantity to add, in g.
    pub quantity_g: f64,
    /// The interval at 70 °C by the formula, in h; below 0 it does not hold for so large and fast a bearing.
    pub at_70_h: f64,
    /// The factor for the temperature: halved for each 15 K above 70 °C, at most doubled below.
    pub temperature_factor: f64,
    /// The interval; 0 where the formula does not hold, and grease must come without a pause.
    pub interval: Hours,
    /// Where the factor was not checked.
    pub outside_span: Vec<Outside>,
}

/// Quantity and interval of a bearing's grease.
pub fn greasing(greased: &Greased) -> Greasing {
    let bore = greased.bore.to_mm();
    let at_70_h = greased.bearing.factor() * (14e6 / (greased.speed.to_rpm() * bore.sqrt()) - 4.0 * bore);
    let temperature_factor = 2_f64.powf((70.0 - greased.temperature.to_celsius()) / 15.0).min(2.0);
    Greasing {
        quantity_g: 0.005 * greased.outside.to_mm() * greased.width.to_mm(),
        at_70_h,
        temperature_factor,
        interval: Hours(at_70_h.max(0.0) * temperature_factor),
        outside_span: TEMPERATURE_SPAN.outside(greased.temperature.to_celsius()).into_iter().collect(),
    }
}
