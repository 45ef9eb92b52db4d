//! The units in which test points are read: a closed list, each with its UCUM code and the spellings that are taken
//! for it.
//!
//! UCUM (ucum.org) knows no gauge pressure and no free air. What UCUM leaves open is told by an annotation in braces,
//! which UCUM allows and which carries no meaning of its own there; here it does: `bar` is against the ambient, as a
//! gauge shows it, `bar{abs}` against nothing, `bar{diff}` between two sides of a filter.

use super::value::Value;
use crate::physics::measure::{
    AbsolutePressure, Bounds, Dissolved, FreeAir, GaugePressure, LineFlow, OutOfBounds, Percent, Temperature,
    Viscosity, Volume,
};
use std::fmt;

/// What a unit measures. Only units of one quantity turn into one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[expect(missing_docs, reason = "each is its own name; `words` says it")]
pub enum Quantity {
    GaugePressure,
    AbsolutePressure,
    PressureDifference,
    Temperature,
    Share,
    Acidity,
    Refraction,
    Volume,
    FreeAir,
    LineFlow,
    Dissolved,
    Conductivity,
    Colonies,
    Viscosity,
    Length,
    Force,
    Mass,
    Turning,
    Vibration,
    Voltage,
    Current,
    Frequency,
    Number,
}

impl Quantity {
    /// What it is called.
    pub const fn words(self) -> &'static str {
        match self {
            Quantity::GaugePressure => "gauge pressure",
            Quantity::AbsolutePressure => "absolute pressure",
            Quantity::PressureDifference => "pressure difference",
            Quantity::Temperature => "temperature",
            Quantity::Share => "share",
            Quantity::Acidity => "pH",
            Quantity::Refraction => "refractometer reading",
            Quantity::Volume => "volume",
            Quantity::FreeAir => "flow of free air",
            Quantity::LineFlow => "flow in the line",
            Quantity::Dissolved => "dissolved substance",
            Quantity::Conductivity => "conductivity",
            Quantity::Colonies => "colonies",
            Quantity::Viscosity => "viscosity",
            Quantity::Length => "length",
            Quantity::Force => "force",
            Quantity::Mass => "mass",
            Quantity::Turning => "speed",
            Quantity::Vibration => "vibration",
            Quantity::Voltage => "voltage",
            Quantity::Current => "current",
            Quantity::Frequency => "frequency",
            Quantity::Number => "number",
        }
    }

    /// Which values it may take at all, in its first unit of the list.
    fn bounds(self) -> Bounds {
        /// Far more than any gauge of a shop shows.
        const MANY: f64 = 1e9;
        match self {
            Quantity::GaugePressure => GaugePressure::BOUNDS,
            Quantity::AbsolutePressure => AbsolutePressure::BOUNDS,
            Quantity::Temperature => Temperature::BOUNDS,
            Quantity::Share => Percent::BOUNDS,
            Quantity::Acidity => Bounds::closed(0.0, 14.0, "pH"),
            Quantity::Refraction => Bounds::closed(0.0, 100.0, "Brix"),
            Quantity::Volume => Volume::BOUNDS,
            Quantity::FreeAir => FreeAir::BOUNDS,
            Quantity::LineFlow => LineFlow::BOUNDS,
            Quantity::Dissolved => Dissolved::BOUNDS,
            Quantity::Viscosity => Viscosity::BOUNDS,
            Quantity::Turning => Bounds::closed(0.0, MANY, "rpm"),
            Quantity::Conductivity => Bounds::closed(0.0, MANY, "µS/cm"),
            Quantity::Colonies => Bounds::closed(0.0, MANY, "CFU/mL"),
            Quantity::Mass => Bounds::closed(0.0, MANY, "kg"),
            Quantity::Vibration => Bounds::closed(0.0, MANY, "mm/s"),
            Quantity::Frequency => Bounds::closed(0.0, MANY, "Hz"),
            Quantity::PressureDifference => Bounds::closed(-MANY, MANY, "bar"),
            Quantity::Length => Bounds::closed(-MANY, MANY, "mm"),
            Quantity::Force => Bounds::closed(-MANY, MANY, "kN"),
            Quantity::Voltage => Bounds::closed(-MANY, MANY, "V"),
            Quantity::Current => Bounds::closed(-MANY, MANY, "A"),
            Quantity::Number => Bounds::closed(-MANY, MANY, ""),
        }
    }
}

/// A unit: `value in the quantity's first unit = (value - zero) x per.0 / per.1`.
#[derive(Debug)]
struct Row {
    code: &'static str,
    sign: &'static str,
    quantity: Quantity,
    per: (f64, f64),
    zero: f64,
    spellings: &'static [&'static str],
}

