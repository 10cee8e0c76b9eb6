//! What people are told, in what order, and what is old when it comes.

use crate::script::check;
use expect_test::expect;

#[test]
fn after_a_call_a_pace_has_a_minute_to_answer_and_a_heart_has_not() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 ana limit 172
         0:00.0 ana consents
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 2:20.0
         0:30.0 show notices
         0:30.5 call 'long and loose' to all, until next
         0:34.0 show notices
         1:10.0 ana heart 181
         1:15.0 ana heart 182
         1:20.0 ana heart 183
         1:22.0 show notices
         1:33.0 show notices
         1:44.0 show notices",
        expect![[r#"
            ana too fast: 1:38.0 for 1:45.0 since 0:11.0
            no notices
            ana heart 183 over 172 since 1:11.0
            no notices
            ana too fast: 1:38.0 for 1:45.0 since 1:33.0"#]],
    );
}

#[test]
fn the_most_urgent_notice_stands_first_and_of_equal_ones_the_oldest() {
    // By name, and by who came first, they would be the other way round.
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 cy aims 5:57.0
         0:00.0 dee limit 172
         0:00.0 dee consents
         0:00.0 start
         0:00.0 ana rows 1:38.0 until 1:20.0
         0:00.0 bo rows 1:45.0 until 0:40.0
         0:40.0 bo stands until 1:20.0
         0:00.0 cy rows 1:45.0 until 0:30.0
         0:30.0 cy stands until 1:20.0
         0:00.0 dee rows 1:45.0 until 1:20.0
         0:50.0 dee heart 181
         0:55.0 dee heart 181
         1:00.0 dee heart 181
         1:02.0 show notices",
        expect![
            "dee heart 181 over 172 since 0:51.0, cy stopped at 142 m since 0:30.0, bo stopped at 190 m since 0:40.0, ana too fast: 1:38.0 for 1:45.0 since 0:11.0"
        ],
    );
}

#[test]
fn a_call_of_the_sheet_that_was_passed_unheard_is_not_told_as_new() {
    // Both come to 300 m at 1:05. Ana is heard again 6.5 s later, Bo 5.5 s.
    check(
        "1700m
         0:00.0 sheet at 300m: 'settle' to all, until next
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:45.0 until 1:30.0
         0:00.0 bo rows 1:45.0 until 1:30.0
         0:55.0 ana holds
         0:55.0 bo holds
         1:10.5 bo delivers
         1:11.5 ana delivers
         1:30.0 show calls",
        expect![[r#"
            1:10.5 bo hears 'settle'
            1:11.5 ana hears 'settle' late"#]],
    );
}

#[test]
fn after_a_restart_who_does_not_come_back_is_not_heard_and_gives_the_place_up() {
    check(
        "1700m
         0:00.0 ana aims 5:57.0
         0:00.0 bo aims 5:57.0
         0:00.0 start
         0:00.0 ana rows 1:43.0 until 1:40.0
         0:00.0 bo rows 1:45.0 until 2:00.0
         1:40.0 show standings
         1:41.0 restart
         1:52.0 show notices
         1:57.0 show standings",
        expect![[r#"
            1 ana +2.1 %, 2 bo -0.4 %
            ana not heard since 1:41.0
            1 bo -0.2 %, - ana (not heard)"#]],
    );
}
