//! The cleanliness code of a fluid, ISO 4406.

use std::fmt;

/// For scale numbers 0 to 28, the most particles in a millilitre. The standard's steps are rounded, so no power of two
/// stands for them.
const LIMITS_PER_ML: [f64; 29] = [
    0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0,
    1.3e3, 2.5e3, 5e3, 1e4, 2e4, 4e4, 8e4, 1.6e5, 3.2e5, 6.4e5, 1.3e6, 2.5e6,
];

/// Where a count stands on the scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleNumber {
    /// 0 to 28: more than the limit below it, up to and including its own.
    Number(usize),
    /// More than the last limit.
    Beyond,
    /// Not counted, as with a microscope.
    NotCounted,
}

impl fmt::Display for ScaleNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ScaleNumber::Number(number) => write!(f, "{number}"),
            ScaleNumber::Beyond => write!(f, ">{}", LIMITS_PER_ML.len() - 1),
            ScaleNumber::NotCounted => f.write_str("-"),
        }
    }
}

/// The scale number of a count in a millilitre.
pub fn scale_number(per_ml: f64) -> ScaleNumber {
    LIMITS_PER_ML.iter().position(|most| per_ml <= *most).map_or(ScaleNumber::Beyond, ScaleNumber::Number)
}

/// The most particles in a millilitre that a scale number stands for, and the fewest that it does not.
pub fn limits_per_ml(number: usize) -> Option<(f64, f64)> {
    let low = number.checked_sub(1).map_or(0.0, |below| LIMITS_PER_ML[below.min(LIMITS_PER_ML.len() - 1)]);
    LIMITS_PER_ML.get(number).map(|high| (low, *high))
}

/// Particles in a millilitre that are at least so large, in µm(c).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Counts {
    /// 4 µm(c) and larger; a microscope does not count them.
    pub from_4: Option<f64>,
    /// 6 µm(c) and larger.
    pub from_6: f64,
    /// 14 µm(c) and larger.
    pub from_14: f64,
}

impl Counts {
    /// Whether larger sizes are the rarer ones, as counts of "so large and larger" must be.
    pub fn fall_with_size(&self) -> bool {
        self.from_4.is_none_or(|from_4| from_4 >= self.from_6) && self.from_6 >= self.from_14
    }

    /// The code of a fluid with these counts.
    pub fn code(&self) -> Code {
        Code([
            self.from_4.map_or(ScaleNumber::NotCounted, scale_number),
            scale_number(self.from_6),
            scale_number(self.from_14),
        ])
    }
}

/// A code; displayed as the standard writes it: `18/16/13`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Code(pub [ScaleNumber; 3]);

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [four, six, fourteen] = self.0;
        write!(f, "{four}/{six}/{fourteen}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_belong_to_the_number_below_them() {
        for (number, most) in LIMITS_PER_ML.into_iter().enumerate() {
            assert_eq!(scale_number(most), ScaleNumber::Number(number));
            assert_ne!(scale_number(most * 1.000_001), ScaleNumber::Number(number));
        }
        assert_eq!(scale_number(0.0), ScaleNumber::Number(0));
    }

    #[test]
    fn codes_are_written_as_the_standard_does() {
        let microscope = Counts { from_4: None, from_6: 600.0, from_14: 70.0 };
        assert_eq!(microscope.code().to_string(), "-/16/13");
        let mud = Counts { from_4: Some(3e6), from_6: 2.6e6, from_14: 2.7e6 };
        assert_eq!(mud.code().to_string(), ">28/>28/>28");
        assert!(microscope.fall_with_size() && !mud.fall_with_size());
    }
}
