//! Calculators of compressed air: water, condensate, pressures and flows.

use super::found::{Column, Found, Value};
use super::given::{Given, Input, Problem};
use super::{CONDENSATE as CONDENSATE_CAUTION, Calculator, PRESSURE};
use fettler_domain::physics::condensate::{Bowl, Intake, bowl, intake};
use fettler_domain::physics::flow;
use fettler_domain::physics::measure::{
    AbsolutePressure, Bounds, FreeAir, GaugePressure, Hours, IntakeFlow, RelativeHumidity, Temperature,
    Volume,
};
use fettler_domain::physics::moist_air::{Phase, saturation};

/// Ambient pressures from far above any shop to below any mine.
const AMBIENT: Bounds = Bounds::closed(0.3, 1.2, "bar(abs)");
const BOWL_ML: Bounds = Bounds::above(0.0, 1e9, "mL");

/// The ambient pressure, which most shops leave at its default.
pub(super) const AMBIENT_BAR: Input =
    Input::number("ambient_bar", AMBIENT, "ambient pressure; lower on a mountain").default("1.01325");

/// The pressure of the line against nothing.
pub(super) fn line(given: &Given, gauge: &'static str) -> Result<AbsolutePressure, Problem> {
    let ambient = given.measure("ambient_bar", AbsolutePressure::bar)?;
    let line = given.measure(gauge, GaugePressure::bar)?.absolute(ambient);
    line.map_err(|error| given.problem(gauge, error))
}

/// Saturated air.
pub(super) static SATURATION: Calculator = Calculator {
    name: "saturation",
    about: "how much water air of a temperature can hold",
    formula: "water: ln p = C8/T + C9 + C10 T + C11 T^2 + C12 T^3 + C13 ln T; ice: C1 to C7 likewise (Hyland-Wexler)\n\
              density = 1000 p / (461.526 T)\n\
              Magnus: p = 611.2 exp(17.62 t / (243.12 + t)); over ice 611.2 exp(22.46 t / (272.62 + t))",
    inputs: &[Input::number("t_c", Temperature::BOUNDS, "temperature of the air")],
    results: &[
        Column::new("pws_hw_pa", "Pa", "pressure of the vapour, Hyland-Wexler"),
        Column::new("pws_magnus_pa", "Pa", "the same by the short formula of Magnus"),
        Column::new("rho_hw_g_m3", "g/m³", "water in a cubic metre"),
        Column::new("phase", "", "what the vapour stands over: water, below 0.01 °C ice"),
    ],
    range: "-100 to 200 °C; Magnus within 0.4 % from -70 to 60 °C. Tables print the real gas, up to 0.5 % more",
    source: "ASHRAE Fundamentals, chapter 1 (Hyland and Wexler 1983); Magnus' coefficients from memory, checked",
    cautions: &[],
    compute: |given| {
        let found = saturation(given.measure("t_c", Temperature::celsius)?);
        let found = found.map_err(|error| given.problem("t_c", error))?;
        let phase = if found.phase == Phase::Ice { "ice" } else { "water" };
        let values =
            [found.pressure_pa.into(), found.magnus_pa.into(), found.density_g_m3.into(), phase.into()];
        Ok(Found::new(values).outside(&found.outside))
    },
};

