//! Everything that crosses the socket between Thole's server and its clients.
//!
//! The vocabulary, which the core shares: `units`, `ids`, `limits`, `spec`, `sample`, `order`,
//! `refusal`, `question`, `standing`, `event`. The messages made of it: `client_msg`, `server_msg`. Why connections end: `close`.
//! What lasts beyond a session, over HTTP: `club`. How some of it is told to people: `shown`, `results_table`; how they type it:
//! `typed`.

pub mod client_msg;
pub mod close;
pub mod club;
pub mod effect;
pub mod event;
pub mod ids;
pub mod limits;
pub mod order;
pub mod question;
pub mod refusal;
pub mod results_table;
pub mod sample;
pub mod server_msg;
pub mod shown;
pub mod spec;
pub mod standing;
pub mod total;
pub mod typed;
pub mod units;

pub use client_msg::ClientMsg;
pub use server_msg::ServerMsg;

/// The protocol version that this code speaks; `hello` carries the range a client understands.
pub const VERSION: u16 = 1;
