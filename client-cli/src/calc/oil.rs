//! Calculators of lubricants: reservoir, viscosity and grease.

use super::found::{Column, Found};
use super::given::{Given, Input, Problem};
use super::{Calculator, FIRE, LOCKOUT};
use fettler_domain::consumables::grease::{Bearing, Greased, greasing};
use fettler_domain::consumables::reservoir::{Reservoir, Stroke};
use fettler_domain::physics::measure::{
    Bounds, Days, Hours, Length, Minutes, Speed, Temperature, Viscosity, Volume, VolumePerDay,
};
use fettler_domain::physics::viscosity::{at_temperature, grade};
use fettler_domain::physics::viscosity_index::{Way, viscosity_index};

const HOURS_A_DAY: Bounds = Bounds::closed(0.0, 24.0, "h/day");
const ML_A_DAY: Bounds = Bounds::closed(0.0, 1e9, "mL/day");
const PACK: Bounds = Bounds::above(0.0, 1e9, "L");
const BEARINGS: &[&str] = &[
    Bearing::DeepGrooveBall.word(),
    Bearing::CylindricalRoller.word(),
    Bearing::SphericalOrTaperRoller.word(),
];
const OIL_SPILT: &str = "Only the oil on the machine's card goes in. Wipe up spilt oil at once.";

/// A reservoir.
pub(super) static LUBE_RESERVOIR: Calculator = Calculator {
    name: "lube_reservoir",
    about: "how long the reservoir of a central lubrication lasts, and what fits in",
    formula: "stroke = sum of outlets x dose; use = stroke x 60 / cycle in mL/h; a day = use x run hours + extra\n\
              run to lower mark = 1000 (now - lower) / use; days = 1000 (now - lower) / a day; at or below it 0\n\
              act in = days less reserve, cut to whole days; refill = upper - now; whole packs never overfill",
    inputs: &[
        Input::number("vmin_l", Volume::BOUNDS, "lower mark"),
        Input::number("vmax_l", Volume::BOUNDS, "upper mark"),
        Input::number("vnow_l", Volume::BOUNDS, "what is in it"),
        Input::text("doses_cm3", "8x0.03+6x0.06", "outlets and doses in cm³"),
        Input::number("cycle_min", Minutes::BOUNDS, "time from stroke to stroke"),
        Input::number("run_h_day", HOURS_A_DAY, "hours of run in a day"),
        Input::number("extra_ml_day", ML_A_DAY, "what goes beside the strokes: by hand, leaks").default("0"),
        Input::number("reserve_days", Days::BOUNDS, "days to act before the lower mark").default("0"),
        Input::number("pack_l", PACK, "what a pack holds").default("1"),
    ],
    results: &[
        Column::new("shot_ml", "mL", "what a stroke takes"),
        Column::new("pulses_h", "/h", "strokes in an hour of run"),
        Column::new("ml_h", "mL/h", "use in an hour of run"),
        Column::new("ml_day", "mL/day", "use in a day"),
        Column::new("run_h_to_min", "h", "run until the lower mark, by the strokes alone").or("never"),
        Column::new("days_to_min", "days", "days until the lower mark").or("never"),
        Column::new("act_in_days", "days", "whole days until somebody should act").or("never"),
        Column::new("refill_l", "L", "what fits in up to the upper mark"),
        Column::new("whole_packs_fit", "packs", "whole packs that fit in"),
        Column::new("full_cycle_days", "days", "days from the upper to the lower mark").or("never"),
    ],
    range: "a steady use. Measured below 70 % of it: look for a blocked line; above 130 %: for a leak (common \
            practice, no source)",
    source: "arithmetic; usual doses of piston distributors 0.01 to 0.4 cm³ (from memory)",
    cautions: &[LOCKOUT, OIL_SPILT],
    compute: lube_reservoir,
};

fn lube_reservoir(given: &Given) -> Result<Found, Problem> {
    let litres = |name| given.measure(name, Volume::litres);
    let stroke = Stroke::parse(given.text("doses_cm3")).map_err(|error| given.problem("doses_cm3", error))?;
    let reservoir = Reservoir {
        low: litres("vmin_l")?,
        high: litres("vmax_l")?,
        now: litres("vnow_l")?,
        stroke,
        cycle: given.measure("cycle_min", Minutes::new)?,
        run_per_day: given.measure("run_h_day", Hours::new)?,
        extra: given.measure("extra_ml_day", VolumePerDay::ml_day)?,
        reserve: given.measure("reserve_days", Days::new)?,
        pack: litres("pack_l")?,
    };
    let found = reservoir.supply().map_err(|error| given.problem("vmin_l", error))?;
    let (now, low, high) = (reservoir.now, reservoir.low, reservoir.high);
    let remark = if now > high {
        Some("it is filled beyond its upper mark".to_owned())
    } else {
        (now <= low).then(|| "it is at its lower mark or below: act now".to_owned())
    };
    let values = [
        stroke.to_ml().into(),
        found.strokes_h.into(),
        found.ml_h.into(),
        found.ml_day.into(),
        found.run_left.map(Hours::to_hours).into(),
        found.days_left.map(Days::to_days).into(),
        found.act_in_days.into(),
        found.refill.to_litres().into(),
        found.whole_packs.into(),
        found.full_cycle.map(Days::to_days).into(),
    ];
    Ok(Found::new(values).remark(remark))
}

