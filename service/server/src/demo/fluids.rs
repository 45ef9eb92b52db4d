//! What went into a sump of the invented shop and what came out, beside work orders.

use fettler_domain::fluid::{FluidAct, FluidSaid};
use fettler_domain::quantity::Amount;
use fettler_domain::text::{ForeignName, Key, Name, TextError};
use fettler_domain::time::{MICROS_PER_DAY, Ts};

/// The machine with the fullest record.
const TENDED: &str = "MC-01";

/// An entry: days ago, what was done, the fluid, millilitres, and the container and document of waste.
type Told = (i64, FluidAct, &'static str, i64, &'static str, &'static str);

const TOLD: [Told; 5] = [
    (23, FluidAct::Added, "water", 20_000, "", ""),
    (12, FluidAct::Added, "water", 25_000, "", ""),
    (9, FluidAct::Waste, "tramp oil", 4_500, "drum 3, oil", "W-1180"),
    (5, FluidAct::Added, "water", 20_000, "", ""),
    (2, FluidAct::Waste, "fines and swarf sludge", 15_000, "drum 7, sludge", ""),
];

/// What was told at `now`.
pub(super) fn told(now: Ts) -> Result<Vec<FluidSaid>, TextError> {
    let of = |(ago, act, fluid, amount, route, document): Told| {
        let stated = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        Ok(FluidSaid {
            machine: ForeignName::new(TENDED)?,
            reservoir: Key::new("sump")?,
            act,
            fluid: Name::new(fluid)?,
            amount: Amount(amount),
            lot: None,
            route: stated(route),
            document: stated(document),
            at: now.plus_micros(-ago * MICROS_PER_DAY),
            by: Name::new("Ben Holt")?,
            note: String::new(),
        })
    };
    TOLD.into_iter().map(of).collect()
}
