//! The wire contract of Fettler: messages, services and descriptors generated from `fettler/v1/*.proto`.
//!
//! The protos are the documentation; this crate adds nothing to them but the names of gRPC's codes ([`code_name`]), what a number of
//! theirs means ([`STALE_ROWS_COUNTED_MAX`]) and the place in a trace that a call may carry ([`TraceParent`]).

mod code;
mod trace;

pub use code::code_name;
pub use trace::{TRACE_STATE_BYTES_MAX, TraceParent};

/// Rows of a list that wait to be refreshed are counted up to so many: this number says so many or more.
pub const STALE_ROWS_COUNTED_MAX: i64 = 10_000;

/// Package `fettler.v1`.
#[expect(
    clippy::pedantic,
    clippy::allow_attributes,
    reason = "generated code; its comments stand in the protos"
)]
pub mod v1 {
    tonic::include_proto!("fettler.v1");
}

include!(concat!(env!("OUT_DIR"), "/methods.rs"));

/// Every file descriptor with its imports, as the reflection service and the JSON mapping need them.
pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.bin"));
