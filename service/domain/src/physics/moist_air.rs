//! Water in air: what air can hold, and what it carries along.

use super::measure::{AbsolutePressure, FreeAir, Impossible, Outside, RelativeHumidity, Span, Temperature};

/// The gas constant of dry air in J/(kg K) (ASHRAE Fundamentals, chapter 1).
pub const R_DRY_AIR: f64 = 287.042;
/// The gas constant of water vapour in J/(kg K) (ASHRAE Fundamentals, chapter 1).
pub const R_VAPOUR: f64 = 461.526;
/// How heavy a molecule of water is against one of dry air (ASHRAE Fundamentals, chapter 1).
const VAPOUR_TO_DRY: f64 = 0.621_945;
/// The triple point of water in °C; below it the vapour stands over ice.
const TRIPLE_POINT_C: f64 = 0.01;

/// Free air after ISO 8778: 20 °C, 100 kPa, 65 % (from memory; that the standard states it is certain).
pub(crate) const FREE_AIR_K: f64 = 293.15;
/// The pressure of free air in Pa.
pub(crate) const FREE_AIR_PA: f64 = 100_000.0;
const FREE_AIR_C: Temperature = Temperature(20.0);
const FREE_AIR_HUMIDITY: RelativeHumidity = RelativeHumidity(0.65);

/// Where the saturation pressure of Hyland and Wexler holds.
pub const SATURATION_SPAN: Span = Span { of: "temperature", low: -100.0, high: 200.0, unit: "°C" };
/// Where the short formula of Magnus stays within 0.4 % of it.
pub const MAGNUS_SPAN: Span =
    Span { of: "temperature for the Magnus formula", low: -70.0, high: 60.0, unit: "°C" };

/// What the vapour stands over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Below 0.01 °C.
    Ice,
    /// From 0.01 °C on.
    Water,
}

/// Air that can hold no more water.
#[derive(Clone, Debug, PartialEq)]
pub struct Saturation {
    /// The pressure of the vapour in Pa, after Hyland and Wexler.
    pub pressure_pa: f64,
    /// The same after Magnus, which a pocket calculator can follow.
    pub magnus_pa: f64,
    /// The vapour in a cubic metre of air, in g/m³.
    pub density_g_m3: f64,
    /// What the vapour stands over.
    pub phase: Phase,
    /// Where a formula was not checked.
    pub outside: Vec<Outside>,
}

/// What air of this temperature can hold. Below -100 °C and above 200 °C there is no formula.
pub fn saturation(temperature: Temperature) -> Result<Saturation, Impossible> {
    let pressure_pa = saturation_pa(temperature)?;
    Ok(Saturation {
        pressure_pa,
        magnus_pa: magnus_pa(temperature),
        density_g_m3: vapour_density_g_m3(pressure_pa, temperature),
        phase: phase(temperature),
        outside: MAGNUS_SPAN.outside(temperature.to_celsius()).into_iter().collect(),
    })
}

fn phase(temperature: Temperature) -> Phase {
    if temperature.to_celsius() < TRIPLE_POINT_C { Phase::Ice } else { Phase::Water }
}

/// The saturation pressure in Pa: Hyland and Wexler 1983, as in ASHRAE Fundamentals, chapter 1, equations 5 and 6.
pub(crate) fn saturation_pa(temperature: Temperature) -> Result<f64, Impossible> {
    if let Some(outside) = SATURATION_SPAN.outside(temperature.to_celsius()) {
        return Err(Impossible(format!("{outside}; beyond it there is no saturation pressure to tell")));
    }
    let t = temperature.to_kelvin();
    let ln = match phase(temperature) {
        Phase::Ice => {
            -5.674_535_9e3 / t + 6.392_524_7 - 9.677_843e-3 * t
                + 6.221_570_1e-7 * t.powi(2)
                + 2.074_782_5e-9 * t.powi(3)
                - 9.484_024e-13 * t.powi(4)
                + 4.163_501_9 * t.ln()
        }
        Phase::Water => {
            -5.800_220_6e3 / t + 1.391_499_3 - 4.864_023_9e-2 * t + 4.176_476_8e-5 * t.powi(2)
                - 1.445_209_3e-8 * t.powi(3)
                + 6.545_967_3 * t.ln()
        }
    };
    Ok(ln.exp())
}

