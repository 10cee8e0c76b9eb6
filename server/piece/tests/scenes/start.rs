//! Go, false start, the two clocks, and how a piece ends.

use crate::script::check;
use expect_test::expect;

#[test]
fn the_count_down_leads_to_the_go_and_the_clock_runs_for_everybody() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 show phase
         0:00.0 ana rows 1:45.0 until 6:00.0
         0:04.0 bo rows 1:45.0 until 6:05.0
         6:06.0 show results",
        expect![[r#"
            rowing repeat 1 since 0:00.0
            1 ana 5:57.0 ± 1250 ms +0.0 %
            2 bo 6:01.0 ± 1250 ms -1.2 %"#]],
    );
}

#[test]
fn on_the_own_clock_the_first_stroke_begins_it() {
    check(
        "1700m, own clock
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 6:00.0
         0:00.0 bo stands until 0:04.0
         0:04.0 bo rows 1:45.0 until 6:05.0
         6:06.0 show results",
        expect![[r#"
            1 ana 5:57.0 ± 2428 ms +0.0 %
            1 bo 5:57.0 ± 2428 ms +0.0 %"#]],
    );
}

#[test]
fn after_a_false_start_everybody_begins_again() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:40.0 until 0:12.0
         0:06.0 false start
         0:06.0 show phase
         0:40.0 start
         0:41.0 show phase
         0:40.0 ana rows 1:45.0 until 6:40.0
         0:40.0 bo rows 1:46.0 until 6:50.0
         6:51.0 show results",
        expect![[r#"
            armed
            rowing repeat 1 since 0:40.0
            1 ana 5:57.0 ± 1250 ms +0.0 %
            2 bo 6:00.4 ± 1250 ms -1.0 %"#]],
    );
}

#[test]
fn no_false_start_once_half_a_minute_is_rowed() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 0:40.0
         0:31.0 false start
         0:32.0 show phase",
        expect![[r#"
            0:31.0 refused: More than 30 s have been rowed: stop the piece instead.
            rowing repeat 1 since 0:00.0"#]],
    );
}

#[test]
fn a_late_finisher_is_waited_for_until_the_coach_closes() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 5:12.0
         0:00.0 cy aims 6:30.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         0:00.0 bo rows 2:00.0 until 5:20.0
         0:00.0 cy rows 2:31.0 until 5:45.0
         4:30.0 show phase
         5:30.0 show phase
         5:31.0 show standings
         5:40.0 close
         5:46.0 show phase
         5:46.0 show results",
        expect![[r#"
            closing
            closing
            1 ana +1.0 % finished, 2 bo +0.0 % finished, 3 cy -0.2 %
            finished
            1 ana 4:17.4 ± 1250 ms +1.0 %
            2 bo 5:12.0 ± 1250 ms +0.0 %
            - cy unfinished at 1125.8 m, 5:40.0"#]],
    );
}

#[test]
fn the_piece_is_finished_when_the_last_one_is_home() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 5:12.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         0:00.0 bo rows 2:00.0 until 5:20.0
         4:30.0 show phase
         5:21.0 show phase",
        expect![[r#"
            closing
            finished"#]],
    );
}

#[test]
fn a_stop_by_the_coach_keeps_what_was_rowed() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 6:48.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 2:10.0
         2:00.0 stop
         2:11.0 show phase
         2:11.0 show results",
        expect![[r#"
            stopped at 2:00.0
            - ana unfinished at 571.4 m, 2:00.0
            - bo did_not_start at 0.0 m, 0:00.0"#]],
    );
}

#[test]
fn who_stopped_before_the_close_has_stopped_whatever_the_device_does_later() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         0:00.0 bo rows 1:39.0 until 2:00.0
         2:00.0 bo stands until 4:30.0
         4:25.0 close
         4:26.0 show results
         4:40.0 bo silent
         5:00.0 show results",
        expect![[r#"
            1 ana 4:17.4 ± 1250 ms +1.0 %
            - bo stopped at 606.0 m, 2:00.0
            1 ana 4:17.4 ± 1250 ms +1.0 %
            - bo stopped at 606.0 m, 2:00.0"#]],
    );
}

#[test]
fn the_last_result_reaches_the_screens_although_it_ends_the_piece() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 cy joins
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 4:20.0
         0:00.0 cy rows 1:50.0 until 4:50.0
         4:51.0 show told results",
        expect![[r#"
            1 ana 4:17.4 ± 1250 ms +1.0 %
            - cy 4:46.0 ± 1250 ms"#]],
    );
}

#[test]
fn who_stops_in_a_piece_by_time_has_stopped_and_has_no_place() {
    check(
        "2:00
         0:00.0 ana aims 1:50.0 pace
         0:00.0 bo aims 1:50.0 pace
         0:00.0 cy aims 1:50.0 pace
         0:00.0 ana in Heron
         0:00.0 bo in Otter
         0:00.0 start
         0:00.0 ana rows 1:48.0 until 2:05.0
         0:00.0 bo rows 1:49.0 until 1:00.0
         1:00.0 bo stands until 2:10.0
         0:00.0 cy rows 1:49.0 until 1:50.0
         1:51.0 cy stops rowing
         2:11.0 show phase
         2:11.0 show standings
         2:11.0 show teams
         2:11.0 show results",
        expect![[r#"
            finished
            1 ana +1.9 % finished, - bo stopped, - cy stopped
            1 Heron +19248 (1), - Otter (0)
            1 ana 556 m ± 58 dm +1.9 %
            - bo stopped at 275.2 m, 1:00.0
            - cy stopped at 504.5 m, 1:50.0"#]],
    );
}

#[test]
fn who_is_not_heard_to_the_end_of_a_piece_by_time_is_finished_once_it_comes() {
    check(
        "2:00
         0:00.0 ana aims 1:50.0 pace
         0:00.0 bo aims 1:50.0 pace
         0:00.0 start
         0:00.0 ana rows 1:48.0 until 2:05.0
         0:00.0 bo rows 1:49.0 until 2:05.0
         1:00.0 bo holds
         2:10.0 show phase
         2:10.0 show results
         2:20.0 bo delivers
         2:21.0 show told results",
        expect![[r#"
            finished
            1 ana 556 m ± 58 dm +1.9 %
            - bo unheard at 275.2 m, 1:00.0
            1 ana 556 m ± 58 dm +1.9 %
            2 bo 550 m ± 58 dm +0.8 %"#]],
    );
}

#[test]
fn a_device_that_is_heard_while_the_machine_says_nothing_tells_that_somebody_stopped() {
    check(
        "2:00
         0:00.0 ana aims 1:50.0 pace
         0:00.0 bo joins
         0:00.0 start
         0:00.0 ana rows 1:48.0 until 1:00.0
         2:10.0 show phase
         2:10.0 show results",
        expect![[r#"
            finished
            - ana stopped at 277.7 m, 1:00.0
            - bo did_not_start at 0.0 m, 0:00.0"#]],
    );
}
