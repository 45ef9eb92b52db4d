//! Measures that must not be mixed up, each a type of its own: what a gauge shows is no absolute pressure, hours are
//! no days, litres are no per cent. They serve estimates, so they are fractions of a unit; facts that are summed have
//! whole numbers in [`crate::quantity`].

use std::fmt;

/// Which values a measure may take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    low: f64,
    high: f64,
    low_counts: bool,
    high_counts: bool,
    unit: &'static str,
}

impl Bounds {
    /// From `low` to `high`, both included.
    pub const fn closed(low: f64, high: f64, unit: &'static str) -> Bounds {
        Bounds { low, high, low_counts: true, high_counts: true, unit }
    }

    /// More than `low`, and up to `high`.
    pub const fn above(low: f64, high: f64, unit: &'static str) -> Bounds {
        Bounds { low, high, low_counts: false, high_counts: true, unit }
    }

    /// Between `low` and `high`, neither included.
    pub const fn between(low: f64, high: f64, unit: &'static str) -> Bounds {
        Bounds { low, high, low_counts: false, high_counts: false, unit }
    }

    /// The unit's sign; empty for a number without one.
    pub const fn unit(&self) -> &'static str {
        self.unit
    }

    /// The value, if it lies within; a value that is no finite number never does.
    pub fn check(self, value: f64) -> Result<f64, OutOfBounds> {
        let above = value > self.low || (self.low_counts && value >= self.low);
        let below = value < self.high || (self.high_counts && value <= self.high);
        if above && below { Ok(value) } else { Err(OutOfBounds { value, bounds: self }) }
    }
}

impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // A bound far beyond any shop is read more easily with an exponent.
        let written = |end: f64| if end.abs() >= 1e6 { format!("{end:e}") } else { end.to_string() };
        let (low, high) = (written(self.low), written(self.high));
        match (self.low_counts, self.high_counts) {
            (true, _) => write!(f, "{low} to {high}")?,
            (false, true) => write!(f, "more than {low}, up to {high}")?,
            (false, false) => write!(f, "more than {low} and less than {high}")?,
        }
        if self.unit.is_empty() { Ok(()) } else { write!(f, " {}", self.unit) }
    }
}

/// A value that a measure cannot take.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("`{value}` is not possible; give {bounds}")]
pub struct OutOfBounds {
    value: f64,
    bounds: Bounds,
}

/// Why something cannot be computed from measures that are each possible: what is wrong with them together, with the
/// values and the remedy.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Impossible(pub String);

impl From<OutOfBounds> for Impossible {
    fn from(error: OutOfBounds) -> Impossible {
        Impossible(error.to_string())
    }
}

/// A stretch of values for which a formula was checked. Outside it the formula still gives a number, which is not
/// vouched for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// What is measured, as a noun.
    pub of: &'static str,
    /// The lowest value.
    pub low: f64,
    /// The highest value.
    pub high: f64,
    /// The unit's sign.
    pub unit: &'static str,
}

impl Span {
    /// What to say of a value outside; nothing for one within.
    pub fn outside(&'static self, value: f64) -> Option<Outside> {
        (value < self.low || value > self.high).then_some(Outside { span: self, value })
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} to {} {}", self.of, self.low, self.high, self.unit)
    }
}

/// That a value lies outside the stretch for which its formula was checked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outside {
    span: &'static Span,
    value: f64,
}

impl fmt::Display for Outside {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Span { of, low, high, unit } = self.span;
        let value = (self.value * 1e6).round() / 1e6;
        write!(f, "{of} {value} {unit} is outside {low} to {high} {unit}, where the formula was checked")
    }
}

