//! Every rule of a piece as a scene: who did what when, and what people then see.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

mod calls;
mod effects;
mod intervals;
mod notices;
#[expect(clippy::wildcard_enum_match_arm, reason = "a scene shows what it is asked for, no more")]
mod script;
mod standings;
mod start;
mod strokes;
mod today;
mod told;
