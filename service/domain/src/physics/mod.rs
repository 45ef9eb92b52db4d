//! The physics of a shop's air and fluids: water in compressed air, flows and leaks, classes of purity, viscosity and
//! cleanliness. Measures are types, formulas are functions of them, and each says where it was checked.
//!
//! Nothing here knows machines, meters or stock. Formulas and their sources stand in `docs/formulas.md`.

pub mod cleanliness;
pub mod condensate;
pub mod flow;
pub mod leak;
pub mod measure;
pub mod moist_air;
pub mod purity;
pub mod viscosity;
pub mod viscosity_index;
