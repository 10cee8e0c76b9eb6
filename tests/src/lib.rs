//! What the tests of Thole are written with: a piece as text, and the seeded simulator.

pub mod any;
#[expect(clippy::wildcard_enum_match_arm, reason = "a scene shows what it is asked for, no more")]
pub mod script;
#[expect(clippy::wildcard_enum_match_arm, reason = "a device picks what it reacts to")]
pub mod sim;