/// Declares measures. Within the crate, a value that follows from others needs no check.
macro_rules! measures {
    ($($(#[$doc:meta])* $name:ident, $unit:ident, $to_unit:ident, $bounds:expr;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(pub(crate) f64);

        impl $name {
            /// Which values it may take, and in which unit.
            pub const BOUNDS: $crate::physics::measure::Bounds = $bounds;

            /// Takes a value in the unit of [`Self::BOUNDS`].
            pub fn $unit(value: f64) -> Result<$name, $crate::physics::measure::OutOfBounds> {
                $name::BOUNDS.check(value).map($name)
            }

            /// The value in the unit of [`Self::BOUNDS`].
            pub const fn $to_unit(self) -> f64 {
                self.0
            }
        }
    )*};
}
pub(crate) use measures;

/// Far more than any shop has, and far from where sums lose their fractions.
const MANY: f64 = 1e9;

measures! {
    /// A pressure against the ambient one, as a gauge shows it, in bar(g).
    ///
    /// It is no absolute pressure until somebody says what the ambient is:
    ///
    /// ```
    /// use fettler_domain::physics::flow::line_flow;
    /// use fettler_domain::physics::measure::{FreeAir, GaugePressure, STANDARD_AMBIENT, Temperature};
    /// let line = GaugePressure::bar(6.0)?.absolute(STANDARD_AMBIENT)?;
    /// let flow = line_flow(FreeAir::l_min(36.0)?, line, Temperature::celsius(20.0)?);
    /// assert!((flow.to_l_min() - 5.133).abs() < 0.001);
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::flow::line_flow;
    /// use fettler_domain::physics::measure::{FreeAir, GaugePressure, STANDARD_AMBIENT, Temperature};
    /// let line = GaugePressure::bar(6.0)?;
    /// let flow = line_flow(FreeAir::l_min(36.0)?, line, Temperature::celsius(20.0)?);
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    GaugePressure, bar, to_bar, Bounds::closed(-1.1, 1000.0, "bar(g)");

    /// A pressure against nothing, in bar(abs).
    ///
    /// It is no gauge pressure:
    ///
    /// ```
    /// use fettler_domain::physics::measure::{AbsolutePressure, GaugePressure, STANDARD_AMBIENT};
    /// let line = GaugePressure::bar(6.0)?.absolute(STANDARD_AMBIENT)?;
    /// assert!((line.to_bar() - 7.01325).abs() < 1e-12);
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::measure::{AbsolutePressure, GaugePressure, STANDARD_AMBIENT};
    /// let line = AbsolutePressure::bar(6.0)?.absolute(STANDARD_AMBIENT)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    AbsolutePressure, bar, to_bar, Bounds::above(0.0, 1001.1, "bar(abs)");

    /// A temperature in degrees Celsius.
    Temperature, celsius, to_celsius, Bounds::above(-273.15, 1000.0, "°C");

    /// The water vapour in air as a part of what it can hold, 0 to 1.
    RelativeHumidity, fraction, to_fraction, Bounds::closed(0.0, 1.0, "");

    /// A flow of free air in litres a minute at 20 °C, 100 kPa and 65 % humidity (ISO 8778, ANR).
    FreeAir, l_min, to_l_min, Bounds::closed(0.0, MANY, "L/min ANR");

    /// A flow in litres a minute at the pressure and temperature of the line.
    LineFlow, l_min, to_l_min, Bounds::closed(0.0, f64::MAX, "L/min in the line");

    /// A flow in normal litres a minute, at 0 °C and 1.01325 bar (DIN 1343).
    NormalFlow, l_min, to_l_min, Bounds::closed(0.0, f64::MAX, "NL/min");

    /// What a compressor delivers, in litres a minute at the state of its intake.
    IntakeFlow, l_min, to_l_min, Bounds::closed(0.0, MANY, "L/min at the intake");

    /// A volume in litres.
    ///
    /// It is no strength, and no share of anything:
    ///
    /// ```
    /// use fettler_domain::physics::measure::{Percent, Volume};
    /// let sump: Volume = Volume::litres(200.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::measure::{Percent, Volume};
    /// let sump: Volume = Percent::new(6.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    Volume, litres, to_litres, Bounds::closed(0.0, MANY, "L");

    /// A share in per cent, 0 to 100.
    ///
    /// It is no volume:
    ///
    /// ```
    /// use fettler_domain::physics::measure::{Percent, Volume};
    /// let strength: Percent = Percent::new(6.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::measure::{Percent, Volume};
    /// let strength: Percent = Volume::litres(200.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    Percent, new, to_percent, Bounds::closed(0.0, 100.0, "%");

    /// Hours of run, or of the clock where a name says so.
    ///
    /// They become days only by the hours that are run in a day:
    ///
    /// ```
    /// use fettler_domain::physics::measure::{Days, Hours};
    /// let left: Days = Hours::new(48.0)?.in_days_of(Hours::new(16.0)?)?;
    /// assert_eq!(left, Days::new(3.0)?);
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::measure::{Days, Hours};
    /// let left: Days = Hours::new(48.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    Hours, new, to_hours, Bounds::closed(0.0, MANY, "h");

    /// Days of the calendar.
    ///
    /// They are no hours:
    ///
    /// ```
    /// use fettler_domain::physics::measure::{Days, Hours};
    /// let left: Hours = Hours::new(3.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    ///
    /// ```compile_fail
    /// use fettler_domain::physics::measure::{Days, Hours};
    /// let left: Hours = Days::new(3.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    Days, new, to_days, Bounds::closed(0.0, MANY, "days");

    /// Seconds of the clock.
    Seconds, new, to_seconds, Bounds::closed(0.0, MANY, "s");

    /// Minutes of the clock.
    Minutes, new, to_minutes, Bounds::above(0.0, MANY, "min");

    /// A length in millimetres.
    Length, mm, to_mm, Bounds::above(0.0, 1e5, "mm");

    /// A speed in turns a minute.
    Speed, rpm, to_rpm, Bounds::above(0.0, 1e6, "rpm");

    /// A kinematic viscosity in mm²/s.
    Viscosity, mm2_s, to_mm2_s, Bounds::above(0.0, 1e7, "mm²/s");

    /// A volume a day in litres.
    VolumePerDay, l_day, to_l_day, Bounds::closed(0.0, MANY, "L/day");

    /// What is dissolved in a litre, in mg/L.
    Dissolved, mg_l, to_mg_l, Bounds::closed(0.0, 1e6, "mg/L");
}

/// The standard atmosphere, 1.01325 bar: what stands for the ambient pressure where nobody states it.
pub const STANDARD_AMBIENT: AbsolutePressure = AbsolutePressure(1.013_25);

impl GaugePressure {
    /// The pressure against nothing, where the ambient is `ambient`.
    pub fn absolute(self, ambient: AbsolutePressure) -> Result<AbsolutePressure, OutOfBounds> {
        AbsolutePressure::bar(self.0 + ambient.0)
    }
}

impl AbsolutePressure {
    /// The pressure in pascal.
    pub const fn to_pascal(self) -> f64 {
        self.0 * 1e5
    }
}

impl Temperature {
    /// The temperature above absolute zero, in kelvin.
    pub const fn to_kelvin(self) -> f64 {
        self.0 + 273.15
    }
}

impl Volume {
    /// Takes a value in millilitres.
    pub fn millilitres(value: f64) -> Result<Volume, OutOfBounds> {
        Volume::litres(value / 1000.0)
    }

    /// The value in millilitres.
    pub const fn to_millilitres(self) -> f64 {
        self.0 * 1000.0
    }
}

impl VolumePerDay {
    /// Takes a value in millilitres a day.
    pub fn ml_day(value: f64) -> Result<VolumePerDay, OutOfBounds> {
        VolumePerDay::l_day(value / 1000.0)
    }

    /// What comes together in so many days.
    pub fn in_days(self, days: Days) -> Volume {
        Volume(self.0 * days.0)
    }
}

impl Percent {
    /// The share as a fraction, 0 to 1.
    pub const fn to_fraction(self) -> f64 {
        self.0 / 100.0
    }
}

impl Hours {
    /// How many days these hours last when so many are run in each.
    pub fn in_days_of(self, run_per_day: Hours) -> Result<Days, Impossible> {
        if run_per_day.0 == 0.0 {
            return Err(Impossible("nothing is run in a day; give more than 0 h a day".into()));
        }
        Ok(Days(self.0 / run_per_day.0))
    }
}

/// Cut down to a whole number; what is a whole number but for the last bits of its fraction counts as that number.
pub(crate) fn floor(value: f64) -> f64 {
    (value + GRAIN).floor()
}

/// Raised to a whole number; what is a whole number but for the last bits of its fraction counts as that number.
pub(crate) fn ceil(value: f64) -> f64 {
    (value - GRAIN).ceil()
}

/// What a sum of decimal fractions may err by in binary, far above it and far below any amount that matters.
pub(crate) const GRAIN: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_hold_their_ends() {
        let closed = Bounds::closed(0.0, 1.0, "x");
        let above = Bounds::above(0.0, 1.0, "");
        let between = Bounds::between(0.0, 1.0, "");
        let taken =
            |bounds: Bounds| [-0.1, 0.0, 0.5, 1.0, 1.1, f64::NAN].map(|value| bounds.check(value).is_ok());
        assert_eq!(taken(closed), [false, true, true, true, false, false]);
        assert_eq!(taken(above), [false, false, true, true, false, false]);
        assert_eq!(taken(between), [false, false, true, false, false, false]);
        let told = closed.check(2.0).unwrap_err().to_string();
        assert_eq!(told, "`2` is not possible; give 0 to 1 x");
        assert_eq!(above.to_string(), "more than 0, up to 1");
        assert_eq!(Bounds::closed(0.0, 1e9, "L").to_string(), "0 to 1e9 L");
        assert_eq!(between.to_string(), "more than 0 and less than 1");
    }

    #[test]
    fn outside_its_span_a_value_is_told() {
        const SPAN: Span = Span { of: "line pressure", low: 2.0, high: 14.0, unit: "bar(abs)" };
        assert_eq!(SPAN.outside(2.0), None);
        assert_eq!(
            SPAN.outside(1.013_25 + 14.0).expect("outside").to_string(),
            "line pressure 15.01325 bar(abs) is outside 2 to 14 bar(abs), where the formula was checked"
        );
    }

    #[test]
    fn whole_numbers_survive_binary_fractions() {
        let whole = [floor(0.3 / 0.1), ceil(2.4 / 0.1), floor(2.999), ceil(24.001)];
        assert_eq!(whole.map(|number| number.to_string()), ["3", "24", "2", "25"]);
    }

    #[test]
    fn a_vacuum_beyond_the_ambient_is_impossible() {
        let pump = GaugePressure::bar(-1.05).expect("a gauge may show it");
        assert!(pump.absolute(STANDARD_AMBIENT).is_err());
    }
}
