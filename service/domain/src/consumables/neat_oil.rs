//! What a neat cutting oil should be like, so that it neither burns nor mists easily: DGUV Regel 109-003, annex 10,
//! from E DIN 31007:2003-10.

/// Limits for one viscosity grade.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NeatOil {
    /// The number after "ISO VG".
    pub grade: u16,
    /// The flash point is higher, in °C (ISO 2592).
    pub flash_above_c: f64,
    /// What evaporates in an hour at 250 °C is less, in per cent.
    pub evaporation_below_percent: f64,
}

const LIMITS: [NeatOil; 7] = [
    NeatOil { grade: 5, flash_above_c: 120.0, evaporation_below_percent: 85.0 },
    NeatOil { grade: 7, flash_above_c: 145.0, evaporation_below_percent: 80.0 },
    NeatOil { grade: 10, flash_above_c: 155.0, evaporation_below_percent: 60.0 },
    NeatOil { grade: 15, flash_above_c: 190.0, evaporation_below_percent: 25.0 },
    NeatOil { grade: 22, flash_above_c: 200.0, evaporation_below_percent: 15.0 },
    NeatOil { grade: 32, flash_above_c: 210.0, evaporation_below_percent: 13.0 },
    NeatOil { grade: 46, flash_above_c: 220.0, evaporation_below_percent: 11.0 },
];

/// The limits for a grade, if the source has it.
pub fn neat_oil(grade: u16) -> Option<NeatOil> {
    LIMITS.into_iter().find(|limits| limits.grade == grade)
}
