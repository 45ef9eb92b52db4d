//! Flows of air between the states in which they are stated. An ideal gas; the error is below 1 % up to 16 bar.

use super::measure::{AbsolutePressure, FreeAir, GaugePressure, LineFlow, NormalFlow, Span, Temperature};
use super::moist_air::{FREE_AIR_K, FREE_AIR_PA};

/// One pound-force on a square inch, in bar (exact by the definitions of pound, inch and standard gravity).
pub const BAR_PER_PSI: f64 = 0.068_947_572_931_68;
/// One cubic foot in litres (exact by the definition of the inch).
pub const LITRES_PER_CUBIC_FOOT: f64 = 28.316_846_592;
/// The standard atmosphere in Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// 0 °C, the temperature of DIN 1343, in kelvin.
const NORMAL_K: f64 = 273.15;
/// 60 °F in kelvin.
const SIXTY_FAHRENHEIT_K: f64 = (60.0 + 459.67) / 1.8;

/// Where the ideal gas holds to 1 %.
pub const PRESSURE_SPAN: Span = Span { of: "line pressure", low: 0.0, high: 16.0, unit: "bar(abs)" };

/// A pressure in pounds on a square inch against the ambient.
pub fn psi(pressure: GaugePressure) -> f64 {
    pressure.to_bar() / BAR_PER_PSI
}

/// What a flow of free air is in the line.
///
/// Free air is not the line's own flow, and neither is a normal flow:
///
/// ```compile_fail
/// use fettler_domain::physics::flow::{line_flow, normal_flow};
/// use fettler_domain::physics::measure::{AbsolutePressure, FreeAir, Temperature};
/// let normal = normal_flow(FreeAir::l_min(36.0)?);
/// line_flow(normal, AbsolutePressure::bar(7.0)?, Temperature::celsius(20.0)?);
/// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
/// ```
pub fn line_flow(flow: FreeAir, line: AbsolutePressure, temperature: Temperature) -> LineFlow {
    let squeezed = FREE_AIR_PA / line.to_pascal();
    LineFlow(flow.to_l_min() * squeezed * temperature.to_kelvin() / FREE_AIR_K)
}

/// What a flow of free air is at 0 °C and 1.01325 bar (DIN 1343), its moisture not taken out.
pub fn normal_flow(flow: FreeAir) -> NormalFlow {
    NormalFlow(flow.to_l_min() * FREE_AIR_PA / ATMOSPHERE_PA * NORMAL_K / FREE_AIR_K)
}

/// What a flow of free air is in cubic metres an hour of free air.
pub fn cubic_metres_h(flow: FreeAir) -> f64 {
    flow.to_l_min() * 0.06
}

/// What a flow of free air is in cubic feet a minute at 60 °F and 1.01325 bar. Other standard states of a cubic foot
/// are in use; say which one is meant.
pub fn cubic_feet_min_60f(flow: FreeAir) -> f64 {
    let litres = flow.to_l_min() * FREE_AIR_PA / ATMOSPHERE_PA * SIXTY_FAHRENHEIT_K / FREE_AIR_K;
    litres / LITRES_PER_CUBIC_FOOT
}
