//! What a shop uses up: lubricants, coolants, filters, and the stock of them. Strengths, refills, limits of readings,
//! and how much to order when. Measures are types; formulas are functions of them.
//!
//! Nothing here knows machines, orders or the ledger. Formulas and their sources stand in `docs/formulas.md`.

pub mod coolant;
pub mod draw;
pub mod filters;
pub mod grease;
pub mod limits;
pub mod neat_oil;
pub mod netting;
pub mod oil;
pub mod order_quantity;
pub mod policy;
pub mod reorder;
pub mod reservoir;
pub mod salt;
pub mod shelf_life;
pub mod stock;
