//! The pure heart of Fettler: what run hours, intervals, orders and journal entries mean.
//!
//! Nothing here reads a clock, a file, a socket or a random number, and nothing here is async: every function is
//! a function of its arguments, so the same input gives the same output on every machine and every engine. The
//! crate knows neither the wire format nor SQL; `fettler-server` and `fettler-store` translate.

pub mod access;
pub mod calendar;
pub mod closing;
pub mod consumables;
pub mod due_calendar;
pub mod error;
pub mod figures;
pub mod fluid;
pub mod forecast;
pub mod ids;
pub mod journal;
pub mod ledger;
pub mod near;
pub mod order;
pub mod outbound;
pub mod physics;
pub mod pin;
pub mod plan;
pub mod planned;
pub mod quantity;
pub mod reading;
pub mod review;
pub mod round;
pub mod rule;
pub mod shelf;
pub mod shop;
pub mod statistics;
pub mod text;
pub mod time;
