//! The shell from outside: both journals, the web side on the loopback, and the program itself.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

mod anything;
mod authority;
mod backup;
mod built;
mod club;
mod connection;
mod damage;
mod dist;
mod formats;
mod inner;
mod journal;
mod logs;
mod opening;
mod power;
mod program;
mod salvaged;
mod sqlite;
mod tiny_disk;
mod web;
