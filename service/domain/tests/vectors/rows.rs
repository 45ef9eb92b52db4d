//! Check values: rows of a family, and how near a value must come to them.

use crate::vectors::{Line, lines};
use fettler_domain::physics::flow::{BAR_PER_PSI, LITRES_PER_CUBIC_FOOT};
use fettler_domain::physics::leak::{Hole, Leak, leak};
use fettler_domain::physics::measure::{
    GaugePressure, Impossible, Length, OutOfBounds, STANDARD_AMBIENT, Temperature,
};

/// The tolerance where a method is exact and a file states none: relative, and absolute for what should be 0.
pub(crate) const EXACT: f64 = 1e-6;

/// A row of a family.
pub(crate) struct Row {
    family: String,
    cells: Line,
}

/// The rows of a family; a family without rows fails.
pub(crate) fn rows(family: &str) -> Vec<Row> {
    lines(family).into_iter().map(|cells| Row { family: family.to_owned(), cells }).collect()
}

impl Row {
    /// The text of a column.
    pub(crate) fn text(&self, column: &str) -> &str {
        self.cells.get(column).unwrap_or_else(|| panic!("{} has no column `{column}`", self.family))
    }

    /// The number in a column; nothing for an empty cell.
    pub(crate) fn maybe(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| number(text))
    }

    /// The number in a column.
    pub(crate) fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("{}: `{column}` is empty", self.name()))
    }

    /// The numbers in a column, apart by any of these signs.
    pub(crate) fn numbers(&self, column: &str, apart: &[char]) -> Vec<f64> {
        self.text(column).split(apart).filter(|text| !text.is_empty()).map(number).collect()
    }

    /// Which row it is.
    pub(crate) fn name(&self) -> &str {
        self.cells.get("id").map_or(self.family.as_str(), String::as_str)
    }

    /// Fails unless a value is the column's within a tolerance.
    pub(crate) fn near(&self, column: &str, value: f64, tolerance: f64) {
        near(&format!("{}: {column}", self.name()), value, self.number(column), tolerance);
    }

    /// Fails unless a value is the column's within a tolerance, or both are absent.
    pub(crate) fn near_or_none(&self, column: &str, value: Option<f64>, tolerance: f64) {
        match (value, self.maybe(column)) {
            (Some(value), Some(_)) => self.near(column, value, tolerance),
            (value, expect) => assert_eq!(value, expect, "{}: {column}", self.name()),
        }
    }

    /// Fails unless numbers are the column's, one by one.
    pub(crate) fn near_all(&self, column: &str, values: &[f64], apart: &[char], tolerance: f64) {
        let expect = self.numbers(column, apart);
        assert_eq!(values.len(), expect.len(), "{}: {column} {values:?} {expect:?}", self.name());
        for (index, (value, expect)) in values.iter().zip(&expect).enumerate() {
            near(&format!("{}: {column}[{index}]", self.name()), *value, *expect, tolerance);
        }
    }

    /// Fails unless a text is the column's.
    pub(crate) fn says(&self, column: &str, value: &str) {
        assert_eq!(value, self.text(column), "{}: {column}", self.name());
    }
}

/// What goes out of a hole without any loss by its edge: the leak, and its flow in cubic feet a minute of air at 60 °F and
/// 14.7 psi, as the tables of the trade count it.
pub(crate) fn orifice(mm: f64, psi_gauge: f64) -> Result<(Leak, f64), Impossible> {
    let celsius = (60.0 - 32.0) / 1.8;
    let found = leak(&Hole {
        diameter: Length::mm(mm)?,
        line: GaugePressure::bar(psi_gauge * BAR_PER_PSI)?,
        ambient: STANDARD_AMBIENT,
        temperature: Temperature::celsius(celsius)?,
        coefficient: 1.0,
    })?;
    let density = 14.7 * BAR_PER_PSI * 1e5 / (287.042 * (celsius + 273.15));
    let cfm = found.mass_kg_h / 60.0 / density * 1000.0 / LITRES_PER_CUBIC_FOOT;
    Ok((found, cfm))
}

/// A measure from a column.
pub(crate) fn of<T>(row: &Row, column: &str, measure: impl Fn(f64) -> Result<T, OutOfBounds>) -> T {
    measure(row.number(column)).unwrap_or_else(|e| panic!("{}: {column}: {e}", row.name()))
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("`{text}` is not a number"))
}

/// Fails unless a value comes near to what is expected: relatively, or absolutely where 0 is expected.
pub(crate) fn near(what: &str, value: f64, expect: f64, tolerance: f64) {
    let most = tolerance * expect.abs().max(1e-3);
    assert!((value - expect).abs() <= most, "{what} is {value} instead of {expect}, off by more than {most}");
}
