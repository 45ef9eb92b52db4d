//! Calculators of leaks: one hole, and the leaks of a whole system.

use super::air::AMBIENT_BAR;
use super::found::{Column, Found, Value};
use super::given::{Given, Input, Problem};
use super::{Calculator, PRESSURE};
use fettler_domain::physics::leak::{Hole, Regime, bleed_down, energy, leak, load_unload_percent};
use fettler_domain::physics::measure::{
    AbsolutePressure, Bounds, FreeAir, GaugePressure, Hours, Length, Seconds, Temperature, Volume,
};

const COEFFICIENT: Bounds = Bounds::above(0.0, 1.0, "");
const HOURS_A_YEAR: Bounds = Bounds::closed(0.0, 8784.0, "h/year");
const ENERGY: Bounds = Bounds::closed(0.0, 10.0, "kWh/m³");
const TARIFF: Bounds = Bounds::closed(0.0, 1e6, "money/kWh");

const BLAST: &str = "Never feel for a leak with a hand and never point air at people. Air for cleaning: below 30 psi \
    (2 bar), with a chip guard and eye protection (29 CFR 1910.242(b)).";

/// A hole.
pub(super) static LEAK: Calculator = Calculator {
    name: "leak",
    about: "what a hole lets out, and what that costs in a year",
    formula: "choked where p_ambient / p_line <= 0.5283: m = Cd A p1 sqrt(1.4 / (287.042 T)) (2/2.4)^3 in kg/s\n\
              else m = Cd A p1 sqrt(7 / (287.042 T) (r^(2/1.4) - r^(2.4/1.4))), r = p_ambient / p_line\n\
              Q_ANR = 60000 m / 1.1884; power = Q_ANR x 0.06 x energy; cost = power x hours x tariff",
    inputs: &[
        Input::number("d_mm", Length::BOUNDS, "diameter of the hole"),
        Input::number("p_gauge_bar", GaugePressure::BOUNDS, "pressure of the line"),
        Input::number("t_c", Temperature::BOUNDS, "temperature of the line").default("20"),
        Input::number(
            "cd",
            COEFFICIENT,
            "discharge coefficient: 0.61 to 0.65 sharp, 0.97 rounded, 1 at most",
        )
        .default("0.61"),
        Input::number("hours_per_year", HOURS_A_YEAR, "hours under pressure").default("8760"),
        Input::number("spec_energy_kwh_m3", ENERGY, "energy for a cubic metre of free air").default("0.12"),
        Input::number("tariff_per_kwh", TARIFF, "price of a kilowatt-hour").may_be_missing("no cost is told"),
        AMBIENT_BAR,
    ],
    results: &[
        Column::new("regime", "", "choked: as fast as sound; subsonic: slower"),
        Column::new("mdot_kg_h", "kg/h", "mass that goes out"),
        Column::new("q_anr_l_min", "L/min ANR", "the same as free air"),
        Column::new("power_kw", "kW", "power of the compressor that makes up for it"),
        Column::new("kwh_per_year", "kWh/year", "its energy"),
        Column::new("cost_per_year", "money/year", "its cost").or("no tariff was given"),
    ],
    range: "0 to 10 bar(g), where a real gas differs by 0.5 % at most; the coefficient is the larger doubt. 0.10 to \
            0.13 kWh/m³ at 7 bar(g) is common practice, no source",
    source: "outflow of an ideal gas through an orifice (Saint-Venant and Wantzel)",
    cautions: &[BLAST, PRESSURE],
    compute: leak_found,
};

fn leak_found(given: &Given) -> Result<Found, Problem> {
    let found = leak(&Hole {
        diameter: given.measure("d_mm", Length::mm)?,
        line: given.measure("p_gauge_bar", GaugePressure::bar)?,
        ambient: given.measure("ambient_bar", AbsolutePressure::bar)?,
        temperature: given.measure("t_c", Temperature::celsius)?,
        coefficient: given.number("cd"),
    })
    .map_err(|error| given.problem("p_gauge_bar", error))?;
    let hours = given.measure("hours_per_year", Hours::new)?;
    let energy = energy(found.flow, given.number("spec_energy_kwh_m3"), hours);
    let values = [
        if found.regime == Regime::Choked { "choked" } else { "subsonic" }.into(),
        found.mass_kg_h.into(),
        found.flow.to_l_min().into(),
        energy.power_kw.into(),
        energy.kwh_year.into(),
        given.maybe("tariff_per_kwh").map(|tariff| energy.kwh_year * tariff).into(),
    ];
    Ok(Found::new(values).outside(&found.outside))
}

