//! Small rules of a piece that people would notice if they were broken, by what they are about.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

mod bounds;
mod evening;
mod gym;
mod lost;
mod model_rows;
mod notices;
mod odd_rows;
mod pauses;
mod places;
mod ranges;
mod screens;
