//! Statistics of readings and of demand: plain functions of their arguments, without any randomness.
//!
//! Nothing here knows machines, test points or stock. Formulas and their sources stand in `docs/formulas.md`.

pub mod normal;