/// What it means that an input of one of the two tests is missing.
const FOR_LOAD_UNLOAD: &str = "needed for load_unload";
const FOR_BLEED_DOWN: &str = "needed for bleed_down";

/// The two tests of a system.
pub(super) static LEAK_TESTS: Calculator = Calculator {
    name: "leak_tests",
    about: "the leaks of a whole system, from a test while nothing else draws air",
    formula: "load_unload: share = 100 T_on / (T_on + T_off) %; leak = capacity x share / 100\n\
              bleed_down: leak = V (p1 - p2) / 1.0 bar / minutes",
    inputs: &[
        Input::word("method", &["load_unload", "bleed_down"], "which test was made"),
        Input::number("t_on_s", Seconds::BOUNDS, "load_unload: time the compressor loads")
            .may_be_missing(FOR_LOAD_UNLOAD),
        Input::number("t_off_s", Seconds::BOUNDS, "load_unload: time it does not")
            .may_be_missing(FOR_LOAD_UNLOAD),
        Input::number("capacity_l_min", FreeAir::BOUNDS, "load_unload: what the compressor delivers")
            .may_be_missing("the share alone is told"),
        Input::number("volume_l", Volume::BOUNDS, "bleed_down: volume of receiver and pipes")
            .may_be_missing(FOR_BLEED_DOWN),
        Input::number("p1_bar_g", GaugePressure::BOUNDS, "bleed_down: pressure at the start")
            .may_be_missing(FOR_BLEED_DOWN),
        Input::number("p2_bar_g", GaugePressure::BOUNDS, "bleed_down: pressure at the end")
            .may_be_missing(FOR_BLEED_DOWN),
        Input::number("seconds", Seconds::BOUNDS, "bleed_down: time from one to the other")
            .may_be_missing(FOR_BLEED_DOWN),
    ],
    results: &[
        Column::new("leak_pct", "%", "share of the compressor's delivery").or("not told by this test"),
        Column::new("leak_anr_l_min", "L/min ANR", "flow of the leaks").or("no capacity was given"),
    ],
    range: "at 20 °C; bleed_down without the factor 1.25 that one source adds where p2 is half of p1. A neglected \
            system leaks 20 to 30 %, a kept one 5 to 10 %",
    source: "forms of the US energy department's compressed-air sourcebook (from memory); shares from its tip sheet 3",
    cautions: &[BLAST, PRESSURE],
    compute: leak_tests,
};

fn leak_tests(given: &Given) -> Result<Found, Problem> {
    let seconds = |name, why| given.needed_measure(name, Seconds::new, why);
    if given.text("method") == "load_unload" {
        let (on, off) = (seconds("t_on_s", "load_unload")?, seconds("t_off_s", "load_unload")?);
        let percent = load_unload_percent(on, off).map_err(|error| given.problem("t_on_s", error))?;
        let flow = given.maybe("capacity_l_min").map(|capacity| capacity * percent / 100.0);
        return Ok(Found::new([percent.into(), flow.into()]));
    }
    let gauge = |name| given.needed_measure(name, GaugePressure::bar, "bleed_down");
    let volume = given.needed_measure("volume_l", Volume::litres, "bleed_down")?;
    let (from, to, time) = (gauge("p1_bar_g")?, gauge("p2_bar_g")?, seconds("seconds", "bleed_down")?);
    let field = if to > from { "p2_bar_g" } else { "seconds" };
    let flow = bleed_down(volume, from, to, time).map_err(|error| given.problem(field, error))?;
    Ok(Found::new([Value::Absent, flow.to_l_min().into()]))
}
