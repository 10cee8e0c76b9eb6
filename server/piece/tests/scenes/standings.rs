//! Who stands where: margins, places, teams, and who is not ranked.

use crate::script::check;
use expect_test::expect;

#[test]
fn a_slower_rower_ahead_of_her_own_target_leads() {
    check(
        "1700m
         0:00.0 ana aims 5:06.0
         0:00.0 bo  aims 7:39.0
         0:00.0 start
         0:00.0 ana rows 1:31.0 until 1:30.0
         0:00.0 bo  rows 2:12.0 until 1:30.0
         1:31.0 show standings",
        expect!["1 bo +1.5 %, 2 ana -1.5 %"],
    );
}

/// Seventy seconds late and as planned from then on: all of 5:10.0 is heading for what it comes to, 29.2 % over the target.
#[test]
fn whoever_starts_late_is_projected_by_how_they_row_and_not_by_how_they_came() {
    check(
        "1000m
         0:00.0 eve aims 4:00.0
         0:00.0 start
         1:10.0 eve rows 2:00.0 until 5:20.0
         1:20.0 show standings
         1:25.0 show standings
         1:32.0 show standings
         1:40.0 show standings
         2:10.0 show standings
         4:40.0 show standings
         5:20.0 show results",
        expect![[r#"
            - eve
            - eve
            1 eve -28.9 %
            1 eve -28.9 %
            1 eve -28.5 %
            1 eve -29.1 %
            1 eve 5:10.0 ± 1333 ms -29.2 % [late_start]"#]],
    );
}

/// Standard competition ranking, as results of regattas list it: 1, 2, 2, 4.
#[test]
fn equal_finishes_against_the_target_share_a_place_and_the_next_place_is_free() {
    check(
        "1300m
         0:00.0 ana aims 4:20.0
         0:00.0 bo aims 4:20.0
         0:00.0 cy aims 4:20.0
         0:00.0 di aims 4:20.0
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 4:30.0
         0:00.0 bo rows 1:39.0 until 4:30.0
         0:00.0 cy rows 1:39.0 until 4:30.0
         0:00.0 di rows 1:41.0 until 4:30.0
         4:31.0 show results",
        expect![[r#"
            1 ana 4:14.8 ± 1250 ms +2.0 %
            2 bo 4:17.4 ± 1250 ms +1.0 %
            2 cy 4:17.4 ± 1250 ms +1.0 %
            4 di 4:22.6 ± 1250 ms -1.0 %"#]],
    );
}

#[test]
fn ranked_by_amount_the_order_can_be_another_one() {
    check(
        "1700m
         0:00.0 ana aims 5:06.0
         0:00.0 bo  aims 8:30.0
         0:00.0 start
         0:00.0 ana rows 1:29.0 until 8:20.0
         0:00.0 bo  rows 2:28.5 until 8:30.0
         8:31.0 show results
         8:32.0 rank by amount
         8:33.0 show results",
        expect![[r#"
            1 ana 5:02.6 ± 1250 ms +1.1 %
            2 bo 8:24.9 ± 1511 ms +1.0 %
            1 bo 8:24.9 ± 1511 ms +1.0 %
            2 ana 5:02.6 ± 1250 ms +1.1 %"#]],
    );
}

#[test]
fn who_has_no_target_is_listed_and_not_ranked() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 cy joins
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:00.0
         0:00.0 cy  rows 1:40.0 until 1:00.0
         1:01.0 show standings",
        expect!["1 ana -0.6 %, - cy"],
    );
}

#[test]
fn teams_are_placed_by_the_mean_margin_of_as_many_as_the_smallest_has() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 ana in Herons
         0:00.0 bo aims 6:48.0
         0:00.0 bo in Otters
         0:00.0 cy aims 6:48.0
         0:00.0 cy in Otters
         0:00.0 start
         0:00.0 ana rows 1:44.0 until 2:00.0
         0:00.0 bo rows 1:57.0 until 2:00.0
         0:00.0 cy rows 2:04.0 until 2:00.0
         2:01.0 show standings
         2:01.0 show teams
         2:02.0 best 2 of a team
         2:03.0 show teams",
        expect![[r#"
            1 bo +2.6 %, 2 ana +1.0 %, 3 cy -3.3 %
            1 Otters +26000 (1), 2 Herons +10000 (1)
            1 Otters -4000 (2), - Herons (0)"#]],
    );
}

#[test]
fn a_piece_by_time_is_about_metres() {
    check(
        "4:10
         0:00.0 ana aims 1150m
         0:00.0 bo aims 1:56.0 pace
         0:00.0 start
         0:00.0 ana rows 1:47.0 until 4:20.0
         0:00.0 bo rows 1:57.0 until 4:20.0
         1:31.0 show standings
         4:21.0 show phase
         4:21.0 show results",
        expect![[r#"
            1 ana +2.3 %, 2 bo -0.6 %
            finished
            1 ana 1168 m ± 59 dm +1.5 %
            2 bo 1068 m ± 54 dm -0.9 %"#]],
    );
}

#[test]
fn a_target_that_nobody_can_row_is_refused_and_the_athlete_stays() {
    check(
        "1700m
         0:00.0 ana aims 3:30.0
         0:00.0 ana aims 5:06.0
         0:00.0 start
         0:00.0 ana rows 1:30.0 until 1:00.0
         1:01.0 show standings",
        expect![[r#"
            -0:20.0 ana refused: ana: Nobody rows 1,700 m in 3:30.0: set a target of 3:46.7 or slower.
            1 ana -0.5 %"#]],
    );
}

#[test]
fn who_is_not_heard_for_fifteen_seconds_is_out_of_the_ranking_until_heard_again() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 bo rows 1:46.0 until 2:00.0
         0:00.0 ana rows 1:44.0 until 2:00.0
         0:40.0 ana holds
         0:45.0 show standings
         0:50.0 show standings
         0:57.0 show standings
         1:05.0 ana delivers
         1:07.0 show standings",
        expect![[r#"
            1 ana +0.1 %, 2 bo -1.3 %
            1 ana +0.1 % (not heard), 2 bo -1.4 %
            1 bo -1.4 %, - ana (not heard)
            1 ana +0.5 %, 2 bo -1.4 %"#]],
    );
}

/// One word per person, by the chance of making the target: nobody is called behind because of history alone in the first
/// strokes, and somebody who rows about what they want is not called ahead and behind in turns.
#[test]
fn one_word_is_said_of_each_once_it_is_clear_and_stays() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 cy aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:39.0 until 6:00.0
         0:00.0 bo rows 1:51.0 until 7:00.0
         0:00.0 cy rows 1:45.0 until 7:00.0
         0:14.0 show words
         0:40.0 show words
         3:00.0 show words
         5:20.0 show words
         6:40.0 show words",
        expect![[r#"
            ana -, bo -, cy -
            ana ahead, cy about, bo behind
            ana ahead, cy about, bo behind
            ana ahead, cy about, bo behind
            ana ahead, cy ahead, bo behind"#]],
    );
}