/// A bowl.
pub(super) static CONDENSATE: Calculator = Calculator {
    name: "condensate",
    about: "the water that a bowl at a filter or regulator collects, and when it is full",
    formula: "dry air = Q_ANR x 0.06 x (100000 - 0.65 p_ws(20 °C)) / (287.042 x 293.15) in kg/h\n\
              W = 0.621945 p_w / (p - p_w), p absolute; W1 at the dew point, W2 saturated in the bowl\n\
              condensate = 1000 x dry air x max(0, W1 - W2) in g/h; mL/h = g/h / 0.9982\n\
              hours to full = bowl / (mL/h); without condensate never",
    inputs: &[
        Input::number("q_anr_l_min", FreeAir::BOUNDS, "flow of free air (20 °C, 100 kPa, 65 %, ISO 8778)"),
        Input::number("p_gauge_bar", GaugePressure::BOUNDS, "pressure in the bowl"),
        Input::number("tdp_in_c", Temperature::BOUNDS, "pressure dew point of the air as it arrives"),
        Input::number("t_bowl_c", Temperature::BOUNDS, "temperature of the bowl"),
        Input::number("bowl_ml", BOWL_ML, "what the bowl holds up to its mark"),
        Input::number(
            "p_dew_gauge_bar",
            GaugePressure::BOUNDS,
            "pressure at which the dew point is stated, where a regulator lies between",
        )
        .may_be_missing("the pressure in the bowl"),
        AMBIENT_BAR,
    ],
    results: &[
        Column::new("m_dry_air_kg_h", "kg/h", "dry air in the flow"),
        Column::new("w1_g_kg", "g/kg", "water that comes with each kilogram of it"),
        Column::new("w2_g_kg", "g/kg", "water that can leave with it"),
        Column::new("cond_hw_g_h", "g/h", "condensate"),
        Column::new("cond_simple_g_h", "g/h", "by the shop's shortcut of densities, 4 to 12 % low"),
        Column::new("cond_ml_h", "mL/h", "condensate"),
        Column::new("hours_to_full", "h", "hours of flow until the bowl is full").or("never"),
    ],
    range: "0 to 60 °C, 2 to 14 bar(abs). A real gas brings up to 3 % more. Droplets that a full separator before \
            it lets through come on top",
    source: "moist-air balance after ASHRAE Fundamentals, chapter 1; free air after ISO 8778",
    cautions: &[PRESSURE, CONDENSATE_CAUTION],
    compute: condensate,
};

fn condensate(given: &Given) -> Result<Found, Problem> {
    let pressure = line(given, "p_gauge_bar")?;
    let dew_point_at = match given.maybe("p_dew_gauge_bar") {
        Some(_) => line(given, "p_dew_gauge_bar")?,
        None => pressure,
    };
    let found = bowl(&Bowl {
        flow: given.measure("q_anr_l_min", FreeAir::l_min)?,
        dew_point: given.measure("tdp_in_c", Temperature::celsius)?,
        dew_point_at,
        pressure,
        temperature: given.measure("t_bowl_c", Temperature::celsius)?,
        volume: given.measure("bowl_ml", Volume::millilitres)?,
    })
    .map_err(|error| given.problem("tdp_in_c", error))?;
    let values = [
        found.dry_air_kg_h.into(),
        found.arriving_g_kg.into(),
        found.leaving_g_kg.into(),
        found.condensate_g_h.into(),
        found.shortcut_g_h.into(),
        found.condensate_ml_h.into(),
        found.full_in.map(Hours::to_hours).into(),
    ];
    Ok(Found::new(values).outside(&found.outside))
}

/// A compressor's intake.
pub(super) static CONDENSATE_INTAKE: Calculator = Calculator {
    name: "condensate_intake",
    about: "the water that drains between a compressor's intake and its cooled line",
    formula: "dry air = FAD x 0.06 x (p_a - RH p_ws(T_a)) / (287.042 T_a) in kg/h\n\
              W = 0.621945 p_w / (p - p_w); W_a of the ambient, W_s saturated in the line\n\
              condensate = 1000 x dry air x max(0, W_a - W_s) in g/h; the rest goes on as vapour",
    inputs: &[
        Input::number("fad_l_min", IntakeFlow::BOUNDS, "free air delivered, counted at the intake"),
        Input::number("t_amb_c", Temperature::BOUNDS, "temperature of the ambient"),
        Input::number("rh", RelativeHumidity::BOUNDS, "relative humidity as a fraction"),
        Input::number("p_gauge_bar", GaugePressure::BOUNDS, "pressure of the line"),
        Input::number("t2_c", Temperature::BOUNDS, "temperature behind the cooler"),
        AMBIENT_BAR,
    ],
    results: &[
        Column::new("m_dry_air_kg_h", "kg/h", "dry air in the flow"),
        Column::new("w_amb_g_kg", "g/kg", "water that comes with each kilogram of it"),
        Column::new("w_sat_line_g_kg", "g/kg", "water that the line can carry"),
        Column::new("cond_hw_g_h", "g/h", "condensate that drains"),
        Column::new("vapour_left_g_h", "g/h", "water that goes on as vapour"),
    ],
    range: "0 to 60 °C, 2 to 14 bar(abs). A real gas carries up to 4 % more vapour, so less drains; where hardly \
            anything drains the relative difference is large",
    source: "moist-air balance after ASHRAE Fundamentals, chapter 1",
    cautions: &[PRESSURE, CONDENSATE_CAUTION],
    compute: condensate_intake,
};

