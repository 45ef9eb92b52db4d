//! The ledger: which shift reports count, and what a meter shows at an instant.
//!
//! Which reports are accepted follows from all that were received, how they were settled, what is declared and `as_of`;
//! in which order they came makes no difference.
//!
//! * [`report`]: what a source states, and how a report is known.
//! * [`row`]: what became of a report, with its reason as data.
//! * [`declare`]: machines, meters, sources and counter replacements, as far as judging needs them.
//! * [`standing`]: which revision and content of a report stands.
//! * [`fit`]: whether an interval fits beside those that count already.
//! * [`absolute`]: readings of a counter, judged in time order.
//! * [`judge`]: the plain definition of the accepted set.
//! * [`changes`]: what the incremental judging asks of a store, and what it hands back.
//! * [`batch`]: the same set, kept up to date by what arrives; it asks the store for what it must see.
//! * [`history`]: H(t), crossings and month totals from the reports that count.

pub mod absolute;
pub mod batch;
pub mod changes;
pub mod declare;
pub mod fit;
pub mod history;
pub mod judge;
pub mod report;
pub mod row;
mod seat;
pub mod standing;
