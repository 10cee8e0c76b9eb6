//! The tests of Thole that cross packages: one binary, so that it links once.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

mod corpus;
mod flicker;
mod journals;
mod licences;
mod process;
mod simulation;
mod tidy;
mod wire;

/// The top of the checkout.
const ROOT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/..");