/// A viscosity grade.
pub(super) static GRADE: Calculator = Calculator {
    name: "iso_vg_grade",
    about: "the ISO viscosity grade of an oil by its viscosity at 40 °C",
    formula: "band = midpoint +- 10 %, both ends included; midpoints 2.2 3.2 4.6 6.8 10 15 22 32 46 68 100 150 220\n\
              320 460 680 1000 1500 2200 3200 mm²/s; the bands leave gaps",
    inputs: &[Input::number("nu40_mm2_s", Viscosity::BOUNDS, "kinematic viscosity at 40 °C")],
    results: &[
        Column::new("grade", "", "the grade, or between where no band holds it"),
        Column::new("band_min", "mm²/s", "lower end of its band").or("between grades"),
        Column::new("band_max", "mm²/s", "upper end of its band").or("between grades"),
        Column::new("next_lower", "", "next grade below").or("none"),
        Column::new("next_higher", "", "next grade above").or("none"),
    ],
    range: "VG 2 to VG 3200; a value between bands is no fault of the oil",
    source: "ISO 3448; VG 2200 and 3200 are later additions (from memory)",
    cautions: &[OIL_SPILT, FIRE],
    compute: |given| {
        let found = grade(given.measure("nu40_mm2_s", Viscosity::mm2_s)?);
        let name = |number: Option<u16>| number.map_or_else(String::new, |number| format!("VG{number}"));
        let own = found.grade.map(|grade| grade.number);
        Ok(Found::new([
            if own.is_some() { name(own) } else { "between".to_owned() }.into(),
            found.grade.map(|grade| grade.low_mm2_s).into(),
            found.grade.map(|grade| grade.high_mm2_s).into(),
            name(found.lower).into(),
            name(found.higher).into(),
        ]))
    },
};

/// Viscosity at a temperature.
pub(super) static VISCOSITY: Calculator = Calculator {
    name: "viscosity_d341",
    about: "an oil's viscosity at some temperature, from those at 40 and 100 °C",
    formula: "log log Z = A - B log T, logarithms to 10, T in kelvin\n\
              short form Z = nu + 0.7; full form Z = nu + 0.7 + exp(-1.47 - 1.84 nu - 0.51 nu^2)\n\
              inverse nu = d - exp(-0.7487 - 3.295 d + 0.6119 d^2 - 0.3193 d^3), d = Z - 0.7",
    inputs: &[
        Input::number("nu40", Viscosity::BOUNDS, "kinematic viscosity at 40 °C"),
        Input::number("nu100", Viscosity::BOUNDS, "kinematic viscosity at 100 °C"),
        Input::number("t_c", Temperature::BOUNDS, "temperature that is asked for"),
    ],
    results: &[
        Column::new("a", "", "A of the short form"),
        Column::new("b", "", "B of the short form"),
        Column::new("nu_simple", "mm²/s", "viscosity by the short form"),
        Column::new("nu_full", "mm²/s", "viscosity by the full form and the standard's inverse"),
        Column::new("nu_bisect", "mm²/s", "viscosity by the full form, its equation solved"),
    ],
    range: "between cloud point and boiling; from 20 K below 40 °C to 20 K above 100 °C (common practice, no \
            source); the short form from 2 mm²/s on",
    source: "ASTM D341 (Walther); the same form in DIN 51563",
    cautions: &[FIRE],
    compute: |given| {
        let viscosity = |name| given.measure(name, Viscosity::mm2_s);
        let temperature = given.measure("t_c", Temperature::celsius)?;
        let (at_40, at_100) = (viscosity("nu40")?, viscosity("nu100")?);
        let field = if at_100 >= at_40 { "nu100" } else { "t_c" };
        let found =
            at_temperature(at_40, at_100, temperature).map_err(|error| given.problem(field, error))?;
        Ok(Found::new([
            found.a.into(),
            found.b.into(),
            found.short.to_mm2_s().into(),
            found.full.to_mm2_s().into(),
            found.solved.to_mm2_s().into(),
        ])
        .outside(&found.outside))
    },
};

