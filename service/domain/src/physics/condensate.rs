//! The water that a condensate bowl collects, and that a compressor's intake brings in.

use super::measure::{
    AbsolutePressure, FreeAir, Hours, Impossible, IntakeFlow, Outside, RelativeHumidity, Span, Temperature,
    Volume,
};
use super::{flow, moist_air};

/// The density of water at 20 °C in g/mL (from memory).
const WATER_G_ML: f64 = 0.9982;

/// Temperatures for which the balance was held against a real-gas library: the condensate differs by 4 % at most.
pub const TEMPERATURE_SPAN: Span = Span { of: "temperature", low: 0.0, high: 60.0, unit: "°C" };
/// The same for pressures.
pub const PRESSURE_SPAN: Span = Span { of: "line pressure", low: 2.0, high: 14.0, unit: "bar(abs)" };

/// A bowl at a filter or regulator, and the air that reaches it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bowl {
    /// The air that flows through.
    pub flow: FreeAir,
    /// The temperature at which water would begin to drop from the air as it arrives.
    pub dew_point: Temperature,
    /// The pressure at which that dew point is stated: the line's own, or one before a regulator.
    pub dew_point_at: AbsolutePressure,
    /// The pressure in the bowl.
    pub pressure: AbsolutePressure,
    /// The temperature in the bowl; the air leaves saturated at it.
    pub temperature: Temperature,
    /// What the bowl holds up to its mark.
    pub volume: Volume,
}

/// What a bowl collects.
#[derive(Clone, Debug, PartialEq)]
pub struct Condensate {
    /// The dry air in the flow, in kg/h.
    pub dry_air_kg_h: f64,
    /// The water that comes with each kilogram of dry air, in g/kg.
    pub arriving_g_kg: f64,
    /// The water that can leave with it, in g/kg.
    pub leaving_g_kg: f64,
    /// What drops into the bowl, in g/h; nothing where the air could take up more than it brings.
    pub condensate_g_h: f64,
    /// The same in mL/h.
    pub condensate_ml_h: f64,
    /// The shop's shortcut for it, in g/h: line volume times the difference of two saturated densities. It leaves out
    /// the vapour's own volume and comes out 4 to 12 % low.
    pub shortcut_g_h: f64,
    /// In how many hours of flow the bowl is full; nothing where it never fills.
    pub full_in: Option<Hours>,
    /// Where the balance was not checked.
    pub outside: Vec<Outside>,
}

/// The water that drops into a bowl: dry air times the water it brings and cannot keep.
///
/// A regulator between the stated dew point and the bowl changes nothing in the water that each kilogram of air brings.
pub fn bowl(bowl: &Bowl) -> Result<Condensate, Impossible> {
    let dry_air_kg_h = moist_air::dry_air_of_free_air_kg_h(bowl.flow)?;
    let arriving = moist_air::saturated_ratio(bowl.dew_point, bowl.dew_point_at)?;
    let leaving = moist_air::saturated_ratio(bowl.temperature, bowl.pressure)?;
    let condensate_g_h = 1000.0 * dry_air_kg_h * (arriving - leaving).max(0.0);
    let condensate_ml_h = condensate_g_h / WATER_G_ML;
    let full_in = (condensate_ml_h > 0.0).then(|| Hours(bowl.volume.to_millilitres() / condensate_ml_h));
    Ok(Condensate {
        dry_air_kg_h,
        arriving_g_kg: 1000.0 * arriving,
        leaving_g_kg: 1000.0 * leaving,
        condensate_g_h,
        condensate_ml_h,
        shortcut_g_h: shortcut_g_h(bowl)?,
        full_in,
        outside: outside(&[bowl.dew_point, bowl.temperature], bowl.pressure),
    })
}

fn shortcut_g_h(bowl: &Bowl) -> Result<f64, Impossible> {
    let line = flow::line_flow(bowl.flow, bowl.pressure, bowl.temperature);
    let density = |t| Ok::<_, Impossible>(moist_air::vapour_density_g_m3(moist_air::saturation_pa(t)?, t));
    let difference = density(bowl.dew_point)? - density(bowl.temperature)?;
    Ok(line.to_l_min() * 0.06 * difference.max(0.0))
}

