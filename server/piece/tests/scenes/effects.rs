//! What changed after a call, as it is measured: athletes before and after, and those who did not get it.

use expect_test::expect;

use crate::script::check;

#[test]
fn what_changed_is_told_when_the_last_stroke_under_the_call_is_in() {
    check(
        "3000m
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 2:00.0 until 1:00.0
         1:00.0 ana rows 1:57.0 until 3:00.0
         1:00.0 call 'long and loose' to all, for 10 strokes
         3:00.0 show effects",
        expect![
            "1:30.0 screens: 'long and loose' speed +2.6 ± 2.3 %, rate -, 1 of 1 faster, against 0"
        ],
    );
}

#[test]
fn those_who_got_no_call_take_the_drift_of_the_piece_out() {
    check(
        "3000m
         0:00.0 ana joins
         0:00.0 bo joins
         0:00.0 cy joins
         0:00.0 di joins
         0:00.0 ed joins
         0:00.0 start
         0:00.0 ana rows 2:00.0 until 1:00.0
         0:00.0 bo rows 2:00.0 until 1:00.0
         0:00.0 cy rows 2:00.0 until 1:00.0
         0:00.0 di rows 2:00.0 until 1:00.0
         0:00.0 ed rows 2:00.0 until 1:00.0
         1:00.0 ana rows 1:57.0 until 3:00.0
         1:00.0 bo rows 1:56.0 until 3:00.0
         1:00.0 cy rows 1:58.0 until 3:00.0
         1:00.0 di rows 1:59.0 until 3:00.0
         1:00.0 ed rows 1:58.5 until 3:00.0
         1:00.0 call 'long and loose' to ana bo, for 0:30
         3:00.0 show effects",
        expect![
            "1:37.0 screens: 'long and loose' speed +1.8 ± 1.0 %, rate +0.0 ± 0.0, 2 of 2 faster, against 3"
        ],
    );
}

/// A call that is replaced stood until then; one that was taken back is not measured; too little before or after is
/// reported.
#[test]
fn a_call_is_measured_for_as_long_as_it_stood() {
    check(
        "3000m
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 2:00.0 until 1:20.0
         1:20.0 ana rows 1:50.0 until 4:00.0
         0:10.0 call 'sit tall' to all, for 3 strokes
         1:00.0 call 'long and loose' to all, until next
         1:19.0 call 'quick catch' to all, until next
         2:30.0 call 'push the legs' to all, until next
         2:50.0 take back 'push the legs'
         4:00.0 show effects",
        expect![[r#"
            0:12.0 screens: 'sit tall' speed - %, rate -, 0 of 0 faster, against 0
            1:26.0 screens: 'long and loose' speed +0.0 ± 2.6 %, rate -, 1 of 1 faster, against 0
            2:26.0 screens: 'quick catch' speed +9.1 ± 1.7 %, rate -, 1 of 1 faster, against 0"#]],
    );
}

/// Somebody who lays the handle down has not been slowed by a call.
#[test]
fn whoever_stops_under_a_call_says_nothing_of_it() {
    check(
        "3000m
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 2:00.0 until 1:20.0
         1:20.0 ana stands until 2:30.0
         1:00.0 call 'long and loose' to all, until next
         3:00.0 show effects",
        expect!["1:37.0 screens: 'long and loose' speed - %, rate -, 0 of 0 faster, against 0"],
    );
}

#[test]
fn a_rest_in_between_leaves_nothing_to_tell() {
    check(
        "2 x 500m / 1:00
         0:00.0 ana joins
         0:00.0 start
         0:00.0 ana rows 1:50.0 until 1:50.0
         2:50.0 ana rows 1:45.0 until 4:35.0
         1:45.0 call 'long and loose' to all, for 1:00
         5:00.0 show effects",
        expect!["2:52.0 screens: 'long and loose' speed - %, rate -, 0 of 0 faster, against 0"],
    );
}

/// Each athlete reaches the point of the sheet at a moment of their own.
#[test]
fn a_call_of_the_sheet_is_told_again_when_others_have_rowed_by_it() {
    check(
        "3000m
         0:00.0 sheet at 300m: 'long and loose' to all, for 10 strokes
         0:00.0 ana joins
         0:00.0 bo joins
         0:00.0 start
         0:00.0 ana rows 2:00.0 until 4:00.0
         0:00.0 bo rows 4:00.0 until 6:00.0
         6:00.0 show effects",
        expect![[r#"
            1:42.5 screens: 'the sheet's' speed -0.0 ± 2.2 %, rate -, 0 of 1 faster, against 0
            2:55.0 screens: 'the sheet's' speed -0.1 ± 0.1 %, rate +0.0 ± 0.0, 0 of 2 faster, against 0"#]],
    );
}