/// The viscosity index.
pub(super) static VISCOSITY_INDEX: Calculator = Calculator {
    name: "viscosity_index_d2270",
    about: "the viscosity index of an oil, from its viscosities at 40 and 100 °C",
    formula: "L and H: quadratics of nu100 in sixteen stretches\n\
              A, where nu40 >= H: VI = 100 (L - nu40) / (L - H)\n\
              B, else: N = (log H - log nu40) / log nu100, VI = (10^N - 1) / 0.00715 + 100",
    inputs: &[
        Input::number("nu40", Viscosity::BOUNDS, "kinematic viscosity at 40 °C"),
        Input::number("nu100", Viscosity::BOUNDS, "kinematic viscosity at 100 °C, 2 mm²/s or more"),
    ],
    results: &[
        Column::new("L", "mm²/s", "an oil of index 0 with this nu100, at 40 °C"),
        Column::new("H", "mm²/s", "an oil of index 100 with this nu100, at 40 °C"),
        Column::new("procedure", "", "which of the standard's two ways, A or B"),
        Column::new("vi", "", "viscosity index"),
        Column::new("vi_rounded", "", "viscosity index as it is stated"),
    ],
    range: "from 2 mm²/s at 100 °C on; the quadratics differ from the standard's table by less than 0.1 %, the index \
            by less than 1. Used oil: a change of nu40 by 10 % is a caution, by 20 % a change (common practice, no source)",
    source: "ASTM D2270, ISO 2909",
    cautions: &[FIRE],
    compute: |given| {
        let viscosity = |name| given.measure(name, Viscosity::mm2_s);
        let found = viscosity_index(viscosity("nu40")?, viscosity("nu100")?);
        let found = found.map_err(|error| given.problem("nu100", error))?;
        Ok(Found::new([
            found.l_mm2_s.into(),
            found.h_mm2_s.into(),
            if found.way == Way::A { "A" } else { "B" }.into(),
            found.index.into(),
            found.rounded().into(),
        ]))
    },
};

/// Grease.
pub(super) static GREASE: Calculator = Calculator {
    name: "grease",
    about: "how much grease a rolling bearing takes, and how often",
    formula: "quantity = 0.005 D B in g\n\
              t_f = K (14e6 / (n sqrt(d)) - 4 d) in h at 70 °C; K 10 ball, 5 cylindrical and needle, 1 spherical, \
              taper and thrust\n\
              factor = 0.5^((t - 70) / 15) above 70 °C, below at most 2; interval = t_f x factor, below 0 none",
    inputs: &[
        Input::word("bearing", BEARINGS, "kind of bearing"),
        Input::number("d_mm", Length::BOUNDS, "diameter of the bore"),
        Input::number("D_mm", Length::BOUNDS, "outside diameter"),
        Input::number("B_mm", Length::BOUNDS, "width"),
        Input::number("n_rpm", Speed::BOUNDS, "speed"),
        Input::number("t_c", Temperature::BOUNDS, "temperature of the bearing").default("70"),
    ],
    results: &[
        Column::new("grease_g", "g", "quantity"),
        Column::new("tf_70c_h", "h", "interval at 70 °C by the formula"),
        Column::new("f_temp", "", "factor for the temperature"),
        Column::new("interval_h", "h", "interval; 0 where the formula does not hold"),
    ],
    range: "a negative t_f: too large and fast for the formula, grease without a pause or ask the maker. Halve it for \
            an upright shaft, dirt or vibration. Not for sealed bearings and spindles",
    source: "bearing guides (0.005 D B; one page prints 0.0005, ten times too little); the handbooks' interval formula",
    cautions: &[
        LOCKOUT,
        "Never mix greases of other thickeners. Sealed and spindle bearings: by their builder only.",
    ],
    compute: grease,
};

fn grease(given: &Given) -> Result<Found, Problem> {
    let bearing = Bearing::ALL.into_iter().find(|bearing| bearing.word() == given.text("bearing"));
    let found = greasing(&Greased {
        bearing: bearing.expect("the declaration takes the words of the kinds alone"),
        bore: given.measure("d_mm", Length::mm)?,
        outside: given.measure("D_mm", Length::mm)?,
        width: given.measure("B_mm", Length::mm)?,
        speed: given.measure("n_rpm", Speed::rpm)?,
        temperature: given.measure("t_c", Temperature::celsius)?,
    });
    let beyond = if given.number("D_mm") <= given.number("d_mm") {
        Some("the outside diameter is not larger than the bore: no bearing is so; measure again".into())
    } else {
        (found.at_70_h <= 0.0).then(|| {
            "the bearing is too large and fast for the formula: grease without a pause, or ask its maker"
                .into()
        })
    };
    let values = [
        found.quantity_g.into(),
        found.at_70_h.into(),
        found.temperature_factor.into(),
        found.interval.to_hours().into(),
    ];
    Ok(Found::new(values).outside(&found.outside_span).remark(beyond))
}