fn condensate_intake(given: &Given) -> Result<Found, Problem> {
    let found = intake(&Intake {
        flow: given.measure("fad_l_min", IntakeFlow::l_min)?,
        ambient: given.measure("ambient_bar", AbsolutePressure::bar)?,
        temperature: given.measure("t_amb_c", Temperature::celsius)?,
        humidity: given.measure("rh", RelativeHumidity::fraction)?,
        line: line(given, "p_gauge_bar")?,
        cooled_to: given.measure("t2_c", Temperature::celsius)?,
    })
    .map_err(|error| given.problem("t_amb_c", error))?;
    let values = [
        found.dry_air_kg_h.into(),
        found.ambient_g_kg.into(),
        found.line_g_kg.into(),
        found.condensate_g_h.into(),
        found.vapour_g_h.into(),
    ];
    Ok(Found::new(values).outside(&found.outside))
}

/// Units of pressures and states of flows.
pub(super) static PRESSURE_FLOW: Calculator = Calculator {
    name: "pressure_flow",
    about: "a gauge pressure in other units, and a flow of free air in other states",
    formula: "psi = bar / 0.0689475729; MPa = bar / 10\n\
              line = Q_ANR x 1.0 / p_abs x T / 293.15\n\
              normal (DIN 1343) = Q_ANR x 100 / 101.325 x 273.15 / 293.15\n\
              scfm at 60 °F = Q_ANR x 100 / 101.325 x 288.706 / 293.15 / 28.3168",
    inputs: &[
        Input::number("p_gauge_bar", GaugePressure::BOUNDS, "pressure of the line"),
        Input::number("t_line_c", Temperature::BOUNDS, "temperature of the line"),
        Input::number("q_anr_l_min", FreeAir::BOUNDS, "flow of free air (20 °C, 100 kPa, 65 %, ISO 8778)"),
        AMBIENT_BAR,
    ],
    results: &[
        Column::new("p_gauge_psi", "psi(g)", "the pressure in pounds on a square inch"),
        Column::new("p_gauge_mpa", "MPa(g)", "the pressure in megapascal"),
        Column::new("q_line_l_min", "L/min", "the flow at the pressure and temperature of the line"),
        Column::new("q_n_l_min_din1343", "NL/min", "the flow at 0 °C and 1.01325 bar"),
        Column::new("q_anr_m3_h", "m³/h ANR", "the flow of free air"),
        Column::new(
            "scfm_60f",
            "scfm",
            "the flow at 60 °F and 1.01325 bar; other standard states are in use",
        ),
    ],
    range: "an ideal gas, within 1 % up to 16 bar(abs); moisture is not taken out",
    source: "definitions of the units; ISO 8778 (its values from memory); DIN 1343",
    cautions: &[PRESSURE],
    compute: pressure_flow,
};

fn pressure_flow(given: &Given) -> Result<Found, Problem> {
    let gauge = given.measure("p_gauge_bar", GaugePressure::bar)?;
    let line = line(given, "p_gauge_bar")?;
    let free = given.measure("q_anr_l_min", FreeAir::l_min)?;
    let temperature = given.measure("t_line_c", Temperature::celsius)?;
    let values: [Value; 6] = [
        flow::psi(gauge).into(),
        (gauge.to_bar() / 10.0).into(),
        flow::line_flow(free, line, temperature).to_l_min().into(),
        flow::normal_flow(free).to_l_min().into(),
        flow::cubic_metres_h(free).into(),
        flow::cubic_feet_min_60f(free).into(),
    ];
    let outside: Vec<_> = flow::PRESSURE_SPAN.outside(line.to_bar()).into_iter().collect();
    Ok(Found::new(values).outside(&outside))
}
