//! People and what they have rowed, across sessions: the types that last, and what becomes of a piece when it is settled.
//!
//! No clock, no socket, no file, no chance: instants and identities come in, so a server, a command and a test do the same.

pub mod attendance;
pub mod best;
pub mod day;
pub mod deed;
pub mod handed;
pub mod note;
pub mod person;
pub mod plausible;
pub mod result;
pub mod rowed;
pub mod seating;
pub mod table;
pub mod words;

pub use best::{Best, Candidate};
pub use day::{ClubDay, Zone};
pub use deed::{Deed, DeedKind, DeedNo, Doer, Done, Reach};
pub use handed::Handed;
pub use person::{Club, ClubId, Person, PersonId};
pub use result::{AllOut, ComesFrom, HeardCall, LastingResult, ResultId};
pub use rowed::Rowed;
pub use seating::{Seating, Sitter};
pub use words::{Said, Words};
