//! Athlete, coach and board of a session, as a library: links that hold, samples that are never lost,
//! and one simulated rower.
//!
//! One sample's way: `rower` or `recording` (what a machine says) → `course` (when) → `seat` → `athlete` and
//! `kept` (until it is durable) → `link` → `socket`.

pub mod address;
pub mod athlete;
pub mod backoff;
pub mod board;
pub mod cautions;
pub mod chance;
pub mod clock;
pub mod coach;
pub mod course;
pub mod enter;
pub mod ftms;
pub mod kept;
pub mod link;
pub mod mirror;
mod outgoing;
pub mod own_aim;
pub mod recording;
pub mod results;
pub mod roster;
pub mod rower;
pub mod saved;
pub mod seat;
pub mod socket;
pub mod table;
pub mod thin;
pub mod wording;
