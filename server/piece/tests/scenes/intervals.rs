//! Work and rest repeated.

use crate::script::check;
use expect_test::expect;

#[test]
fn rests_are_cut_out_and_the_next_repeat_comes_on_a_signal() {
    check(
        "3 x 400m / 1:30
         0:00.0 ana aims 1:45.0 pace
         0:00.0 bo aims 2:05.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:30.0
         0:00.0 bo rows 2:04.0 until 1:45.0
         1:20.0 show phase
         1:44.0 show phase
         3:09.3 ana rows 1:44.0 until 4:40.0
         3:09.3 bo rows 2:04.0 until 4:55.0
         4:50.0 show phase
         6:18.5 ana rows 1:45.0 until 7:50.0
         6:18.5 bo rows 2:03.0 until 8:05.0
         8:06.0 show phase
         8:06.0 show results
         8:06.0 show splits",
        expect![[r#"
            rowing repeat 1 since 0:00.0
            resting, repeat 2 at 3:09.2
            resting, repeat 3 at 6:18.5
            finished
            1 bo 4:56.9 ± 3750 ms +1.0 %
            2 ana 4:10.5 ± 3750 ms +0.5 %
            ana: 400.0 m in 1:23.2, 400.0 m in 1:23.3, 400.0 m in 1:24.0
            bo: 400.0 m in 1:39.2, 400.0 m in 1:39.3, 400.0 m in 1:38.3"#]],
    );
}

#[test]
fn each_may_go_on_when_the_own_rest_is_over() {
    check(
        "2 x 400m / 0:30, own rest
         0:00.0 ana aims 1:45.0 pace
         0:00.0 bo aims 2:05.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:25.0
         1:55.0 ana rows 1:44.0 until 3:20.0
         0:00.0 bo rows 2:04.0 until 1:40.0
         2:10.0 bo rows 2:04.0 until 3:52.0
         3:53.0 show results
         3:53.0 show splits",
        expect![[r#"
            1 bo 3:19.2 ± 2500 ms +0.4 %
            2 ana 2:48.2 ± 2500 ms -0.2 %
            ana: 400.0 m in 1:23.2, 400.0 m in 1:25.0
            bo: 400.0 m in 1:39.2, 400.0 m in 1:40.0"#]],
    );
}

#[test]
fn repeats_by_time_begin_by_the_clock_and_rest_metres_count_for_nothing() {
    check(
        "2 x 1:10 / 0:40
         0:00.0 ana aims 1:50.0 pace
         0:00.0 start
         0:00.0 ana rows 1:49.0 until 3:10.0
         1:20.0 show phase
         1:55.0 show phase
         3:11.0 show results
         3:11.0 show splits",
        expect![[r#"
            resting, repeat 2 at 1:50.0
            rowing repeat 2 since 1:50.0
            1 ana 642 m ± 115 dm +0.8 %
            ana: 321.1 m in 1:10.0, 321.1 m in 1:10.0"#]],
    );
}

#[test]
fn the_coach_may_signal_the_next_repeat_early() {
    check(
        "2 x 400m / 1:30
         0:00.0 ana aims 1:45.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:30.0
         1:35.0 next repeat
         1:36.0 show phase
         1:40.0 ana rows 1:44.0 until 3:10.0
         3:11.0 show results",
        expect![[r#"
            resting, repeat 2 at 1:40.0
            1 ana 2:46.4 ± 2500 ms +0.9 %"#]],
    );
}

/// Bo is still rowing when the coach goes on: the repeat is rowed to its end, and the next begins there, without a rest.
#[test]
fn a_signal_before_all_are_done_cuts_off_the_rest_and_not_the_repeat() {
    check(
        "2 x 400m / 1:30
         0:00.0 ana aims 1:45.0 pace
         0:00.0 bo aims 2:05.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:30.0
         0:00.0 bo rows 2:04.0 until 3:25.0
         1:25.0 next repeat
         1:26.0 show phase
         1:30.0 ana rows 1:44.0 until 3:00.0
         2:00.0 show standings
         3:26.0 show results
         3:26.0 show splits",
        expect![[r#"
            resting, repeat 2 at 1:30.0
            1 ana +0.1 %, 1 bo +0.1 %
            1 ana 2:46.4 ± 2500 ms +0.9 %
            2 bo 3:18.4 ± 2500 ms +0.8 %
            ana: 400.0 m in 1:23.2, 400.0 m in 1:23.2
            bo: 400.0 m in 1:39.2, 400.0 m in 1:39.2"#]],
    );
}

/// Cy comes in the second repeat, Dee lays the handle down after the first and is back for the third; nobody waits longer
/// for them than for anybody else.
#[test]
fn late_comers_row_from_the_current_repeat_on() {
    check(
        "3 x 400m / 1:30
         0:00.0 ana aims 1:45.0 pace
         0:00.0 dee aims 1:50.0 pace
         0:00.0 cy aims 1:45.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:30.0
         0:00.0 dee rows 1:48.0 until 1:35.0
         2:58.4 ana rows 1:44.0 until 4:30.0
         3:10.0 cy rows 1:44.0 until 4:40.0
         4:36.0 show phase
         4:36.0 show standings
         6:04.7 ana rows 1:45.0 until 7:35.0
         6:04.7 dee rows 1:48.0 until 7:40.0
         6:04.7 cy rows 1:44.0 until 7:35.0
         7:41.0 show phase
         7:41.0 show results
         7:41.0 show splits",
        expect![[r#"
            resting, repeat 3 at 6:03.2
            1 ana -0.4 %, - cy, - dee stopped
            finished
            1 ana 4:13.9 ± 3750 ms -0.8 %
            - dee unfinished at 800.0 m, 2:54.3 [repeats_missed]
            - cy unfinished at 800.0 m, 3:01.4 [late_start, repeats_missed]
            ana: 400.0 m in 1:23.2, 400.0 m in 1:25.1, 400.0 m in 1:25.5
            dee: 400.0 m in 1:26.4, 0.0 m in 0:00.0, 400.0 m in 1:27.9
            cy: 0.0 m in 0:00.0, 400.0 m in 1:36.7, 400.0 m in 1:24.7"#]],
    );
}

#[test]
fn everybody_can_see_for_whom_they_wait() {
    check(
        "2 x 400m / 1:30
         0:00.0 ana aims 1:45.0 pace
         0:00.0 bo aims 2:05.0 pace
         0:00.0 cy aims 2:05.0 pace
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 1:30.0
         0:00.0 bo rows 2:04.0 until 1:45.0
         0:00.0 cy rows 2:04.0 until 0:50.0
         1:00.0 show waits
         1:27.0 show waits
         1:44.0 show waits
         3:09.3 ana rows 1:44.0 until 4:40.0
         3:09.3 bo rows 2:04.0 until 4:55.0
         4:40.0 show waits
         4:40.0 show phase",
        expect![[r#"
            waits for nobody
            waits for bo
            waits for nobody
            waits for bo, cy
            closing"#]],
    );
}
