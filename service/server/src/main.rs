//! The service. To come.
fn main() {}
