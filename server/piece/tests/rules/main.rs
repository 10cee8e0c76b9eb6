//! Small rules of a piece that people would notice if they were broken, grouped by subject.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::wildcard_enum_match_arm,
    reason = "a test that fails here should say so and stop"
)]

mod bounds;
mod calls;
mod evening;
mod gym;
mod legs;
mod lost;
mod machines;
mod model_rows;
mod notices;
mod odd_rows;
mod pauses;
mod places;
mod ranges;
mod recordings;
mod records;
mod rests;
mod screens;
mod seats;
mod stopped;
mod unheard;
mod unlike;
