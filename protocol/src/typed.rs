//! Times, distances and pieces as people type them, wherever they do: what `shown` writes is read back.

pub mod length;
pub mod piece;

pub use length::{distance, duration};
pub use piece::repeats;
