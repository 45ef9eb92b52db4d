//! Calculators of classes: of compressed air, and of a fluid's cleanliness.

use super::found::{Column, Found};
use super::given::{Given, Input, Problem};
use super::{Calculator, PRESSURE};
use fettler_domain::physics::cleanliness::Counts;
use fettler_domain::physics::measure::{Bounds, Temperature};
use fettler_domain::physics::purity::{Class, Measured, purity};

const PER_M3: Bounds = Bounds::closed(0.0, 1e15, "/m³");
const PER_ML: Bounds = Bounds::closed(0.0, 1e12, "/mL");
const MG_M3: Bounds = Bounds::closed(0.0, 1e9, "mg/m³");
const G_M3: Bounds = Bounds::closed(0.0, 1e6, "g/m³");

/// Classes of compressed air.
pub(super) static AIR_PURITY: Calculator = Calculator {
    name: "air_purity_8573",
    about: "the purity classes of compressed air, [particles:water:oil]",
    formula: "the best class whose limits are all kept, limits included; X where none is\n\
              particles: classes 1 to 5 by counts, 6 and 7 by mass; water: 1 to 6 by dew point, 7 to 9 by liquid",
    inputs: &[
        Input::number("n_0p1_0p5", PER_M3, "particles of 0.1 to 0.5 µm").may_be_missing("not counted"),
        Input::number("n_0p5_1", PER_M3, "particles of 0.5 to 1 µm").may_be_missing("not counted"),
        Input::number("n_1_5", PER_M3, "particles of 1 to 5 µm").may_be_missing("not counted"),
        Input::number("mass_mg_m3", MG_M3, "mass of particles").may_be_missing("not weighed"),
        Input::number("pdp_c", Temperature::BOUNDS, "pressure dew point").may_be_missing("not measured"),
        Input::number("liquid_g_m3", G_M3, "liquid water").may_be_missing("not measured"),
        Input::number("oil_mg_m3", MG_M3, "oil, all forms together").may_be_missing("not measured"),
    ],
    results: &[
        Column::new("particle_class", "", "class of particles; - is not measured"),
        Column::new("water_class", "", "class of water"),
        Column::new("oil_class", "", "class of oil"),
        Column::new("designation", "", "as the standard writes it"),
    ],
    range: "counts, mass and oil at 20 °C and 1 bar(abs), dry; water at working pressure. Particles above 5 µm rule \
            out classes 1 to 5 and are not asked for. Class 0 is agreed between user and maker, never computed",
    source: "ISO 8573-1:2010; its 2001 edition and tables that follow it have other limits",
    cautions: &[PRESSURE],
    compute: air_purity,
};

fn air_purity(given: &Given) -> Result<Found, Problem> {
    let measured = Measured {
        fine_per_m3: given.maybe("n_0p1_0p5"),
        middle_per_m3: given.maybe("n_0p5_1"),
        coarse_per_m3: given.maybe("n_1_5"),
        mass_mg_m3: given.maybe("mass_mg_m3"),
        dew_point_c: given.maybe("pdp_c"),
        liquid_g_m3: given.maybe("liquid_g_m3"),
        oil_mg_m3: given.maybe("oil_mg_m3"),
    };
    let found = purity(&measured);
    let classes = [found.particles, found.water, found.oil];
    if classes == [Class::Unknown; 3] {
        return Err(Problem {
            field: "n_1_5",
            value: String::new(),
            text: "is missing, as is all else that tells a class; give particles, water or oil".into(),
        });
    }
    let [particles, water, oil] = classes.map(|class| class.to_string().into());
    let too_wet = (found.water == Class::Unknown && measured.dew_point_c.is_some()).then(|| {
        "a dew point above 10 °C tells no class of water by itself; measure the liquid water".into()
    });
    Ok(Found::new([particles, water, oil, found.to_string().into()]).remark(too_wet))
}

/// The code of a fluid.
pub(super) static ISO4406: Calculator = Calculator {
    name: "iso4406",
    about: "the cleanliness code of a fluid from particle counts",
    formula: "scale number n: more than the limit of n - 1, up to and including its own\n\
              0.01 0.02 0.04 0.08 0.16 0.32 0.64 1.3 2.5 5 10 20 40 80 160 320 640 1300 2500 5000 1e4 2e4 4e4 8e4\n\
              1.6e5 3.2e5 6.4e5 1.3e6 2.5e6 in a millilitre for 0 to 28; more is >28",
    inputs: &[
        Input::number("n4_per_ml", PER_ML, "particles of 4 µm(c) and larger")
            .may_be_missing("not counted, as with a microscope"),
        Input::number("n6_per_ml", PER_ML, "particles of 6 µm(c) and larger"),
        Input::number("n14_per_ml", PER_ML, "particles of 14 µm(c) and larger"),
    ],
    results: &[Column::new("code", "", "as the standard writes it")],
    range: "any counts; the sign >= for fewer than 20 particles seen is not set, as the number seen is not known",
    source: "ISO 4406",
    cautions: &[PRESSURE],
    compute: |given| {
        let counts = Counts {
            from_4: given.maybe("n4_per_ml"),
            from_6: given.number("n6_per_ml"),
            from_14: given.number("n14_per_ml"),
        };
        let rises = (!counts.fall_with_size()).then(|| {
            "counts of \"so large and larger\" cannot rise with the size; look at them again".into()
        });
        Ok(Found::new([counts.code().to_string().into()]).remark(rises))
    },
};
