//! The forecast: when a meter will have run so many hours more, as a distribution, from what it and its fleet ran.
//!
//! A rate for each machine, drawn to its fleet's where its own past is short; the doubt about that rate; a drift learnt
//! from how far the fleet's own past forecasts lay off; and a gamma first passage. The formulas stand in
//! `docs/formulas.md`. Nothing here knows tasks, rules or lateness: it is given hours and gives days.
//!
//! In order: [`Usage`] from reports, a [`FleetTable`] of [`FleetFigures`] once a day from all machines, an [`Outlook`] for
//! each meter, and of it a [`Due`] for each task.

mod course;
mod fleet;
mod likeness;
mod outlook;
mod own;
mod passage;
mod path;
mod rate;
mod score;
mod summary;
mod units;
mod usage;
mod windows;
mod workdays;

pub use course::{Course, PlannedUse};
pub use fleet::{FleetFigures, Silence};
pub use likeness::{Fleet, FleetRow, FleetTable, LIKE_MACHINES_LEAST, Likeness, Member};
pub use outlook::{Basis, Due, Outlook, Quantiles};
pub use own::{CUT_DAYS, CUTS_MAX, OwnCase, OwnCases, WEEKS_ASKED, own_cases};
pub use passage::HORIZON;
pub use rate::Rate;
pub use score::{Outcome, Score, Scores};
pub use summary::UsageSummary;
pub use units::{Days, Hours, HoursPerDay};
pub use usage::{Reported, Statistics, Usage};
pub use windows::Past;
pub use workdays::WorkDays;