const fn row(
    code: &'static str,
    sign: &'static str,
    quantity: Quantity,
    per: (f64, f64),
    spellings: &'static [&'static str],
) -> Row {
    Row { code, sign, quantity, per, zero: 0.0, spellings }
}

const ONE: (f64, f64) = (1.0, 1.0);
/// 1 psi is 6,894.757293168 Pa (NIST SP 811, appendix B.8).
const PSI: (f64, f64) = (0.068_947_572_931_68, 1.0);

/// Every unit; the first of a quantity is the one that the others turn into.
static ROWS: &[Row] = &[
    row("bar", "bar", Quantity::GaugePressure, ONE, &["bar(g)", "barg", "bar{g}", "bar{gauge}"]),
    row("mbar", "mbar", Quantity::GaugePressure, (1.0, 1000.0), &["mbar(g)", "hPa"]),
    row("kPa", "kPa", Quantity::GaugePressure, (1.0, 100.0), &["kpa", "kPa(g)"]),
    row("MPa", "MPa", Quantity::GaugePressure, (10.0, 1.0), &["MPa(g)"]),
    row("[psi]", "psi", Quantity::GaugePressure, PSI, &["psi", "psig", "PSI", "psi(g)"]),
    row("bar{abs}", "bar(abs)", Quantity::AbsolutePressure, ONE, &["bar(abs)", "bara", "bar(a)"]),
    row("kPa{abs}", "kPa(abs)", Quantity::AbsolutePressure, (1.0, 100.0), &["kPa(abs)", "kPa(a)"]),
    row("[psi]{abs}", "psi(abs)", Quantity::AbsolutePressure, PSI, &["psia", "psi(abs)"]),
    row("bar{diff}", "bar", Quantity::PressureDifference, ONE, &["bar(d)", "bard"]),
    row("mbar{diff}", "mbar", Quantity::PressureDifference, (1.0, 1000.0), &["mbar(d)"]),
    row("Pa{diff}", "Pa", Quantity::PressureDifference, (1.0, 100_000.0), &["Pa", "Pa(d)"]),
    row("Cel", "°C", Quantity::Temperature, ONE, &["°C", "C", "degC"]),
    Row {
        code: "[degF]",
        sign: "°F",
        quantity: Quantity::Temperature,
        per: (5.0, 9.0),
        zero: 32.0,
        spellings: &["°F", "F", "degF"],
    },
    row("%", "%", Quantity::Share, ONE, &["percent", "pct", "vol%", "%vol"]),
    row("[pH]", "pH", Quantity::Acidity, ONE, &["pH", "ph", "PH"]),
    row("{Brix}", "Brix", Quantity::Refraction, ONE, &["Brix", "brix", "°Bx", "%Brix"]),
    row("L", "L", Quantity::Volume, ONE, &["l", "litre", "litres", "liter", "liters"]),
    row("mL", "mL", Quantity::Volume, (1.0, 1000.0), &["ml", "cm3", "cc"]),
    row("L/min{ANR}", "L/min ANR", Quantity::FreeAir, ONE, &["L/min ANR", "l/min ANR"]),
    row("L/min", "L/min", Quantity::LineFlow, ONE, &["l/min", "lpm"]),
    row("mg/L", "mg/L", Quantity::Dissolved, ONE, &["mg/l"]),
    row("uS/cm", "µS/cm", Quantity::Conductivity, ONE, &["µS/cm", "μS/cm"]),
    row("mS/cm", "mS/cm", Quantity::Conductivity, (1000.0, 1.0), &[]),
    row("{CFU}/mL", "CFU/mL", Quantity::Colonies, ONE, &["CFU/mL", "cfu/ml", "CFU/ml", "cfu/mL"]),
    row("mm2/s", "mm²/s", Quantity::Viscosity, ONE, &["mm²/s", "cSt"]),
    row("mm", "mm", Quantity::Length, ONE, &[]),
    row("um", "µm", Quantity::Length, (1.0, 1000.0), &["µm", "μm", "micron"]),
    row("[in_i]", "in", Quantity::Length, (25.4, 1.0), &["in", "inch"]),
    row("kN", "kN", Quantity::Force, ONE, &[]),
    row("N", "N", Quantity::Force, (1.0, 1000.0), &[]),
    row("kg", "kg", Quantity::Mass, ONE, &[]),
    row("g", "g", Quantity::Mass, (1.0, 1000.0), &[]),
    row("/min", "rpm", Quantity::Turning, ONE, &["rpm", "1/min"]),
    row("mm/s", "mm/s", Quantity::Vibration, ONE, &[]),
    row("V", "V", Quantity::Voltage, ONE, &["volt", "volts"]),
    row("A", "A", Quantity::Current, ONE, &["ampere", "amps"]),
    row("Hz", "Hz", Quantity::Frequency, ONE, &["hertz"]),
    row("", "", Quantity::Number, ONE, &["1"]),
];

