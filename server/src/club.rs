//! The club: people and their results, in one SQLite file beside the journal. It takes what sessions hand on, and no session ever
//! waits for it: whatever it has missed it takes from the journal.

pub mod command;
pub mod desk;
pub mod export;
pub mod gone;
pub mod http;
pub mod leaving;
mod migrations;
mod queries;
pub mod reading;
pub mod rebuild;
pub mod retention;
#[cfg(test)]
mod season;
pub mod store;
pub mod taking;
mod zone;

pub use desk::Desk;
pub use store::{ClubError, Store, file};
pub use taking::Handing;
