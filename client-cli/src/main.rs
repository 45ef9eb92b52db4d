//! The client. To come.
fn main() {}
