//! Samples as machines and networks deliver them: late, twice, reset, impossible.

use crate::script::check;
use expect_test::expect;

#[test]
fn samples_late_twice_and_backwards_change_no_result() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:20.0
         0:00.0 bo rows 1:38.0 until 4:20.0
         1:00.0 bo holds
         1:32.0 ana again
         2:10.0 bo delivers backwards
         2:11.0 bo again
         4:21.0 show results
         4:21.0 show splits",
        expect![[r#"
            1 ana 4:14.8 ± 1250 ms +2.0 %
            1 bo 4:14.8 ± 1250 ms +2.0 %
            ana: 325.0 m in 1:03.7, 325.0 m in 1:03.6, 325.0 m in 1:03.7, 325.0 m in 1:03.6
            bo: 325.0 m in 1:03.7, 325.0 m in 1:03.6, 325.0 m in 1:03.7, 325.0 m in 1:03.6"#]],
    );
}

#[test]
fn samples_that_come_after_the_close_still_count() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         0:00.0 bo rows 1:38.0 until 4:20.0
         3:50.0 bo holds
         4:25.0 close
         4:26.0 show results
         4:40.0 bo delivers
         4:41.0 show told results",
        expect![[r#"
            1 ana 4:17.4 ± 1250 ms +1.0 %
            - bo unfinished at 1173.4 m, 3:50.0
            1 bo 4:14.8 ± 1250 ms +2.0 %
            2 ana 4:17.4 ± 1250 ms +1.0 %"#]],
    );
}

#[test]
fn distance_counts_from_the_baseline_of_the_machine() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 start
         0:00.0 ana 812m
         0:00.0 ana rows 1:39.0 until 4:20.0
         4:21.0 show results",
        expect!["1 ana 4:17.4 ± 1250 ms +1.0 %"],
    );
}

#[test]
fn a_machine_that_is_reset_is_noticed_and_joined_up() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 2:00.0
         2:00.5 ana resets
         2:02.0 ana rows 1:39.0 until 4:25.0
         2:10.0 show notices
         3:30.0 show notices
         4:26.0 show results",
        expect![[r#"
            ana machine reset at 606 m since 2:02.0
            no notices
            1 ana 4:19.4 ± 1250 ms +0.2 % [joined]"#]],
    );
}

#[test]
fn an_impossible_value_is_refused_with_its_reason_and_the_athlete_stays() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana 0m
         0:10.0 ana 47m
         0:12.5 ana 180m
         0:13.0 ana again
         0:15.0 ana 71m
         0:17.5 ana 83m 90 spm
         0:20.0 ana 95m
         0:21.0 show standings",
        expect![[r#"
            0:12.5 ana's sample refused: impossible
            0:17.5 ana's sample refused: impossible
            1 ana +0.0 %"#]],
    );
}

#[test]
fn a_very_slow_rower_is_a_rower() {
    check(
        "1700m
         0:00.0 ana aims 16:40.0
         0:00.0 start
         0:00.0 ana rows 4:50.0 until 16:40.0
         16:41.0 show results",
        expect!["1 ana 16:26.0 ± 1250 ms +1.4 %"],
    );
}

#[test]
fn a_mean_that_nobody_rows_is_marked_and_stands() {
    check(
        "1700m
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 1:05.0 until 3:45.0
         3:46.0 show results",
        expect!["- ana 3:41.0 ± 1250 ms [implausible]"],
    );
}

#[test]
fn samples_that_are_gone_for_good_leave_the_totals_right_and_a_mark() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         1:00.0 ana holds
         1:30.0 ana forgets
         4:21.0 show results",
        expect!["1 ana 4:17.4 ± 1250 ms +1.0 % [gaps]"],
    );
}

#[test]
fn what_was_rowed_before_anything_was_heard_is_given_to_nobody() {
    check(
        "400m
         0:00.0 ana aims 1:45.0 pace
         0:00.0 start
         1:00.0 ana 390m
         1:00.0 ana rows 1:45.0 until 2:40.0
         2:41.0 show results",
        expect!["1 ana 2:24.0 ± 1250 ms -71.5 % [no_baseline, late_start]"],
    );
}

/// Ana stands still for half a minute and her phone is put away; Bo's falls silent in the middle of a stroke.
#[test]
fn who_was_heard_to_stand_still_had_stopped() {
    check(
        "1700m
         0:00.0 ana aims 6:00.0
         0:00.0 bo aims 6:00.0
         0:00.0 start
         0:00.0 ana rows 1:46.0 until 1:00.0
         1:00.0 ana stands until 1:30.0
         1:30.0 ana silent
         0:00.0 bo rows 1:46.0 until 1:00.0
         1:00.0 bo silent
         3:00.0 stop
         3:00.0 show results",
        expect![[r#"
            - ana stopped at 283.0 m, 1:00.0
            - bo unfinished at 283.0 m, 1:00.0"#]],
    );
}
