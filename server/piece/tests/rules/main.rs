//! Small rules of a piece that people would notice if they were broken, by what they are about.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

mod bounds;
mod gym;
mod lost;
mod notices;
mod pauses;
mod places;
mod ranges;
mod screens;
