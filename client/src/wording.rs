//! The words that people type for pieces, targets, plans and times; and how numbers are shown.

pub mod length;
pub mod past;
pub mod piece;
pub mod sheet;
pub mod target;

pub use length::{distance, distance_text, duration, duration_text, pace_text, time_text};
pub use past::past;
pub use piece::{repeats, repeats_text};
pub use sheet::{sheet_call, sheet_calls};
pub use target::{plan, target, target_text};
