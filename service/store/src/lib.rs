//! The store: what the service asks of it, and the engines that answer.

pub mod contract;
