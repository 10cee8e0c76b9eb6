//! Places, ties and teams, in examples and by chance.

use proptest::prelude::*;
use uuid::Uuid;

use super::*;

fn athlete(number: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(number))
}

fn margin(ppm: i32) -> Option<Margin> {
    Some(Margin { margin_ppm: Ppm(ppm), gap: Gap::Time(0) })
}

/// Athletes 1, 2, 3 … with these margins in millionths.
fn entries(margins: &[i32]) -> Vec<Entry<'static>> {
    let entry = |(number, ppm): (u128, &i32)| Entry {
        athlete: athlete(number),
        name: "",
        team: Some(if number % 2 == 1 { "odd" } else { "even" }),
        margin: margin(*ppm),
        was: None,
        instead: None,
    };
    (1..).zip(margins).map(entry).collect()
}

fn shares(digits: Digits, entries: &[Entry<'_>]) -> Vec<(u128, Option<u32>, Option<i32>)> {
    let listing = listed(Ranking::Share, 0, digits, entries);
    let told = listing.athletes.iter().map(|placed| {
        (placed.athlete.0.as_u128(), placed.place, placed.margin.map(|m| m.margin_ppm.0))
    });
    told.collect()
}

#[test]
fn equal_as_shown_is_equal_in_place_and_listed_by_id() {
    let seen = entries(&[-5_000, 8_040, 7_960, 20_000]);
    let four = |place| Some(place);
    assert_eq!(
        shares(Digits::Shown, &seen),
        [
            (4, four(1), Some(20_000)),
            (2, four(2), Some(8_000)),
            (3, four(2), Some(8_000)),
            (1, four(4), Some(-5_000)),
        ]
    );
    // Results tell more.
    let places: Vec<_> =
        shares(Digits::All, &seen).iter().map(|(id, place, _)| (*id, *place)).collect();
    assert_eq!(places, [(4, Some(1)), (2, Some(2)), (3, Some(3)), (1, Some(4))]);
}

#[test]
fn half_a_step_ahead_and_half_a_step_behind_are_rounded_alike() {
    let told = shares(Digits::Shown, &entries(&[500, 499, -499, -500]));
    let margins: Vec<_> = told.iter().map(|(id, place, margin)| (*id, *place, *margin)).collect();
    assert_eq!(
        margins,
        [
            (1, Some(1), Some(1_000)),
            (2, Some(2), Some(0)),
            (3, Some(2), Some(0)),
            (4, Some(4), Some(-1_000)),
        ]
    );
}

#[test]
fn a_number_stays_until_it_is_off_by_more_than_a_step() {
    let mut seen = entries(&[12_400, 12_000]);
    let mut told = |margins: [i32; 2]| {
        for (entry, ppm) in seen.iter_mut().zip(margins) {
            entry.margin = margin(ppm);
        }
        let listing = listed(Ranking::Share, 0, Digits::Shown, &seen);
        for placed in &listing.athletes {
            seen[placed.entry].was = placed.margin;
        }
        listing
            .athletes
            .iter()
            .map(|p| (p.entry, p.place.unwrap(), p.margin.unwrap().margin_ppm.0))
            .collect::<Vec<_>>()
    };
    let tied = [(0, 1, 12_000), (1, 1, 12_000)];
    assert_eq!(told([12_400, 12_000]), tied);
    // Noise neither separates them nor makes one pass the other.
    assert_eq!(told([11_000, 13_000]), tied);
    assert_eq!(told([10_999, 13_000]), [(1, 1, 12_000), (0, 2, 11_000)]);
    // What was shown in other digits is not a number that could stay.
    seen[0].was = margin(10_950);
    let listing = listed(Ranking::Share, 0, Digits::Shown, &seen);
    assert_eq!(listing.athletes[1].margin, margin(11_000));
}

#[test]
fn by_amount_tenths_of_a_second_and_whole_metres_are_shown() {
    let told = |amounts: [Gap; 3]| {
        let mut seen = entries(&[0, 0, 0]);
        for (entry, gap) in seen.iter_mut().zip(amounts) {
            entry.margin = Some(Margin { margin_ppm: Ppm(0), gap });
        }
        let listing = listed(Ranking::Amount, 0, Digits::Shown, &seen);
        let told = listing.athletes.iter().map(|placed| {
            let margin = placed.margin.unwrap();
            (placed.athlete.0.as_u128(), placed.place.unwrap(), margin.gap.amount())
        });
        told.collect::<Vec<_>>()
    };
    let seconds = [Gap::Time(1_049), Gap::Time(1_050), Gap::Time(951)];
    assert_eq!(told(seconds), [(2, 1, 1_100), (1, 2, 1_000), (3, 2, 1_000)]);
    let metres = [Gap::Distance(14), Gap::Distance(15), Gap::Distance(6)];
    assert_eq!(told(metres), [(2, 1, 20), (1, 2, 10), (3, 2, 10)]);
}

#[test]
fn who_is_not_ranked_stands_behind_by_why_and_by_name() {
    let whys = [
        None,
        Some(Instead::Stopped),
        Some(Instead::Settling),
        Some(Instead::Away),
        Some(Instead::Untargeted),
        Some(Instead::Settling),
        Some(Instead::Missed),
    ];
    let names = ["Zoe", "Abe", "Bo", "Cy", "Dan", "ana", "Eva"];
    let mut seen = entries(&[-90_000, 1, 2, 3, 4, 5, 6]);
    for ((entry, why), name) in seen.iter_mut().zip(whys).zip(names) {
        (entry.instead, entry.name) = (why, name);
    }
    let told = shares(Digits::Shown, &seen);
    assert_eq!(told.iter().map(|(id, ..)| *id).collect::<Vec<_>>(), [1, 5, 7, 6, 3, 2, 4]);
    assert!(told.iter().skip(1).all(|(_, place, margin)| (*place, *margin) == (None, None)));
}

#[test]
fn teams_are_ranked_by_the_mean_of_their_best() {
    let mut seen = entries(&[30_000, 10_000, -10_000, 16_000, 1_000]);
    let teams = |team_best: u16, seen: &[Entry<'_>]| -> Vec<(String, Option<u32>, Option<i64>)> {
        let listing = listed(Ranking::Share, team_best, Digits::All, seen);
        listing.teams.into_iter().map(|t| (t.team, t.place, t.mean_margin)).collect()
    };
    // Odd has three ranked, Even two: the best two of each count.
    let means = [("odd".into(), Some(1), Some(15_500)), ("even".into(), Some(2), Some(13_000))];
    assert_eq!(teams(0, &seen), means);
    // With three to count, Even has too few.
    assert_eq!(
        teams(3, &seen),
        [("odd".into(), Some(1), Some(7_000)), ("even".into(), None, None)]
    );
    // An athlete who is not ranked does not count.
    seen[0].instead = Some(Instead::Unheard);
    assert_eq!(teams(1, &seen)[0].0, "even");
}

#[test]
fn teams_that_are_equal_as_shown_share_the_place() {
    for (margins, places) in [([10_040, 9_960], [1, 1]), ([10_600, 9_400], [1, 2])] {
        let seen = entries(&margins);
        let listing = listed(Ranking::Share, 0, Digits::Shown, &seen);
        let told: Vec<u32> = listing.teams.iter().filter_map(|team| team.place).collect();
        assert_eq!(told, places, "{margins:?}");
        assert!(listing.teams.iter().all(|team| team.mean_margin.unwrap() % 1_000 == 0));
    }
}

#[test]
fn results_are_ranked_as_shown_by_exact_shares() {
    let finish = |shown, target| {
        let of = |ms| Total::Time { finish_ms: Millis(ms) };
        Some(RankedFinish { shown: of(shown), target: of(target) })
    };
    // 3 s of 300 and 4 s of 400 are the same share; 3.1 s of 300 is more.
    let results =
        [finish(297_000, 300_000), finish(396_000, 400_000), None, finish(296_900, 300_000)];
    let places = final_places(Ranking::Share, &results);
    assert_eq!(places, [Some(2), Some(2), None, Some(1)]);
    let places = final_places(Ranking::Amount, &results);
    assert_eq!(places, [Some(3), Some(1), None, Some(2)]);
}

proptest! {
    /// Whatever the margins: by the numbers as they are shown, the order is right and equals share the place.
    #[test]
    fn no_row_stands_against_the_number_beside_it(margins in prop::collection::vec(-9_000i32..9_000, 0..40)) {
        let told = shares(Digits::Shown, &entries(&margins));
        for pair in told.windows(2) {
            let [(_, above, one), (_, below, other)] = pair else { unreachable!() };
            prop_assert!(one >= other);
            prop_assert_eq!(one == other, above == below);
        }
        for (id, _, margin) in &told {
            let own = margins[usize::try_from(*id).unwrap() - 1];
            prop_assert!((own - margin.unwrap()).abs() <= 500);
        }
    }

    #[test]
    fn places_are_those_of_a_competition(scores in prop::collection::vec(prop::option::of(-5i64..5), 0..20)) {
        for (score, place) in scores.iter().zip(places(&scores)) {
            let better = scores.iter().flatten().filter(|other| Some(**other) > *score).count();
            prop_assert_eq!(place.map(|place| place as usize), score.map(|_| better + 1));
        }
    }
}
