//! The parts of the load tool (`cargo run --release -p fettler-tests --bin load`): a fleet with its reports, a service to push them
//! to, callers that only send and receive bytes, and the floors that its figures stand beside.

#![expect(clippy::cast_precision_loss, reason = "figures are shown to a few digits")]

pub mod drive;
pub mod echo;
pub mod figures;
pub mod fleet;
pub mod ground;
pub mod growth;
pub mod measure;
pub mod raw;

use clap::ValueEnum;

/// Where a service keeps its data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Engine {
    /// A file in its data folder.
    Sqlite,
    /// A PostgreSQL that the tool makes and starts, with fsync on.
    Postgres,
}
