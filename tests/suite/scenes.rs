//! Every rule of a piece as a scene: who did what when, and what people then see.

mod calls;
mod intervals;
mod notices;
mod standings;
mod start;
mod strokes;
mod told;
