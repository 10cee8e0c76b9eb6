//! The right word to the right people: calls, their grace, the call sheet.

use crate::script::check;
use expect_test::expect;

#[test]
fn a_call_waits_out_its_grace_and_stands_for_own_strokes() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 6:48.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0 every 0:02
         0:00.0 bo rows 2:00.0 until 1:40.0 every 0:03
         1:00.0 call 'push the legs' to all, for 10 strokes
         1:40.0 show calls",
        expect![[r#"
            1:00.0 'push the legs' waits
            1:02.0 ana, bo hears 'push the legs'
            1:22.0 ana: 'push the legs' is over
            1:30.0 bo: 'push the legs' is over
            1:30.0 screens: 'push the legs' is over"#]],
    );
}

#[test]
fn a_call_to_those_behind_goes_to_nobody_else() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:43.0 until 1:40.0
         0:00.0 bo rows 1:48.0 until 1:40.0
         1:00.0 call 'longer' to behind, until next
         1:10.0 show calls",
        expect![[r#"
            1:00.0 'longer' waits
            1:02.0 bo hears 'longer'"#]],
    );
}

#[test]
fn a_call_to_a_team_and_to_picked_athletes() {
    check(
        "1700m
         0:00.0 ana in Herons
         0:00.0 bo in Otters
         0:00.0 cy in Herons
         0:00.0 start
         0:00.0 ana rows 1:43.0 until 1:40.0
         0:00.0 bo rows 1:48.0 until 1:40.0
         0:00.0 cy rows 1:58.0 until 1:40.0
         1:00.0 call 'sit tall' to team Herons, for 0:10
         1:20.0 call 'breathe out' to bo cy, until next
         1:40.0 show calls",
        expect![[r#"
            1:00.0 'sit tall' waits
            1:02.0 ana, cy hears 'sit tall'
            1:12.0 ana, cy: 'sit tall' is over
            1:20.0 'breathe out' waits
            1:22.0 bo, cy hears 'breathe out'"#]],
    );
}

#[test]
fn never_two_calls_at_once_the_newer_wins() {
    check(
        "1700m
         0:00.0 ana joins
         0:00.0 bo joins
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0
         0:00.0 bo rows 1:45.0 until 1:40.0
         1:00.0 call 'long and loose' to all, until next
         1:10.0 call 'quick catch' to ana, for 8 strokes
         1:40.0 show calls",
        expect![[r#"
            1:00.0 'long and loose' waits
            1:02.0 ana, bo hears 'long and loose'
            1:10.0 'quick catch' waits
            1:12.0 ana hears 'quick catch'
            1:12.0 'quick catch' ended another call of ana
            1:30.0 ana: 'quick catch' is over
            1:30.0 screens: 'quick catch' is over"#]],
    );
}

#[test]
fn a_call_taken_back_within_its_grace_reaches_nobody() {
    check(
        "1700m
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:40.0
         1:00.0 call 'quick catch' to all, for 8 strokes
         1:01.5 take back 'quick catch'
         1:20.0 show calls
         1:21.0 call 'sit tall' to all, until next
         1:30.0 take back 'sit tall'
         1:31.0 show calls",
        expect![[r#"
            1:00.0 'quick catch' waits
            1:01.5 screens: 'quick catch' is taken back
            1:21.0 'sit tall' waits
            1:23.0 ana hears 'sit tall'
            1:30.0 ana: 'sit tall' is taken back"#]],
    );
}

#[test]
fn who_has_stopped_gets_no_call() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:48.0 until 1:40.0
         0:00.0 bo rows 1:48.0 until 0:30.0
         0:30.0 bo stands until 1:40.0
         0:20.0 call 'long and loose' to all, until next
         0:50.0 show standings
         1:00.0 call 'push the legs' to all, for 10 strokes
         1:05.0 ana stops rowing
         1:10.0 call 'quick catch' to all, for 10 strokes
         1:30.0 show calls",
        expect![[r#"
            1 ana -2.1 %, - bo stopped
            0:20.0 'long and loose' waits
            0:22.0 ana, bo hears 'long and loose'
            0:42.0 bo: 'long and loose' is over
            1:00.0 'push the legs' waits
            1:02.0 ana hears 'push the legs'
            1:02.0 'push the legs' ended another call of ana
            1:02.0 screens: 'long and loose' is over
            1:05.0 ana: 'push the legs' is over
            1:05.0 screens: 'push the legs' is over
            1:10.0 'quick catch' waits"#]],
    );
}

#[test]
fn a_call_just_after_the_go_reaches_all_who_are_in_and_later_who_has_begun() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:03.5 ana rows 1:48.0 until 1:00.0
         0:00.5 call 'sit tall' to all, for 10 strokes
         0:20.0 call 'long and loose' to all, until next
         0:59.0 show calls",
        expect![[r#"
            0:00.5 'sit tall' waits
            0:02.5 ana, bo hears 'sit tall'
            0:12.0 bo: 'sit tall' is over
            0:20.0 'long and loose' waits
            0:22.0 ana hears 'long and loose'
            0:22.0 'long and loose' ended another call of ana
            0:22.0 screens: 'sit tall' is over"#]],
    );
}

#[test]
fn the_sheet_says_nothing_to_somebody_who_has_stopped() {
    // Ana's phone was away when she came to 300 m, and she says that she has stopped before it
    // tells so. Bo sits still when 1:20 is there. Cy rows on and gets both.
    check(
        "1700m
         0:00.0 sheet at 300m: 'settle' to all, for 10 strokes
         0:00.0 sheet at 1:20: 'sit tall' to all, for 0:20
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 cy aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:06.0
         0:00.0 bo rows 2:40.0 until 0:50.0
         0:50.0 bo stands until 2:00.0
         0:00.0 cy rows 1:45.0 until 2:00.0
         0:55.0 ana holds
         1:08.0 ana stops rowing
         1:10.0 ana delivers
         2:01.0 show calls",
        expect![[r#"
            1:05.0 cy hears 'settle'
            1:20.0 cy hears 'sit tall'
            1:21.0 screens: 'the sheet's' is over
            1:40.0 cy: 'the sheet's' is over
            1:40.0 screens: 'the sheet's' is over"#]],
    );
}

#[test]
fn each_gets_a_call_of_the_sheet_on_getting_there() {
    check(
        "1700m
         0:00.0 sheet at 250m: 'settle' to all, for 10 strokes
         0:00.0 sheet at 1:20: 'sit tall' to all, for 0:20
         0:00.0 sheet at stroke 40: 'quick catch' to all, until next
         0:00.0 sheet at 1200m to go: 'halfway soon' to behind, until next
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 7:00.0
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 2:30.0
         0:00.0 bo rows 2:10.0 until 2:30.0
         2:31.0 show calls",
        expect![[r#"
            0:52.5 ana hears 'settle'
            1:05.0 bo hears 'settle'
            1:17.5 ana: 'the sheet's' is over
            1:20.0 ana hears 'sit tall'
            1:20.0 bo hears 'sit tall'
            1:21.0 screens: 'the sheet's' is over
            1:40.0 ana: 'the sheet's' is over
            1:40.0 bo: 'the sheet's' is over
            1:40.0 screens: 'the sheet's' is over
            1:40.0 ana hears 'quick catch'
            1:40.0 bo hears 'quick catch'
            2:10.0 bo hears 'halfway soon'"#]],
    );
}

#[test]
fn a_call_of_the_sheet_comes_once_also_across_a_lost_connection() {
    check(
        "1700m
         0:00.0 sheet at 300m: 'settle' to all, for 10 strokes
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 2:30.0
         0:55.0 ana holds
         1:10.0 ana delivers
         1:15.0 ana holds
         1:30.0 ana delivers backwards
         2:31.0 show calls",
        expect![[r#"
            1:10.0 ana hears 'settle'
            1:30.0 ana: 'the sheet's' is over
            1:31.0 screens: 'the sheet's' is over"#]],
    );
}
