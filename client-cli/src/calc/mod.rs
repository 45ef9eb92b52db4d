//! Calculators. Each is declared once: its inputs with unit, bounds, default and help, its results, formula, range,
//! source and cautions, and the function that calls the domain. Flags, CSV columns, help, output and the documents
//! come from that declaration.
//!
//! Nothing here computes: the formulas are `fettler-domain`'s.

mod air;
mod coolant;
pub(crate) mod found;
pub(crate) mod given;
mod leak;
mod oil;
mod ordering;
mod purity;
pub(crate) mod rows;
mod stock;
#[cfg(test)]
mod tests;

use found::{Column, Found};
use given::{Given, Input, Problem};

/// A calculator.
pub(crate) struct Calculator {
    /// Its name, which is that of its file of check values.
    pub(crate) name: &'static str,
    /// What it tells, without a full stop.
    pub(crate) about: &'static str,
    /// The formula, a line each.
    pub(crate) formula: &'static str,
    /// What it takes.
    pub(crate) inputs: &'static [Input],
    /// What it gives.
    pub(crate) results: &'static [Column],
    /// Where the formula holds.
    pub(crate) range: &'static str,
    /// Who published it.
    pub(crate) source: &'static str,
    /// What to heed at the work that it is for.
    pub(crate) cautions: &'static [&'static str],
    /// Computes the results, in their order.
    pub(crate) compute: fn(&Given) -> Result<Found, Problem>,
}

/// Every calculator, in the order of the documents.
pub(crate) static ALL: [&Calculator; 25] = [
    &air::SATURATION,
    &air::CONDENSATE,
    &air::CONDENSATE_INTAKE,
    &air::PRESSURE_FLOW,
    &leak::LEAK,
    &leak::LEAK_TESTS,
    &purity::AIR_PURITY,
    &purity::ISO4406,
    &oil::LUBE_RESERVOIR,
    &oil::GRADE,
    &oil::VISCOSITY,
    &oil::VISCOSITY_INDEX,
    &oil::GREASE,
    &coolant::CORRECTION,
    &coolant::ADJUST,
    &coolant::MAKEUP,
    &coolant::LIMITS,
    &coolant::ALLIGATION,
    &coolant::SALT,
    &ordering::EOQ,
    &ordering::REORDER_POINT,
    &ordering::PERIODIC_REVIEW,
    &stock::LOW_HIGH,
    &stock::NETTING,
    &stock::SHELF_LIFE,
];

/// What to heed wherever something under pressure is opened.
const PRESSURE: &str = "Close and lock the supply valve, vent to 0 bar and look at the gauge before anything under \
    pressure is opened. Wear eye protection.";
/// What to heed with water from compressed air.
const CONDENSATE: &str = "Condensate holds oil: collect it as waste, never into a drain.";
/// What to heed with a machine that could start.
const LOCKOUT: &str = "Stop the machine and lock it against starting before a hand reaches in; let stored energy out and check.";
/// What to heed with coolants.
const COOLANT: &str = "Concentrate harms skin and eyes: goggles and gloves as its safety data sheet says, gloves never \
    near turning parts. Pour concentrate into water, never water into concentrate, and mix before it goes into the sump.";
/// What to heed with what is drained.
const WASTE: &str = "What is drained is waste: collect it and hand it to a licensed carrier.";
/// What to heed with oils.
const FIRE: &str = "Neat oil and its mist burn: keep flow interlock, extraction and fire suppression in order. Hot oil \
    scalds.";
