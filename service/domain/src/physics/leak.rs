//! What a leak lets out and costs, and the two tests that measure the leaks of a whole system.

use super::measure::{
    AbsolutePressure, FreeAir, GaugePressure, Hours, Impossible, Length, Outside, Seconds, Span, Temperature,
    Volume,
};
use super::moist_air::{FREE_AIR_K, FREE_AIR_PA, R_DRY_AIR};

/// The ratio of specific heats of air.
const GAMMA: f64 = 1.4;

/// Up to where a real gas was seen to differ by 0.54 % at most.
pub const PRESSURE_SPAN: Span = Span { of: "line pressure", low: 0.0, high: 10.0, unit: "bar(g)" };

/// How the air leaves a hole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Regime {
    /// At the speed of sound: the pressure behind the hole no longer matters.
    Choked,
    /// Slower than sound.
    Subsonic,
}

/// A hole in a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hole {
    /// Its diameter.
    pub diameter: Length,
    /// The pressure before it.
    pub line: GaugePressure,
    /// The pressure behind it.
    pub ambient: AbsolutePressure,
    /// The temperature of the line.
    pub temperature: Temperature,
    /// How well the air finds through, 0 to 1: 0.61 to 0.65 for sharp edges, 0.97 for rounded ones.
    pub coefficient: f64,
}

/// What goes out through a hole.
#[derive(Clone, Debug, PartialEq)]
pub struct Leak {
    /// How it leaves.
    pub regime: Regime,
    /// In kg/h.
    pub mass_kg_h: f64,
    /// As free air.
    pub flow: FreeAir,
    /// Where the formula was not checked.
    pub outside: Vec<Outside>,
}

/// The density of dry air at 20 °C and 100 kPa, in kg/m³.
fn free_air_kg_m3() -> f64 {
    FREE_AIR_PA / (R_DRY_AIR * FREE_AIR_K)
}

/// The outflow of an ideal gas through an orifice (Saint-Venant and Wantzel; choked from the critical ratio on).
pub fn leak(hole: &Hole) -> Result<Leak, Impossible> {
    let line = hole.line.absolute(hole.ambient)?;
    if line < hole.ambient {
        return Err(Impossible(format!(
            "`{}` bar(g) is below the ambient, so nothing leaks out; give 0 or more",
            hole.line.to_bar()
        )));
    }
    let ratio = hole.ambient.to_bar() / line.to_bar();
    let critical = (2.0 / (GAMMA + 1.0)).powf(GAMMA / (GAMMA - 1.0));
    let t = hole.temperature.to_kelvin();
    let (regime, kg_s_m2_pa) = if ratio <= critical {
        (Regime::Choked, (GAMMA / (R_DRY_AIR * t)).sqrt() * (2.0 / (GAMMA + 1.0)).powi(3))
    } else {
        let driven = ratio.powf(2.0 / GAMMA) - ratio.powf((GAMMA + 1.0) / GAMMA);
        (Regime::Subsonic, (2.0 * GAMMA / (R_DRY_AIR * t * (GAMMA - 1.0)) * driven.max(0.0)).sqrt())
    };
    let area_m2 = std::f64::consts::PI / 4.0 * (hole.diameter.to_mm() / 1000.0).powi(2);
    let kg_s = hole.coefficient * area_m2 * line.to_pascal() * kg_s_m2_pa;
    Ok(Leak {
        regime,
        mass_kg_h: kg_s * 3600.0,
        flow: FreeAir(kg_s * 60_000.0 / free_air_kg_m3()),
        outside: PRESSURE_SPAN.outside(hole.line.to_bar()).into_iter().collect(),
    })
}

/// What it costs to replace lost air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Energy {
    /// The power of the compressor that makes up for it, in kW.
    pub power_kw: f64,
    /// Its energy in a year, in kWh.
    pub kwh_year: f64,
}

/// The energy to replace a flow, at so many kWh for each cubic metre of free air and so many hours a year.
pub fn energy(flow: FreeAir, kwh_m3: f64, hours_a_year: Hours) -> Energy {
    let power_kw = flow.to_l_min() * 0.06 * kwh_m3;
    Energy { power_kw, kwh_year: power_kw * hours_a_year.to_hours() }
}

/// The share of its time, in per cent, that a compressor runs for leaks alone, timed while nothing else draws air.
pub fn load_unload_percent(on: Seconds, off: Seconds) -> Result<f64, Impossible> {
    let all = on.to_seconds() + off.to_seconds();
    if all == 0.0 {
        return Err(Impossible("the times on and off are both 0; time at least one whole turn".into()));
    }
    Ok(100.0 * on.to_seconds() / all)
}

/// The flow that empties a closed system from one pressure to another, at 20 °C.
pub fn bleed_down(
    volume: Volume,
    from: GaugePressure,
    to: GaugePressure,
    time: Seconds,
) -> Result<FreeAir, Impossible> {
    if to > from {
        return Err(Impossible(format!(
            "`{}` bar(g) at the end is more than the {} bar(g) at the start; give the two the other way round",
            to.to_bar(),
            from.to_bar()
        )));
    }
    if time.to_seconds() == 0.0 {
        return Err(Impossible("the test took no time; give the seconds between the two readings".into()));
    }
    let minutes = time.to_seconds() / 60.0;
    let bar = FREE_AIR_PA / 1e5;
    Ok(FreeAir(volume.to_litres() * (from.to_bar() - to.to_bar()) / bar / minutes))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::measure::STANDARD_AMBIENT;

    fn hole(bar: f64) -> Hole {
        Hole {
            diameter: Length::mm(1.0).expect("a diameter"),
            line: GaugePressure::bar(bar).expect("a pressure"),
            ambient: STANDARD_AMBIENT,
            temperature: Temperature::celsius(20.0).expect("a temperature"),
            coefficient: 1.0,
        }
    }

    #[test]
    fn the_two_regimes_meet_and_none_leaks_at_rest() {
        let flow = |bar: f64| leak(&hole(bar)).expect("a leak");
        assert!(flow(0.0).flow.to_l_min() == 0.0);
        let (below, above) = (flow(0.9046), flow(0.9049));
        assert_eq!((below.regime, above.regime), (Regime::Subsonic, Regime::Choked));
        assert!((above.flow.to_l_min() / below.flow.to_l_min() - 1.0).abs() < 1e-3);
        assert!(leak(&hole(-0.1)).is_err());
        assert_eq!(flow(12.0).outside.len(), 1);
    }
}
