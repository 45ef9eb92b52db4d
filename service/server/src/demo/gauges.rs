//! The invented shop's test points, and what is read at them. Limits are starting values (common practice, no source); a
//! fluid's or a machine's own limits override them.

use super::DAYS;
use fettler_proto::v1;

/// The machine whose coolant grows thin until a reading is out of limits.
pub(super) const THIN: &str = "MC-01";
/// What is read there at last, below its limit.
pub(super) const THIN_AT_LAST: &str = "4.6";

/// The machine whose coolant grows thin and is not out of its limits yet.
const GROWING_THIN: &str = "MC-02";

struct Point {
    key: &'static str,
    title: &'static str,
    place: &'static str,
    good: &'static str,
    fluid: &'static str,
    reservoir: &'static str,
    unit: &'static str,
    /// Act below, stop below, act above, stop above; empty for none.
    limits: [&'static str; 4],
    possible: (&'static str, &'static str),
    cautions: &'static [&'static str],
    electrician: bool,
}

const BARE: Point = Point {
    key: "",
    title: "",
    place: "",
    good: "",
    fluid: "",
    reservoir: "",
    unit: "",
    limits: ["", "", "", ""],
    possible: ("", ""),
    cautions: &[],
    electrician: false,
};

const AIR: Point = Point {
    key: "line-air",
    title: "line pressure",
    place: "gauge at the air inlet",
    good: "about 6 bar, steady while axes move",
    fluid: "compressed air",
    unit: "bar",
    limits: ["5.5", "5", "7", ""],
    possible: ("0", "16"),
    ..BARE
};

const SAMPLE: &str = "keep coolant off the skin and out of the eyes; take the sample where nothing turns";

const STRENGTH: Point = Point {
    key: "coolant-strength",
    title: "coolant concentration",
    place: "clean tank, while it circulates",
    good: "6 to 9 %, as the supplier says",
    fluid: "water-mixed coolant",
    reservoir: "sump",
    unit: "%",
    limits: ["5", "3", "10", ""],
    possible: ("0", "30"),
    cautions: &[SAMPLE],
    ..BARE
};

const PH: Point = Point {
    key: "coolant-ph",
    title: "coolant pH",
    place: "clean tank, while it circulates",
    good: "8.5 to 9.5, as the supplier says",
    fluid: "water-mixed coolant",
    reservoir: "sump",
    unit: "[pH]",
    limits: ["8.5", "", "9.5", ""],
    possible: ("0", "14"),
    cautions: &[SAMPLE],
    ..BARE
};

const CONTROL: Point = Point {
    key: "control-voltage",
    title: "24 V supply of the control, at its terminals",
    place: "inside the electrical cabinet",
    good: "24 V, give or take 5 %",
    unit: "V",
    limits: ["22.8", "", "25.2", ""],
    possible: ("0", "60"),
    cautions: &["inside the cabinet a licensed electrician works, nobody else: ask for their record"],
    electrician: true,
    ..BARE
};

const DEW: Point = Point {
    key: "dew-point",
    title: "pressure dew point",
    place: "dryer panel",
    good: "3 to 7 degrees",
    fluid: "compressed air",
    unit: "Cel",
    limits: ["", "", "7", ""],
    possible: ("-80", "60"),
    ..BARE
};

const CHILLER: Point = Point {
    key: "chiller-temperature",
    title: "water temperature",
    place: "chiller panel",
    good: "set value, give or take 1 K",
    fluid: "water with glycol",
    unit: "Cel",
    limits: ["18", "", "23", "30"],
    possible: ("-10", "60"),
    ..BARE
};

/// The test points of machines with this sheet.
pub(super) fn points(sheet: &str) -> Vec<v1::TestPoint> {
    let points: &[Point] = match sheet {
        "cutting" => &[AIR, STRENGTH, PH, CONTROL],
        "grinding" => &[AIR, STRENGTH, PH],
        "air" => &[DEW],
        "chiller" => &[CHILLER],
        _ => &[],
    };
    points.iter().map(card).collect()
}

fn card(point: &Point) -> v1::TestPoint {
    let [act_below, stop_below, act_above, stop_above] = point.limits.map(str::to_owned);
    let taker =
        if point.electrician { v1::PointTaker::LicensedElectrician } else { v1::PointTaker::Unspecified };
    v1::TestPoint {
        key: point.key.into(),
        title: point.title.into(),
        place: point.place.into(),
        good: point.good.into(),
        fluid: point.fluid.into(),
        reservoir: point.reservoir.into(),
        unit: point.unit.into(),
        act_below,
        stop_below,
        act_above,
        stop_above,
        possible_from: point.possible.0.into(),
        possible_to: point.possible.1.into(),
        taken_by: taker.into(),
        cautions: point.cautions.iter().map(|text| (*text).to_owned()).collect(),
    }
}

/// What a point usually shows so many days ago, a little more or less; one machine's coolant grows thin.
pub(super) fn usual_value(machine: &str, point: &str, ago: i64) -> String {
    // In hundredths, so that nothing is rounded twice.
    let step = (ago * 3 + ago / 7).rem_euclid(7);
    let scatter = [0, 10, -10, 5, -5, 10, -10][usize::try_from(step).unwrap_or(0)];
    let hundredths = match point {
        "coolant-strength" if machine == THIN => 830 - 3 * (DAYS - ago) + scatter,
        "coolant-strength" if machine == GROWING_THIN => 800 - 3 * (DAYS - ago) + scatter,
        "coolant-strength" => 750 + 2 * scatter,
        "coolant-ph" => 910 + scatter / 2,
        "line-air" => 610 + scatter / 2,
        "dew-point" => 400 + 5 * scatter,
        "chiller-temperature" => 2_050 + 3 * scatter,
        _ => 100,
    };
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}
