//! Who needs a word: what the coach is shown, when, and when no longer.

use crate::script::check;
use expect_test::expect;

#[test]
fn a_stop_shows_once_it_has_lasted_and_goes_when_it_ends() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:00.0
         1:00.0 ana stands until 1:40.0
         1:40.0 ana rows 1:45.0 until 2:00.0
         1:09.0 show notices
         1:14.0 show notices
         1:15.0 call 'sit tall' to all, for 10 strokes
         1:39.0 show notices
         1:39.5 show calls
         1:46.0 show notices",
        expect![[r#"
            no notices
            ana stopped at 285 m since 1:00.0
            ana stopped at 285 m since 1:00.0
            1:15.0 'sit tall' waits
            no notices"#]],
    );
}

#[test]
fn who_says_to_have_stopped_is_shown_at_once_and_keeps_what_was_rowed() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:00.0
         0:00.0 bo rows 1:45.0 until 1:00.0
         1:00.0 ana stops rowing
         1:01.0 show notices
         1:01.0 show standings
         1:02.0 show results",
        expect![[r#"
            ana stopped at 285 m since 1:00.0
            1 bo -0.6 %, - ana stopped
            - ana stopped at 285.7 m, 1:00.0"#]],
    );
}

#[test]
fn who_is_not_heard_is_shown_after_ten_seconds() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0
         1:00.0 ana holds
         1:09.0 show notices
         1:11.0 show notices
         1:20.0 ana delivers
         1:22.0 show notices",
        expect![[r#"
            no notices
            ana not heard since 1:00.0
            no notices"#]],
    );
}

#[test]
fn fading_shows_with_the_numbers_behind_it() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 2:30.0
         2:30.0 ana rows 1:52.0 until 4:00.0
         2:30.0 show notices
         3:40.0 show notices",
        expect![[r#"
            no notices
            ana fading from 1:45.0 to 1:52.0 since 2:43.0"#]],
    );
}

#[test]
fn too_fast_too_soon_shows_early_in_the_piece() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:20.0
         0:08.0 show notices
         0:40.0 show notices",
        expect![[r#"
            no notices
            ana too fast: 1:38.0 for 1:45.0 since 0:11.0"#]],
    );
}

#[test]
fn rate_up_and_no_faster() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0 every 0:02.5
         1:40.0 ana rows 1:45.0 until 3:00.0 every 0:02
         1:40.0 show notices
         2:25.0 show notices",
        expect![[r#"
            no notices
            ana rate 30 after 27, no faster since 1:49.0"#]],
    );
}

#[test]
fn heart_rate_reaches_the_coach_with_consent_alone() {
    check(
        "1700m
         0:00.0 ana limit 172
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0
         0:30.0 ana heart 180
         0:35.0 ana consents
         0:40.0 ana heart 181
         0:45.0 ana heart 182
         0:50.0 ana heart 183
         0:52.0 show notices
         0:55.0 ana heart 165
         1:05.0 show notices",
        expect![[r#"
            0:30.0 ana refused: Heart rate is passed on only after consent; it was left out.
            ana heart 183 over 172 since 0:41.0
            no notices"#]],
    );
}
