//! The ledger: which shift reports count, and what a meter shows at an instant.
//!
//! * [`history`]: H(t), crossings and month totals from the reports that count.

pub mod history;
