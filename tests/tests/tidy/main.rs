//! The project's own rules, as tests: which crate may know which, where SQL and status codes may stand, how large a
//! file or a function may grow, what the protos must say, and that the documents hold together.
//!
//! Every rule is a function from text to findings, so that each can be shown to find a planted fault.

mod arrows;
mod documents;
mod protos;
mod size;
mod tree;
mod words;

/// Fails with one finding a line.
fn none(rule: &str, findings: &[String]) {
    assert!(findings.is_empty(), "{rule}:\n  {}", findings.join("\n  "));
}
