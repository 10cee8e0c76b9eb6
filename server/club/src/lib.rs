//! People and what they have rowed, across sessions: the types that last, and what becomes of a piece when it is settled.
//!
//! No clock, no socket, no file, no chance: instants and identities come in, so a server, a command and a test do the same.

pub mod day;
pub mod handed;
pub mod person;
pub mod result;
pub mod seating;

pub use day::{ClubDay, Zone};
pub use handed::Handed;
pub use person::{Club, ClubId, Person, PersonId};
pub use result::{AllOut, ComesFrom, HeardCall, LastingResult, ResultId};
pub use seating::{Seating, Sitter};
