//! A file of shift reports on its way to the service: lines read and parsed on a thread of their own, sent through a
//! bounded window, settled one by one in the order of the file.
//!
//! Whatever the size of the file, memory holds a few batches of rows and the rows not yet acknowledged. A line that
//! cannot be read spoils no other.

pub(crate) mod input;
pub(crate) mod report;
pub(crate) mod row;
pub(crate) mod stream;
pub(crate) mod tally;
