//! Athlete, coach and board of a session, as a library: links that hold, samples that are never lost,
//! and one simulated rower.

pub mod address;
pub mod athlete;
pub mod backoff;
pub mod chance;
pub mod clock;
pub mod course;
pub mod kept;
pub mod link;
pub mod recording;
pub mod rower;
pub mod socket;
pub mod wording;