/// Magnus over water and over ice, in Pa (coefficients from memory; checked against Hyland and Wexler in the tests).
fn magnus_pa(temperature: Temperature) -> f64 {
    let t = temperature.to_celsius();
    match phase(temperature) {
        Phase::Ice => 611.2 * (22.46 * t / (272.62 + t)).exp(),
        Phase::Water => 611.2 * (17.62 * t / (243.12 + t)).exp(),
    }
}

/// The density of vapour, taken as an ideal gas, in g/m³.
pub(crate) fn vapour_density_g_m3(vapour_pa: f64, temperature: Temperature) -> f64 {
    1000.0 * vapour_pa / (R_VAPOUR * temperature.to_kelvin())
}

/// Kilograms of water that go with each kilogram of dry air, where the vapour has this pressure.
pub(crate) fn water_ratio(vapour_pa: f64, pressure: AbsolutePressure) -> Result<f64, Impossible> {
    let dry_pa = pressure.to_pascal() - vapour_pa;
    if dry_pa <= 0.0 {
        return Err(Impossible(format!(
            "water boils at {} bar(abs) and that temperature; give a higher pressure or a lower temperature",
            pressure.to_bar()
        )));
    }
    Ok(VAPOUR_TO_DRY * vapour_pa / dry_pa)
}

/// The same for saturated air.
pub(crate) fn saturated_ratio(
    temperature: Temperature,
    pressure: AbsolutePressure,
) -> Result<f64, Impossible> {
    water_ratio(saturation_pa(temperature)?, pressure)
}

/// The dry air in a flow of moist air of a known state, in kg/h: litres a minute times 0.06 are cubic metres an hour.
pub(crate) fn dry_air_kg_h(
    flow_l_min: f64,
    pressure_pa: f64,
    temperature: Temperature,
    humidity: RelativeHumidity,
) -> Result<f64, Impossible> {
    let dry_pa = pressure_pa - humidity.to_fraction() * saturation_pa(temperature)?;
    if dry_pa <= 0.0 {
        return Err(Impossible("the vapour alone would have more than the whole pressure".into()));
    }
    Ok(flow_l_min * 0.06 * dry_pa / (R_DRY_AIR * temperature.to_kelvin()))
}

/// The dry air in a flow of free air, in kg/h.
pub(crate) fn dry_air_of_free_air_kg_h(flow: FreeAir) -> Result<f64, Impossible> {
    dry_air_kg_h(flow.to_l_min(), FREE_AIR_PA, FREE_AIR_C, FREE_AIR_HUMIDITY)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(celsius: f64) -> Saturation {
        saturation(Temperature::celsius(celsius).expect("a temperature")).expect("a formula")
    }

    /// The figure that the tables of the trade print for 20 °C, and IAPWS-95 at 100 °C (from memory: 101418 Pa).
    #[test]
    fn known_points() {
        assert!((at(20.0).density_g_m3 / 17.3 - 1.0).abs() < 0.005);
        assert!((at(100.0).pressure_pa / 101_418.0 - 1.0).abs() < 0.001);
        assert_eq!((at(0.0).phase, at(0.01).phase), (Phase::Ice, Phase::Water));
    }

    #[test]
    fn the_two_formulas_agree_where_both_hold() {
        for tenths in -700..=600 {
            let both = at(f64::from(tenths) / 10.0);
            assert!((both.magnus_pa / both.pressure_pa - 1.0).abs() < 0.004, "{tenths}");
            assert!(both.outside.is_empty());
        }
        assert_eq!(at(61.0).outside.len(), 1);
        assert!(saturation(Temperature::celsius(-101.0).expect("cold")).is_err());
    }

    #[test]
    fn air_that_boils_has_no_ratio() {
        let thin = AbsolutePressure::bar(0.5).expect("a pressure");
        assert!(saturated_ratio(Temperature::celsius(90.0).expect("hot"), thin).is_err());
    }
}
