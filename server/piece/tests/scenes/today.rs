//! Rowing easily, and not today: by one's own word, without a reason.

use crate::script::check;
use expect_test::expect;

#[test]
fn who_takes_it_easy_rows_without_a_place_and_moves_nobody_elses() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 cy aims 5:57.0
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 6:10.0
         0:00.0 bo rows 1:30.0 until 5:20.0
         0:00.0 cy rows 1:46.0 until 6:20.0
         0:40.0 show standings
         0:40.0 show words
         6:20.0 show results",
        expect![[r#"
            1 ana +0.1 %, 2 cy -1.3 %, - bo
            ana about, cy behind, bo -
            1 ana 5:53.6 ± 1250 ms +0.9 %
            2 cy 6:00.4 ± 1250 ms -1.0 %
            - bo 5:06.0 ± 1250 ms [unranked]"#]],
    );
}

#[test]
fn a_team_is_placed_without_those_who_take_it_easy() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 ana in Herons
         0:00.0 bo aims 6:48.0
         0:00.0 bo in Otters
         0:00.0 cy aims 6:48.0
         0:00.0 cy in Otters
         0:00.0 cy ready easy
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 6:10.0
         0:00.0 bo rows 1:57.0 until 7:00.0
         0:00.0 cy rows 1:31.0 until 5:20.0
         2:01.0 show teams
         7:01.0 show teams",
        expect![[r#"
            1 Otters +26000 (1), 2 Herons +10000 (1)
            1 Otters +25000 (1), 2 Herons +9524 (1)"#]],
    );
}

/// Neither one to all, nor to those behind, nor one of the sheet, nor one with their name on it.
#[test]
fn no_call_reaches_who_takes_it_easy() {
    check(
        "1700m
         0:00.0 sheet at 300m: 'settle' to all, until next
         0:00.0 ana aims 5:57.0
         0:00.0 ana in Herons
         0:00.0 bo aims 5:57.0
         0:00.0 bo in Herons
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:50.0 until 2:40.0
         0:00.0 bo rows 2:00.0 until 2:40.0
         0:01.0 call 'off we go' to all, for 0:05
         1:00.0 call 'longer' to behind, for 0:05
         1:20.0 call 'sit tall' to team Herons, for 0:05
         1:40.0 call 'with her' to ana bo, for 0:05
         2:00.0 call 'bo!' to bo, for 0:05
         2:20.0 show calls",
        expect![[r#"
            2:00.0 refused: bo takes it easy today and gets no calls: tell them yourself.
            0:01.0 'off we go' waits
            0:03.0 ana hears 'off we go'
            0:08.0 ana: 'off we go' is over
            1:00.0 'longer' waits
            1:02.0 ana hears 'longer'
            1:07.0 ana: 'longer' is over
            1:07.5 ana hears 'settle'
            1:20.0 'sit tall' waits
            1:22.0 ana hears 'sit tall'
            1:22.0 'sit tall' ended another call of ana
            1:22.0 screens: 'the sheet's' is over
            1:27.0 ana: 'sit tall' is over
            1:40.0 'with her' waits
            1:42.0 ana hears 'with her'
            1:47.0 ana: 'with her' is over"#]],
    );
}

#[test]
fn a_call_that_stands_is_over_for_whoever_takes_it_easy_from_now_on() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:50.0 until 2:00.0
         0:00.0 bo rows 2:00.0 until 2:00.0
         0:40.0 call 'longer' to all, until next
         1:00.0 bo ready easy
         1:10.0 call 'quicker' to all, until next
         1:20.0 show calls
         1:20.0 show standings",
        expect![[r#"
            0:40.0 'longer' waits
            0:42.0 ana, bo hears 'longer'
            1:00.0 bo: 'longer' is over
            1:10.0 'quicker' waits
            1:12.0 ana hears 'quicker'
            1:12.0 'quicker' ended another call of ana
            1:12.0 screens: 'longer' is over
            1 ana -3.8 %, 2 bo -9.7 %"#]],
    );
}

#[test]
fn no_card_speaks_of_the_pace_of_whoever_takes_it_easy_but_of_their_heart() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 bo limit 172
         0:00.0 bo consents
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:30.0
         0:00.0 bo rows 1:38.0 until 1:00.0
         1:00.0 bo stands until 1:30.0
         0:30.0 show notices
         0:40.0 bo heart 181
         0:45.0 bo heart 181
         0:50.0 bo heart 181
         0:52.0 show notices
         1:20.0 show notices",
        expect![[r#"
            ana too fast: 1:38.0 for 1:45.0 since 0:11.0
            bo heart 181 over 172 since 0:41.0, ana too fast: 1:38.0 for 1:45.0 since 0:11.0
            bo stopped at 306 m since 1:00.0, ana too fast: 1:38.0 for 1:45.0 since 0:11.0"#]],
    );
}

/// Whoever has seen that they are last would have no place if they could choose then.
#[test]
fn what_is_said_in_the_middle_of_a_piece_counts_from_the_next_one_on() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:45.0 until 4:40.0
         2:00.0 show standings
         2:00.0 bo ready easy
         2:10.0 show standings
         4:41.0 show results",
        expect![[r#"
            1 ana +2.1 %, 2 bo -3.7 %
            1 ana +2.1 %, 2 bo -3.7 %
            1 ana 4:14.8 ± 1250 ms +2.0 %
            2 bo 4:33.0 ± 1250 ms -5.0 %"#]],
    );
}

#[test]
fn nobody_gets_their_place_back_once_they_have_begun_to_row_easily() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:35.0 until 4:20.0
         2:00.0 bo ready
         4:31.0 show results",
        expect![[r#"
            1 ana 4:14.8 ± 1250 ms +2.0 %
            - bo 4:07.0 ± 1250 ms [unranked]"#]],
    );
}

#[test]
fn strokes_that_were_kept_back_until_it_was_said_are_older_than_the_word() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo holds
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:45.0 until 4:40.0
         2:00.0 bo ready easy
         2:10.0 bo delivers
         2:12.0 show standings
         4:41.0 show results",
        expect![[r#"
            1 ana +2.1 %, 2 bo -3.6 %
            1 ana 4:14.8 ± 1250 ms +2.0 %
            2 bo 4:33.0 ± 1250 ms -5.0 %"#]],
    );
}

/// The newest strokes come first, and only they are younger than the word.
#[test]
fn in_whatever_order_strokes_come_the_word_came_after_the_first() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo holds
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:45.0 until 4:40.0
         2:00.0 bo ready easy
         2:30.0 bo delivers backwards
         2:32.0 show standings",
        expect!["1 ana +2.1 %, 2 bo -3.5 %"],
    );
}

