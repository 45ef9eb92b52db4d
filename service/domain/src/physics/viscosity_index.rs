//! The viscosity index of an oil, ASTM D2270 and ISO 2909.

use super::measure::{Impossible, Viscosity};

/// For each stretch of viscosities at 100 °C, from its lower end on, the quadratics of L and of H (the standard's
/// annex; each was held against the standard's table of L and H, from which it differs by 0.1 % at most).
const QUADRATICS: [(f64, [f64; 3], [f64; 3]); 16] = [
    (2.0, [1.146_73, 1.757_6, -0.109], [0.841_55, 1.552_1, -0.077]),
    (3.8, [3.380_95, -15.495_2, 33.196], [0.785_71, 1.792_9, -0.183]),
    (4.4, [2.5, -7.214_3, 13.812], [0.821_43, 1.567_9, 0.119]),
    (5.0, [0.101, 16.635, -45.469], [0.049_85, 9.161_3, -18.557]),
    (6.4, [3.357_14, -23.564_3, 78.466], [0.226_19, 7.736_9, -16.656]),
    (7.0, [0.011_91, 21.475, -72.87], [0.797_62, -0.732_1, 14.61]),
    (7.7, [0.418_58, 16.155_8, -56.04], [0.057_94, 10.515_6, -28.24]),
    (9.0, [0.887_79, 7.552_7, -16.6], [0.266_65, 6.701_5, -10.81]),
    (12.0, [0.767_2, 10.797_2, -38.18], [0.200_73, 8.465_8, -22.49]),
    (15.0, [0.973_05, 5.313_5, -2.2], [0.288_89, 5.974_1, -4.93]),
    (18.0, [0.972_56, 5.25, -0.98], [0.245_04, 7.416, -16.73]),
    (22.0, [0.914_13, 7.475_9, -21.82], [0.203_23, 9.126_7, -34.23]),
    (28.0, [0.870_31, 9.715_7, -50.77], [0.184_11, 10.101_5, -46.75]),
    (40.0, [0.847_03, 12.675_2, -133.31], [0.170_29, 11.486_6, -80.62]),
    (55.0, [0.859_21, 11.100_9, -83.19], [0.171_3, 11.368, -76.94]),
    (70.0, [0.835_31, 14.673_1, -216.246], [0.168_41, 11.849_3, -96.947]),
];

/// The lowest viscosity at 100 °C for which the standard has an index, in mm²/s.
const LOWEST_MM2_S: f64 = 2.0;

/// Which of the standard's two ways gave the index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Up to 100: where the oil stands between L and H.
    A,
    /// Above 100.
    B,
}

/// An oil's viscosity index.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ViscosityIndex {
    /// At 40 °C, an oil of index 0 that has the same viscosity at 100 °C, in mm²/s.
    pub l_mm2_s: f64,
    /// The same for an oil of index 100.
    pub h_mm2_s: f64,
    /// Which way gave the index.
    pub way: Way,
    /// The index.
    pub index: f64,
}

impl ViscosityIndex {
    /// The index as it is stated, a whole number: half to even, as the standard rounds.
    pub fn rounded(&self) -> f64 {
        self.index.round_ties_even()
    }
}

/// The viscosity index from the viscosities at 40 °C and 100 °C.
pub fn viscosity_index(at_40: Viscosity, at_100: Viscosity) -> Result<ViscosityIndex, Impossible> {
    let (thick, thin) = (at_40.to_mm2_s(), at_100.to_mm2_s());
    if thin < LOWEST_MM2_S {
        return Err(Impossible(format!(
            "`{thin}` mm²/s at 100 °C is below {LOWEST_MM2_S}, where the standard has no index"
        )));
    }
    if thin >= thick {
        return Err(Impossible(format!(
            "`{thin}` mm²/s at 100 °C is not below the {thick} mm²/s at 40 °C; an oil thins as it warms"
        )));
    }
    let stretch = QUADRATICS.iter().rposition(|(from, ..)| thin >= *from).unwrap_or(0);
    let value = |c: &[f64; 3]| c[0] * thin * thin + c[1] * thin + c[2];
    let (low, high) = (value(&QUADRATICS[stretch].1), value(&QUADRATICS[stretch].2));
    let (way, index) = if thick >= high {
        (Way::A, 100.0 * (low - thick) / (low - high))
    } else {
        let n = (high.log10() - thick.log10()) / thin.log10();
        (Way::B, (10_f64.powf(n) - 1.0) / 0.007_15 + 100.0)
    };
    Ok(ViscosityIndex { l_mm2_s: low, h_mm2_s: high, way, index })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn index(at_40: f64, at_100: f64) -> Result<ViscosityIndex, Impossible> {
        viscosity_index(Viscosity::mm2_s(at_40)?, Viscosity::mm2_s(at_100)?)
    }

    /// L and H of the standard's table at points of the stretches.
    #[test]
    fn the_quadratics_follow_the_table() {
        for (y, l, h) in [
            (2.0, 7.994, 6.394),
            (3.0, 15.49, 12.15),
            (4.1, 26.5, 20.37),
            (4.7, 35.13, 25.63),
            (5.0, 40.23, 28.49),
            (6.7, 71.29, 45.33),
            (7.4, 86.66, 52.88),
            (7.6, 91.04, 55.09),
            (8.5, 111.5, 65.32),
            (10.0, 147.7, 82.87),
            (13.0, 231.9, 121.5),
            (16.0, 331.9, 164.6),
            (20.0, 493.2, 229.5),
            (25.0, 736.5, 320.9),
            (33.0, 1217.0, 487.0),
            (45.0, 2152.0, 780.9),
            (60.0, 3676.0, 1222.0),
            (70.0, 4905.0, 1558.0),
        ] {
            let found = index(y * 20.0, y).expect("an index");
            assert!((found.l_mm2_s / l - 1.0).abs() < 2e-3, "L at {y}: {}", found.l_mm2_s);
            assert!((found.h_mm2_s / h - 1.0).abs() < 2e-3, "H at {y}: {}", found.h_mm2_s);
        }
    }

    #[test]
    fn a_thin_or_impossible_oil_is_refused() {
        assert!(index(5.0, 1.99).is_err());
        assert!(index(10.0, 10.0).is_err());
    }

    #[test]
    fn both_ways_meet_at_100() {
        let h = index(100.0, 10.0).expect("an index").h_mm2_s;
        assert!((index(h, 10.0).expect("an index").index - 100.0).abs() < 1e-9);
        assert!((index(h * 0.999_99, 10.0).expect("an index").index - 100.0).abs() < 0.01);
    }
}
