//! Viscosity: the ISO 3448 grade of an oil, and its viscosity at another temperature (ASTM D341).

use super::measure::{Impossible, Outside, Span, Temperature, Viscosity};

/// The middle of each grade at 40 °C in tenths of a mm²/s, and its number (ISO 3448).
const GRADES: [(u16, f64); 20] = [
    (2, 22.0),
    (3, 32.0),
    (5, 46.0),
    (7, 68.0),
    (10, 100.0),
    (15, 150.0),
    (22, 220.0),
    (32, 320.0),
    (46, 460.0),
    (68, 680.0),
    (100, 1_000.0),
    (150, 1_500.0),
    (220, 2_200.0),
    (320, 3_200.0),
    (460, 4_600.0),
    (680, 6_800.0),
    (1_000, 10_000.0),
    (1_500, 15_000.0),
    (2_200, 22_000.0),
    (3_200, 32_000.0),
];

/// What a value at the very edge of a band may miss it by, relatively: the last bits of a decimal number in binary.
const EDGE: f64 = 1e-9;

/// A viscosity grade: 10 % below and above its middle, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grade {
    /// The number after "ISO VG".
    pub number: u16,
    /// The lowest viscosity at 40 °C in mm²/s.
    pub low_mm2_s: f64,
    /// The highest.
    pub high_mm2_s: f64,
}

/// Where a viscosity stands among the grades, which leave gaps between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Graded {
    /// The grade whose band holds it; none in a gap.
    pub grade: Option<Grade>,
    /// The next grade below it.
    pub lower: Option<u16>,
    /// The next grade above it.
    pub higher: Option<u16>,
}

/// The grade of an oil by its viscosity at 40 °C.
pub fn grade(at_40: Viscosity) -> Graded {
    let value = at_40.to_mm2_s();
    let grades = || GRADES.into_iter().map(band);
    Graded {
        grade: grades().find(|g| value >= g.low_mm2_s * (1.0 - EDGE) && value <= g.high_mm2_s * (1.0 + EDGE)),
        lower: grades().rfind(|g| value > g.high_mm2_s * (1.0 + EDGE)).map(|g| g.number),
        higher: grades().find(|g| value < g.low_mm2_s * (1.0 - EDGE)).map(|g| g.number),
    }
}

/// Nine and eleven tenths of the middle: whole numbers divided once, so that 1.98 is 1.98.
fn band((number, tenths): (u16, f64)) -> Grade {
    Grade { number, low_mm2_s: tenths * 9.0 / 100.0, high_mm2_s: tenths * 11.0 / 100.0 }
}

/// Between the two measured temperatures the formula interpolates; 20 K beyond them is common practice, no source.
pub const TEMPERATURE_SPAN: Span = Span { of: "temperature", low: 20.0, high: 120.0, unit: "°C" };
/// Below 2 mm²/s the short form leaves out a part that counts.
pub const VISCOSITY_SPAN: Span =
    Span { of: "viscosity for the short form", low: 2.0, high: 2e7, unit: "mm²/s" };

const FORTY: Temperature = Temperature(40.0);
const HUNDRED: Temperature = Temperature(100.0);

/// An oil's viscosity at some temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct AtTemperature {
    /// The constant A of the short form.
    pub a: f64,
    /// The constant B of the short form.
    pub b: f64,
    /// By the short form, Z = ν + 0.7.
    pub short: Viscosity,
    /// By the full form with the standard's own inverse.
    pub full: Viscosity,
    /// By the full form, its equation solved by halving: what the standard's inverse stands for.
    pub solved: Viscosity,
    /// Where a form was not checked.
    pub outside: Vec<Outside>,
}

/// The viscosity of an oil at some temperature, from those at 40 °C and 100 °C: log log Z = A - B log T.
pub fn at_temperature(
    at_40: Viscosity,
    at_100: Viscosity,
    temperature: Temperature,
) -> Result<AtTemperature, Impossible> {
    if at_100 >= at_40 {
        return Err(Impossible(format!(
            "`{}` mm²/s at 100 °C is not below the {} mm²/s at 40 °C; an oil thins as it warms",
            at_100.to_mm2_s(),
            at_40.to_mm2_s()
        )));
    }
    let short_z = |v: Viscosity| v.to_mm2_s() + 0.7;
    let full_z = |v: Viscosity| full_z(v.to_mm2_s());
    let (a, b) = line(short_z(at_40), short_z(at_100))?;
    let (full_a, full_b) = line(full_z(at_40), full_z(at_100))?;
    let z = z_at(full_a, full_b, temperature);
    let of = |value: f64| Viscosity::mm2_s(value).map_err(|_| no_viscosity(temperature));
    let short = of(z_at(a, b, temperature) - 0.7)?;
    let outside = TEMPERATURE_SPAN.outside(temperature.to_celsius()).into_iter();
    let lowest = short.to_mm2_s().min(at_100.to_mm2_s());
    Ok(AtTemperature {
        a,
        b,
        short,
        full: of(inverse(z))?,
        solved: of(solve(z))?,
        outside: outside.chain(VISCOSITY_SPAN.outside(lowest)).collect(),
    })
}