#[test]
fn whoever_comes_late_may_say_it_before_the_first_stroke() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:30.0 bo joins
         0:40.0 bo ready easy
         0:41.0 bo aims 4:20.0
         0:45.0 bo rows 1:35.0 until 5:00.0
         1:30.0 show standings
         5:01.0 show results",
        expect![[r#"
            1 ana +2.1 %, - bo
            1 ana 4:14.8 ± 1250 ms +2.0 %
            - bo 4:52.0 ± 1250 ms [late_start, unranked]"#]],
    );
}

#[test]
fn after_a_false_start_the_newest_word_counts() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 0:08.0
         0:00.0 bo rows 1:38.0 until 0:08.0
         0:05.0 bo ready easy
         0:10.0 false start
         0:40.0 start
         0:40.0 ana rows 1:38.0 until 1:30.0
         0:40.0 bo rows 1:38.0 until 1:30.0
         1:30.0 show standings",
        expect!["1 ana +1.5 %, - bo"],
    );
}

#[test]
fn who_does_not_row_today_stands_nowhere_and_nobody_waits() {
    check(
        "2 x 300m / 0:30
         0:00.0 ana aims 2:00.0
         0:00.0 bo aims 2:00.0
         0:00.0 bo not today
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:10.0
         0:40.0 show standings
         0:50.0 bo silent
         1:05.0 show phase
         1:35.0 ana rows 1:38.0 until 2:40.0
         2:41.0 show phase
         2:41.0 show results",
        expect![[r#"
            1 ana -0.4 %
            resting, repeat 2 at 1:28.8
            finished
            1 ana 2:03.8 ± 2500 ms -3.2 %"#]],
    );
}

/// They were here in the countdown and are gone: they might be rowing unheard, but have said that they are not.
#[test]
fn whoever_says_not_today_after_the_go_is_not_waited_for_either() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo joins
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:20.0 show standings
         0:30.0 bo not today
         0:31.0 bo silent
         0:32.0 show standings
         4:31.0 show phase
         4:31.0 show results",
        expect![[r#"
            - ana, - bo here
            1 ana +0.9 %
            finished
            1 ana 4:14.8 ± 1250 ms +2.0 %"#]],
    );
}

#[test]
fn ready_takes_not_today_back() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo not today
         0:00.0 bo ready
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:30.0
         0:00.0 bo rows 1:39.0 until 1:30.0
         1:30.0 show standings",
        expect!["1 ana +2.1 %, 2 bo +0.9 %"],
    );
}

