//! Answers as text for people: pure functions from messages to strings. Words only; colour and symbols mean nothing.

pub(crate) mod ahead;
pub(crate) mod audit;
pub(crate) mod calc;
pub(crate) mod calendar;
pub(crate) mod due;
pub(crate) mod figures;
pub(crate) mod fluid;
pub(crate) mod fluid_page;
pub(crate) mod hours;
pub(crate) mod journal;
pub(crate) mod machine;
pub(crate) mod order;
pub(crate) mod planned;
pub(crate) mod plot;
pub(crate) mod point;
pub(crate) mod readings;
pub(crate) mod review;
pub(crate) mod round;
pub(crate) mod stock;
pub(crate) mod table;
pub(crate) mod why;
pub(crate) mod words;
pub(crate) mod wrap;