fn no_viscosity(temperature: Temperature) -> Impossible {
    Impossible(format!("`{}` °C is too far from 40 and 100 °C for any viscosity", temperature.to_celsius()))
}

fn full_z(nu: f64) -> f64 {
    nu + 0.7 + (-1.47 - 1.84 * nu - 0.51 * nu * nu).exp()
}

/// A and B of the straight line through both temperatures.
fn line(z_40: f64, z_100: f64) -> Result<(f64, f64), Impossible> {
    let log_log = |z: f64| z.log10().log10();
    let (w_40, w_100) = (log_log(z_40), log_log(z_100));
    if !(w_40.is_finite() && w_100.is_finite()) {
        return Err(Impossible("below 0.3 mm²/s the formula has no logarithm; give a thicker fluid".into()));
    }
    let (t_40, t_100) = (FORTY.to_kelvin().log10(), HUNDRED.to_kelvin().log10());
    let b = (w_40 - w_100) / (t_100 - t_40);
    Ok((w_40 + b * t_40, b))
}

fn z_at(a: f64, b: f64, temperature: Temperature) -> f64 {
    10_f64.powf(10_f64.powf(a - b * temperature.to_kelvin().log10()))
}

/// The standard's inverse of Z.
fn inverse(z: f64) -> f64 {
    let d = z - 0.7;
    d - (-0.7487 - 3.295 * d + 0.6119 * d * d - 0.3193 * d * d * d).exp()
}

/// The viscosity whose Z this is, by halving; Z rises with it.
fn solve(z: f64) -> f64 {
    let (mut low, mut high) = (0.0, z);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if full_z(middle) < z { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm2_s(value: f64) -> Viscosity {
        Viscosity::mm2_s(value).expect("a viscosity")
    }

    #[test]
    fn every_grade_holds_its_own_ends_and_the_gaps_hold_none() {
        for (index, (number, tenths)) in GRADES.into_iter().enumerate() {
            let Grade { low_mm2_s, high_mm2_s, .. } = band((number, tenths));
            for inside in [low_mm2_s, tenths / 10.0, high_mm2_s, tenths / 10.0 * 0.9, tenths / 10.0 * 1.1] {
                let found = grade(mm2_s(inside));
                assert_eq!(found.grade.map(|g| g.number), Some(number), "{inside}");
                assert_eq!(found.lower, index.checked_sub(1).map(|i| GRADES[i].0));
                assert_eq!(found.higher, GRADES.get(index + 1).map(|g| g.0));
            }
            let gap = grade(mm2_s(high_mm2_s * 1.001));
            assert_eq!((gap.grade, gap.lower), (None, Some(number)));
        }
        assert_eq!(grade(mm2_s(1.0)), Graded { grade: None, lower: None, higher: Some(2) });
    }

    #[test]
    fn at_the_measured_temperatures_the_measured_viscosities_stand() {
        for (celsius, expect) in [(40.0, 46.0), (100.0, 6.8)] {
            let at = at_temperature(mm2_s(46.0), mm2_s(6.8), Temperature::celsius(celsius).expect("warm"));
            let at = at.expect("a viscosity");
            for found in [at.short, at.full, at.solved] {
                assert!((found.to_mm2_s() - expect).abs() < 1e-6, "{found:?}");
            }
            assert!(at.outside.is_empty());
        }
    }

    #[test]
    fn an_oil_that_thickens_as_it_warms_is_refused() {
        let warm = Temperature::celsius(50.0).expect("warm");
        assert!(at_temperature(mm2_s(10.0), mm2_s(10.0), warm).is_err());
        assert!(at_temperature(mm2_s(0.31), mm2_s(0.2), warm).is_err());
        let far = at_temperature(mm2_s(46.0), mm2_s(6.8), Temperature::celsius(-10.0).expect("cold"));
        assert_eq!(far.expect("a viscosity").outside.len(), 1);
    }
}
