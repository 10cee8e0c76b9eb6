//! The scenes of `tests/suite` as tests of the core: whoever changes a rule hears of it without the whole suite.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails here should say so and stop"
)]

#[path = "../../../tests/suite/scenes/calls.rs"]
mod calls;
#[path = "../../../tests/suite/scenes/intervals.rs"]
mod intervals;
#[path = "../../../tests/suite/scenes/notices.rs"]
mod notices;
#[path = "../../../tests/suite/scenes/standings.rs"]
mod standings;
#[path = "../../../tests/suite/scenes/start.rs"]
mod start;
#[path = "../../../tests/suite/scenes/strokes.rs"]
mod strokes;
#[path = "../../../tests/suite/scenes/told.rs"]
mod told;

#[test]
fn no_scene_is_left_out() {
    let modules = |text: &str| -> Vec<String> {
        text.lines().filter(|line| line.starts_with("mod ")).map(str::to_owned).collect()
    };
    let (all, here) = (include_str!("../../../tests/suite/scenes.rs"), include_str!("scenes.rs"));
    assert_eq!(modules(here), modules(all));
}
