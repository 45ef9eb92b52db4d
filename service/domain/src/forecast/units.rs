//! Numbers of the forecast with their units. They are estimates, so they are floating point; facts never are.

use crate::quantity::{Amount, MaxPerHour};
use crate::time::{MICROS_PER_DAY, Ts};
use serde::{Deserialize, Serialize};

/// A span in days of 24 hours.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Days(pub f64);

/// Hours run.
///
/// Of a meter that counts cycles or litres they are hours at its stated maximum, so that one method, with one set of
/// constants, serves all meters.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Hours(pub f64);

/// Hours run in a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct HoursPerDay(pub f64);

impl Days {
    /// The longer of two spans.
    #[must_use]
    pub fn max(self, other: Days) -> Days {
        Days(self.0.max(other.0))
    }

    /// The shorter of two spans.
    #[must_use]
    pub fn min(self, other: Days) -> Days {
        Days(self.0.min(other.0))
    }

    /// The days from `earlier` to `later`; negative when `earlier` is later.
    pub fn between(earlier: Ts, later: Ts) -> Days {
        Days(as_float(later.micros_since(earlier)) / as_float(MICROS_PER_DAY))
    }

    /// The instant so many days after `start`, rounded up to a whole second: a forecast knows no finer.
    pub fn after(self, start: Ts) -> Ts {
        let seconds = (self.0 * SECONDS_PER_DAY).ceil();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a cast of a float saturates, and so does the sum"
        )]
        start.plus_micros((seconds as i64).saturating_mul(crate::time::MICROS_PER_SECOND))
    }
}

/// Seconds in a plain day.
const SECONDS_PER_DAY: f64 = 86_400.0;

impl Hours {
    /// An amount of a meter whose most in an hour of the clock is `most`.
    pub fn of(amount: Amount, most: MaxPerHour) -> Hours {
        Hours(as_float(amount.0) / as_float(most.0.max(1)))
    }

    /// The amount of a meter whose most in an hour of the clock is `most`, cut to whole kept units.
    pub fn amount(self, most: MaxPerHour) -> Amount {
        #[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates")]
        let amount = (self.0 * as_float(most.0)).floor() as i64;
        Amount(amount)
    }
}

impl HoursPerDay {
    /// The amount in a day of a meter whose most in an hour of the clock is `most`.
    pub fn amount(self, most: MaxPerHour) -> Amount {
        #[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates")]
        let amount = (self.0 * as_float(most.0)).round() as i64;
        Amount(amount)
    }
}

/// A whole number as a float. Amounts and instants lie below 2^53, up to which floats hold every whole number.
#[expect(clippy::cast_precision_loss, reason = "the numbers lie below 2^53")]
pub(super) fn as_float(number: i64) -> f64 {
    number as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_become_hours_at_the_meters_most() {
        assert_eq!(Hours::of(Amount(5_400_000), MaxPerHour::ONE_HOUR_AN_HOUR), Hours(1.5));
        // 900 cycles, in thousandths, on a meter of at most 600 cycles an hour.
        assert_eq!(Hours::of(Amount(900_000), MaxPerHour(600_000)), Hours(1.5));
    }

    #[test]
    fn days_and_instants_agree() {
        let start = Ts(1_000_000);
        assert_eq!(Days(1.5).after(start), Ts(1_000_000 + 3 * MICROS_PER_DAY / 2));
        assert_eq!(Days(1e-9).after(start), Ts(2_000_000), "up to the next second");
        assert_eq!(Days(f64::INFINITY).after(start), Ts::MAX);
        assert_eq!(Days::between(start, Days(2.0).after(start)), Days(2.0));
    }
}
