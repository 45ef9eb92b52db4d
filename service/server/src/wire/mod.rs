//! Between the wire and the domain. Messages become domain types here, once, and every field that cannot be taken
//! is collected with its path, its value and the remedy; answers are written here in the words of the site's zone.
//!
//! Nothing here reads a clock, asks the store or knows a status code.

pub mod ahead;
pub mod audit;
pub mod buy;
pub mod check;
pub mod due;
pub mod due_calendar;
pub mod due_clause;
pub mod fields;
pub mod figures;
pub mod fluid;
pub mod held;
pub mod journal;
pub mod machine;
pub mod models;
pub mod order;
pub mod outbound;
pub mod page;
pub mod people;
pub mod planned;
pub mod proof;
pub mod reading;
pub mod report;
pub mod review;
pub mod round;
pub mod shop_in;
pub mod shop_out;
pub mod stock;
pub mod tasks_in;
pub mod time;
pub mod units;
