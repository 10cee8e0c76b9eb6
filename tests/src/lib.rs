//! What the tests of Thole are written with: any bytes for whatever is read, and the seeded simulator.

pub mod any;
#[expect(clippy::wildcard_enum_match_arm, reason = "a device picks what it reacts to")]
pub mod sim;