fn outside(temperatures: &[Temperature], pressure: AbsolutePressure) -> Vec<Outside> {
    let temperatures = temperatures.iter().filter_map(|t| TEMPERATURE_SPAN.outside(t.to_celsius()));
    temperatures.chain(PRESSURE_SPAN.outside(pressure.to_bar())).collect()
}

/// A compressor's intake, and the line behind its cooler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Intake {
    /// What it delivers, counted at the state of its intake.
    pub flow: IntakeFlow,
    /// The ambient pressure.
    pub ambient: AbsolutePressure,
    /// The ambient temperature.
    pub temperature: Temperature,
    /// The ambient humidity.
    pub humidity: RelativeHumidity,
    /// The pressure of the line.
    pub line: AbsolutePressure,
    /// The temperature to which the compressed air is cooled.
    pub cooled_to: Temperature,
}

/// What an intake brings in and what becomes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct IntakeWater {
    /// The dry air in the flow, in kg/h.
    pub dry_air_kg_h: f64,
    /// The water that comes with each kilogram of dry air, in g/kg.
    pub ambient_g_kg: f64,
    /// The water that the line can carry at most, in g/kg.
    pub line_g_kg: f64,
    /// What drains, in g/h.
    pub condensate_g_h: f64,
    /// What goes on as vapour, in g/h.
    pub vapour_g_h: f64,
    /// Where the balance was not checked.
    pub outside: Vec<Outside>,
}

/// The water that drains between a compressor's intake and its cooled line.
pub fn intake(intake: &Intake) -> Result<IntakeWater, Impossible> {
    let ambient_pa = intake.ambient.to_pascal();
    let flow_l_min = intake.flow.to_l_min();
    let dry_air_kg_h = moist_air::dry_air_kg_h(flow_l_min, ambient_pa, intake.temperature, intake.humidity)?;
    let vapour_pa = intake.humidity.to_fraction() * moist_air::saturation_pa(intake.temperature)?;
    let ambient = moist_air::water_ratio(vapour_pa, intake.ambient)?;
    let line = moist_air::saturated_ratio(intake.cooled_to, intake.line)?;
    let condensate_g_h = 1000.0 * dry_air_kg_h * (ambient - line).max(0.0);
    Ok(IntakeWater {
        dry_air_kg_h,
        ambient_g_kg: 1000.0 * ambient,
        line_g_kg: 1000.0 * line,
        condensate_g_h,
        vapour_g_h: 1000.0 * dry_air_kg_h * ambient - condensate_g_h,
        outside: outside(&[intake.temperature, intake.cooled_to], intake.line),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::measure::{GaugePressure, STANDARD_AMBIENT};

    fn line(bar: f64) -> AbsolutePressure {
        GaugePressure::bar(bar).expect("a pressure").absolute(STANDARD_AMBIENT).expect("a pressure")
    }

    fn celsius(value: f64) -> Temperature {
        Temperature::celsius(value).expect("a temperature")
    }

    fn plain() -> Bowl {
        Bowl {
            flow: FreeAir::l_min(36.0).expect("a flow"),
            dew_point: celsius(30.0),
            dew_point_at: line(6.0),
            pressure: line(6.0),
            temperature: celsius(20.0),
            volume: Volume::millilitres(30.0).expect("a volume"),
        }
    }

    #[test]
    fn behind_a_regulator_a_bowl_collects_less() {
        let before = bowl(&plain()).expect("a balance");
        let after = bowl(&Bowl { pressure: line(4.0), ..plain() }).expect("a balance");
        assert!((before.arriving_g_kg - after.arriving_g_kg).abs() < 1e-12);
        assert!(after.condensate_g_h < before.condensate_g_h && after.condensate_g_h > 0.0);
        // Air that has left its water in a bowl before the regulator brings none to the one behind it.
        let dry = Bowl { dew_point: celsius(20.0), pressure: line(4.0), ..plain() };
        assert_eq!(bowl(&dry).expect("a balance").full_in, None);
    }

    #[test]
    fn a_dryer_dew_point_fills_no_bowl_and_frost_is_told_as_unchecked() {
        let dry = bowl(&Bowl { dew_point: celsius(-20.0), ..plain() }).expect("a balance");
        assert!(dry.condensate_g_h == 0.0 && dry.full_in.is_none());
        assert_eq!(dry.outside.len(), 1);
        let boiling = Bowl { dew_point: celsius(190.0), ..plain() };
        assert!(bowl(&boiling).is_err());
    }
}
