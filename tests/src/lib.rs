//! What the whole-program tests share: the two programs as they are built, a service with a data folder of its own, calls to
//! it over the wire, the client with a cleared environment, the oracles in Python, and a year of real duty.
//!
//! Nothing here knows the inside of a program: what a test sees is what a shop sees.

#![expect(clippy::missing_panics_doc, reason = "the kit panics where a test has failed")]

pub mod agent;
pub mod agree;
pub mod browser;
pub mod calls;
pub mod care;
pub mod client;
pub mod collector;
pub mod disk;
pub mod duty;
pub mod faulty;
pub mod floor;
pub mod fuzz;
pub mod fuzz_log;
pub mod fuzz_requests;
pub mod fuzz_targets;
pub mod history;
pub mod kill;
pub mod languages;
pub mod line;
pub mod load;
pub mod long_audit;
pub mod model;
pub mod oracle;
pub mod peers;
pub mod programs;
pub mod push;
pub mod relay;
pub mod script;
pub mod sequences;
pub mod servers;
pub mod service;
pub mod shuffle;
pub mod standing_reader;
pub mod story;
pub mod tamper;
pub mod terminal;
pub mod thrice;
pub mod traced;
pub mod two_months;
pub mod wire;
pub mod year;
