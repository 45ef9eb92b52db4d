//! The forecast held against what came: read from files, computed with the service's own code, and told.
//!
//! [`own`] takes what the service keeps of a site; all else asks no service. Each reports file is a fleet; each case names a machine and an instant, and is forecast from what
//! had ended by that instant in the machine's whole fleet.

pub(crate) mod cases;
mod every;
pub(crate) mod forecasts;
pub(crate) mod own;
pub(crate) mod reports;
pub(crate) mod show;