/// A unit of the list.
#[derive(Clone, Copy, Debug)]
pub struct PointUnit(&'static Row);

impl PartialEq for PointUnit {
    fn eq(&self, other: &PointUnit) -> bool {
        self.0.code == other.0.code
    }
}

impl Eq for PointUnit {}

/// The codes of all units but the plain number, in the order of the list.
pub fn unit_codes() -> impl Iterator<Item = &'static str> {
    ROWS.iter().map(|row| row.code).filter(|code| !code.is_empty())
}

impl PointUnit {
    /// The unit with this code or spelling; an empty text is a number without a unit.
    pub fn parse(text: &str) -> Option<PointUnit> {
        let is = |row: &&Row| row.code == text || row.spellings.contains(&text);
        ROWS.iter().find(is).map(PointUnit)
    }

    /// Its UCUM code.
    pub const fn code(self) -> &'static str {
        self.0.code
    }

    /// How it is written for people.
    pub const fn sign(self) -> &'static str {
        self.0.sign
    }

    /// What it measures.
    pub const fn quantity(self) -> Quantity {
        self.0.quantity
    }

    /// The spellings that are taken for it beside its code.
    pub const fn spellings(self) -> &'static [&'static str] {
        self.0.spellings
    }

    /// Every unit, in the order of the list.
    pub fn all() -> impl Iterator<Item = PointUnit> {
        ROWS.iter().map(PointUnit)
    }

    /// Whether a value can be in nature at all: no share above 100 %, nothing colder than absolute zero.
    pub fn check(self, value: Value) -> Result<(), OutOfBounds> {
        self.0.quantity.bounds().check(self.in_first(value)).map(|_| ())
    }

    /// The same value in another unit of the same quantity.
    pub fn convert(self, value: Value, to: PointUnit) -> Option<Value> {
        if self.0.quantity != to.0.quantity {
            return None;
        }
        if self == to {
            return Some(value);
        }
        let (times, parts) = to.0.per;
        Value::nearest(self.in_first(value) * parts / times + to.0.zero)
    }

    fn in_first(self, value: Value) -> f64 {
        let (times, parts) = self.0.per;
        (value.to_f64() - self.0.zero) * times / parts
    }
}

impl fmt::Display for PointUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.code)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn value(text: &str) -> Value {
        Value::parse(text).expect(text)
    }

    fn unit(text: &str) -> PointUnit {
        PointUnit::parse(text).expect(text)
    }

    #[test]
    fn every_text_means_one_unit() {
        let mut seen = BTreeMap::new();
        for of in PointUnit::all() {
            for text in std::iter::once(of.code()).chain(of.spellings().iter().copied()) {
                assert_eq!(seen.insert(text, of.code()), None, "{text}");
                assert_eq!(PointUnit::parse(text), Some(of), "{text}");
            }
        }
        assert_eq!(PointUnit::parse("furlong"), None);
        assert!(unit_codes().all(|code| !code.is_empty()));
    }

    /// NIST SP 811 (2008), appendix B.8: psi and degree Fahrenheit; the bar is 100 kPa by its definition.
    #[test]
    fn units_of_one_quantity_turn_into_one_another() {
        let check = |from: &str, text: &str, to: &str, expect: &str| {
            let turned = unit(from).convert(value(text), unit(to)).expect("one quantity").to_f64();
            assert!((turned - value(expect).to_f64()).abs() < 1e-5, "{text} {from} is {turned} {to}");
        };
        check("bar", "6", "psi", "87.022643");
        check("psig", "100", "bar", "6.894757");
        check("kPa", "600", "bar", "6");
        check("MPa", "0.6", "bar", "6");
        check("°F", "212", "°C", "100");
        check("°C", "-40", "°F", "-40");
        check("Pa", "600", "mbar{diff}", "6");
        check("um", "5", "mm", "0.005");
        check("[in_i]", "1", "mm", "25.4");
    }

    /// A gauge shows what is above the ambient; nobody has said what the ambient is.
    #[test]
    fn gauge_absolute_and_difference_do_not_turn_into_one_another() {
        for (from, to) in [("bar", "bar{abs}"), ("bar", "bar{diff}"), ("%", "L"), ("L/min", "L/min{ANR}")] {
            assert_eq!(unit(from).convert(value("6"), unit(to)), None, "{from} to {to}");
        }
    }

    #[test]
    fn what_cannot_be_in_nature_is_known() {
        assert!(unit("%").check(value("101")).is_err());
        assert!(unit("bar{abs}").check(value("0")).is_err());
        assert!(unit("bar").check(value("-0.3")).is_ok());
        assert!(unit("°F").check(value("-500")).is_err());
        assert!(unit("[pH]").check(value("92")).is_err());
    }
}