/// A slip of the finger, or somebody who changes their mind: nothing of it is lost, and nobody's place moves.
#[test]
fn whoever_rows_after_all_rows_without_a_place_and_is_not_waited_for() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo not today
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:55.0 until 5:20.0
         0:40.0 show standings
         4:20.0 show waits
         4:31.0 show phase
         5:21.0 show results",
        expect![[r#"
            1 ana +1.2 %, - bo
            waits for nobody
            finished
            1 ana 4:14.8 ± 1250 ms +2.0 %
            - bo unfinished at 1108.6 m, 4:15.0 [unranked]"#]],
    );
}

#[test]
fn the_same_word_twice_and_a_word_after_the_end_change_nothing() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:39.0 until 4:30.0
         2:00.0 bo ready easy
         4:31.0 show results
         4:32.0 ana ready easy
         4:33.0 bo ready
         4:34.0 show results",
        expect![[r#"
            1 ana 4:14.8 ± 1250 ms +2.0 %
            - bo 4:17.4 ± 1250 ms [unranked]
            1 ana 4:14.8 ± 1250 ms +2.0 %
            - bo 4:17.4 ± 1250 ms [unranked]"#]],
    );
}

#[test]
fn no_card_speaks_of_a_pace_once_somebody_has_said_that_they_take_it_easy() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:10.0
         0:30.0 show notices
         0:31.0 ana ready easy
         0:33.0 show notices
         1:00.0 ana ready
         1:10.0 show notices",
        expect![[r#"
            ana too fast: 1:38.0 for 1:45.0 since 0:11.0
            no notices
            ana too fast: 1:38.0 for 1:45.0 since 1:00.0"#]],
    );
}

#[test]
fn whoever_is_home_keeps_the_place_that_they_have() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:36.0 until 4:10.0
         4:12.0 bo ready easy
         4:13.0 show results
         4:31.0 show results",
        expect![[r#"
            - bo 4:09.6 ± 1250 ms +4.0 %
            1 bo 4:09.6 ± 1250 ms +4.0 %
            2 ana 4:14.8 ± 1250 ms +2.0 %"#]],
    );
}

#[test]
fn the_next_repeat_does_not_wait_for_whoever_rows_after_all() {
    check(
        "2 x 300m / 0:30
         0:00.0 ana aims 2:00.0
         0:00.0 bo not today
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:00.0
         0:00.0 bo rows 3:00.0 until 1:10.0
         1:05.0 show phase",
        expect!["resting, repeat 2 at 1:28.8"],
    );
}

#[test]
fn another_target_does_not_make_the_word_older_than_strokes_that_were_kept_back() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 bo holds
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:45.0 until 4:40.0
         2:00.0 bo ready easy
         2:01.0 bo aims 4:30.0
         2:10.0 bo delivers
         2:12.0 show standings",
        expect!["1 ana +2.1 %, 2 bo -1.3 %"],
    );
}

/// What changes after a call is held against others who did not get it: whoever rows easily says nothing about that.
#[test]
fn a_call_is_not_held_against_those_who_take_it_easy() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo ready easy
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 2:40.0
         0:00.0 bo rows 1:45.0 until 2:40.0
         1:30.0 call 'longer' to all, for 0:20
         2:40.0 show effects",
        expect!["1:57.0 screens: 'longer' speed +0.1 ± 2.6 %, rate -, 1 of 1 faster, against 0"],
    );
}
