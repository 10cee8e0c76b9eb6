//! The program `thole`.
fn main() {}
