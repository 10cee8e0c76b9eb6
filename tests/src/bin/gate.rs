//! Everything a change must pass.

fn main() {}
