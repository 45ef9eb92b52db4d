//! The shop file: a shop as a person writes it in TOML, to and from the contract's message.
//!
//! The format is described in `docs/shop-file.md`; the example there is one of this module's tests. Unknown keys are
//! refused with the nearest known one, because a misspelt `hazard` that is silently ignored could hurt someone.

mod checks;
pub(crate) mod fault;
mod from_wire;
mod items;
pub(crate) mod last_done;
mod model;
mod models;
mod review;
mod rule;
mod text;
mod to_wire;

use crate::exit::Failure;
use fettler_proto::v1 as pb;

/// Reads a shop file. `name` is what messages call it.
pub(crate) fn read(name: &str, text: &str) -> Result<pb::Shop, Failure> {
    let file: model::ShopFile =
        toml::from_str(text).map_err(|error| Failure::Usage(fault::told(name, text, &error)))?;
    to_wire::shop(&file).map_err(|error| Failure::usage(format!("{name}: {error}")))
}

/// Writes the file that declares a shop.
pub(crate) fn write(shop: &pb::Shop) -> String {
    let file = from_wire::shop(shop);
    toml::to_string(&file).expect("the model holds tables under text keys only")
}

/// A rule's clauses in the words of the file, for tables.
pub(crate) fn every_words(shop: &pb::Shop, rule: &pb::IntervalRule) -> String {
    let units = from_wire::units(shop);
    rule.clauses
        .iter()
        .filter_map(|clause| rule::Clause::from_wire(clause, &units))
        .map(|c| c.to_string())
        .collect::<Vec<_>>()
        .join(", ")
}

#[cfg(test)]
mod tests;
