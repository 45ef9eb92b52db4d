//! Purity classes of compressed air, ISO 8573-1:2010. Older editions and tables that follow them have other limits.

use super::measure::Temperature;
use std::fmt;

/// What was measured, at the reference conditions of the standard; what was not measured is absent.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// Particles of 0.1 to 0.5 µm in a cubic metre.
    pub fine_per_m3: Option<f64>,
    /// Particles of 0.5 to 1 µm in a cubic metre.
    pub middle_per_m3: Option<f64>,
    /// Particles of 1 to 5 µm in a cubic metre.
    pub coarse_per_m3: Option<f64>,
    /// The mass of particles in mg/m³, where they were weighed.
    pub mass_mg_m3: Option<f64>,
    /// The pressure dew point in °C.
    pub dew_point_c: Option<f64>,
    /// Liquid water in g/m³.
    pub liquid_g_m3: Option<f64>,
    /// Oil as liquid, aerosol and vapour together, in mg/m³.
    pub oil_mg_m3: Option<f64>,
}

/// A class of one kind of contamination.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// 1 is the cleanest. Class 0 is what user and maker agree on beyond it, so no measurement gives it.
    Number(u8),
    /// Worse than any number.
    Beyond,
    /// Not measured, so not told.
    Unknown,
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Class::Number(class) => write!(f, "{class}"),
            Class::Beyond => f.write_str("X"),
            Class::Unknown => f.write_str("-"),
        }
    }
}

/// The classes of an air; displayed as the standard writes them: `[3:4:1]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Purity {
    /// Of particles.
    pub particles: Class,
    /// Of water.
    pub water: Class,
    /// Of oil.
    pub oil: Class,
}

impl fmt::Display for Purity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "[{}:{}:{}]", self.particles, self.water, self.oil)
    }
}

/// For classes 1 to 5, the most particles in a cubic metre of 0.1 to 0.5, 0.5 to 1 and 1 to 5 µm.
const PARTICLES: [[Option<f64>; 3]; 5] = [
    [Some(20_000.0), Some(400.0), Some(10.0)],
    [Some(400_000.0), Some(6_000.0), Some(100.0)],
    [None, Some(90_000.0), Some(1_000.0)],
    [None, None, Some(10_000.0)],
    [None, None, Some(100_000.0)],
];
/// The most particles in mg/m³, with their classes.
const MASS: [(u8, f64); 2] = [(6, 5.0), (7, 10.0)];
/// The highest pressure dew points in °C, with their classes.
const DEW_POINT: [(u8, f64); 6] = [(1, -70.0), (2, -40.0), (3, -20.0), (4, 3.0), (5, 7.0), (6, 10.0)];
/// The most liquid water in g/m³, with its classes.
const LIQUID: [(u8, f64); 3] = [(7, 0.5), (8, 5.0), (9, 10.0)];
/// The most oil in mg/m³, with its classes.
const OIL: [(u8, f64); 4] = [(1, 0.01), (2, 0.1), (3, 1.0), (4, 5.0)];

/// The highest pressure dew point that a class of water allows; none for a class that is told by its liquid water.
pub fn dew_point_of_class(class: u8) -> Option<Temperature> {
    let found = DEW_POINT.iter().find(|(of, _)| *of == class);
    found.map(|(_, dew_point_c)| Temperature(*dew_point_c))
}

/// The classes that a measurement gives.
pub fn purity(measured: &Measured) -> Purity {
    Purity {
        particles: particles(measured),
        water: water(measured),
        oil: measured.oil_mg_m3.map_or(Class::Unknown, |oil| up_to(&OIL, oil).unwrap_or(Class::Beyond)),
    }
}

fn up_to(limits: &[(u8, f64)], value: f64) -> Option<Class> {
    limits.iter().find(|(_, most)| value <= *most).map(|(class, _)| Class::Number(*class))
}

/// Counts give classes 1 to 5; beyond them the mass decides. A size that a class limits and nobody counted rules that
/// class out.
fn particles(measured: &Measured) -> Class {
    let counts = [measured.fine_per_m3, measured.middle_per_m3, measured.coarse_per_m3];
    let fits = |limits: &[Option<f64>; 3]| {
        let mut pairs = limits.iter().zip(counts);
        pairs.all(|(most, count)| most.is_none_or(|most| count.is_some_and(|count| count <= most)))
    };
    if let Some((class, _)) = (1..).zip(&PARTICLES).find(|(_, limits)| fits(limits)) {
        return Class::Number(class);
    }
    match measured.mass_mg_m3 {
        Some(mass) => up_to(&MASS, mass).unwrap_or(Class::Beyond),
        None if measured.coarse_per_m3.is_some() => Class::Beyond,
        None => Class::Unknown,
    }
}

/// Liquid water decides where there is any; a dew point above the last class tells no class by itself.
fn water(measured: &Measured) -> Class {
    let liquid = measured.liquid_g_m3.map(|liquid| up_to(&LIQUID, liquid).unwrap_or(Class::Beyond));
    let dew_point = measured.dew_point_c.and_then(|dew_point| up_to(&DEW_POINT, dew_point));
    match (measured.liquid_g_m3, liquid, dew_point) {
        (Some(amount), Some(class), _) if amount > 0.0 => class,
        (_, _, Some(class)) | (_, Some(class), None) => class,
        (_, None, None) => Class::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(measured: Measured) -> String {
        purity(&measured).to_string()
    }

    #[test]
    fn what_was_not_measured_is_not_told() {
        assert_eq!(told(Measured::default()), "[-:-:-]");
        assert_eq!(told(Measured { oil_mg_m3: Some(0.0), ..Measured::default() }), "[-:-:1]");
        // Only the coarse ones were counted: class 4 is the best that they can prove.
        assert_eq!(told(Measured { coarse_per_m3: Some(5.0), ..Measured::default() }), "[4:-:-]");
        assert_eq!(told(Measured { dew_point_c: Some(15.0), ..Measured::default() }), "[-:-:-]");
    }

    #[test]
    fn mass_decides_where_counts_give_no_class() {
        let dusty = Measured { coarse_per_m3: Some(2e5), ..Measured::default() };
        assert_eq!(told(dusty), "[X:-:-]");
        assert_eq!(told(Measured { mass_mg_m3: Some(5.0), ..dusty }), "[6:-:-]");
        assert_eq!(told(Measured { mass_mg_m3: Some(10.1), ..dusty }), "[X:-:-]");
    }

    #[test]
    fn liquid_water_decides_where_there_is_any() {
        let wet = Measured { dew_point_c: Some(3.0), liquid_g_m3: Some(0.4), ..Measured::default() };
        assert_eq!(told(wet), "[-:7:-]");
        assert_eq!(told(Measured { liquid_g_m3: Some(0.0), ..wet }), "[-:4:-]");
    }
}
