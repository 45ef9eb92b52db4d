//! Measures of stock and of what it costs.

use crate::physics::measure::{Bounds, measures};

/// Far more than any shelf holds.
const MANY: f64 = 1e12;

measures! {
    /// How much of an item there is or should be, in its unit.
    Quantity, units, to_units, Bounds::closed(0.0, MANY, "units");

    /// What is used of an item in a day.
    ///
    /// It is no use in a year:
    ///
    /// ```compile_fail
    /// use fettler_domain::consumables::stock::{UsePerDay, UsePerYear};
    /// let in_a_year: UsePerYear = UsePerDay::units(3.0)?;
    /// # Ok::<(), fettler_domain::physics::measure::Impossible>(())
    /// ```
    UsePerDay, units, to_units, Bounds::closed(0.0, MANY, "units/day");

    /// What is used of an item in a year.
    UsePerYear, units, to_units, Bounds::above(0.0, MANY, "units/year");

    /// What something costs, in the shop's money.
    Cost, money, to_money, Bounds::above(0.0, MANY, "money");

    /// The chance that an order arrives before the shelf is empty. It is not the share of the demand that is served.
    CycleService, chance, to_chance, Bounds::between(0.0, 1.0, "");
}
