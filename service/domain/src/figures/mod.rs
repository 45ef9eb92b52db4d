//! Figures of care: what was done in time, what is overdue, how long machines run between failures and how long they stand.
//!
//! The terms are those of EN 13306, EN 15341 and IEC 60050-192 in our own words; each figure says its numerator and
//! denominator. Plain functions of their arguments; who reads the orders, and of which machine, is not known here.

pub mod availability;
pub mod care;
pub mod group;
mod remarks;
pub mod standing;
pub mod uncertain;
