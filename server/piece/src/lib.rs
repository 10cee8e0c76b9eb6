//! The core of Thole: a session and its pieces as a pure, deterministic state machine.
//!
//! No clock, no socket, no lock, no random number, no file: `Session::apply(at, input)` is all that
//! ever happens, so a server, a test, a replay and a simulation can drive it alike.

pub mod aim;
pub mod call_sheet;
pub mod calls;
pub mod effect;
pub mod fine_at;
pub mod input;
pub mod limits;
pub mod name;
pub mod notice;
pub mod output;
pub mod picture;
pub mod piece;
pub mod plan;
pub mod projection;
pub mod question;
pub mod recording;
pub mod roster;
pub mod rower;
pub mod rulings;
pub mod session;
pub mod settled;
pub mod standings;
pub mod track;

pub use input::Input;
pub use output::Output;
pub use session::Session;
