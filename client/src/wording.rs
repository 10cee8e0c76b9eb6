//! The words that people type for pieces, targets, plans and times; and how numbers are shown.

pub mod past;
pub mod sheet;
pub mod target;

pub use past::past;
pub use sheet::{sheet_call, sheet_calls};
pub use target::{plan, target};
pub use thole_protocol::{
    shown::{distance_text, duration_text, pace_text, repeats_text, target_text, time_text},
    typed::{distance, duration, repeats},
};
