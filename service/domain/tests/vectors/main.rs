//! Check values of the formulas, a test a family. The tests call what the calculators call.

mod figures;
mod fluids;
mod lives;
mod physics;
mod readings;
mod rows;
mod stock;
mod textbook;
#[path = "../common/vectors.rs"]
mod vectors;
