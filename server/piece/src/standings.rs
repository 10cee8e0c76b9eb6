//! Who is doing best against their own target, by the numbers as they are shown.

use std::{
    cmp::{Ordering, Reverse},
    collections::BTreeMap,
};

use thole_protocol::{
    ids::AthleteId,
    spec::{Ranking, Target},
    standing::{Instead, Margin, TeamLine},
    units::{Decimetres, Millis, Ppm},
};

/// What the standings need to know of one athlete.
#[derive(Clone, Copy, Debug)]
pub struct Entry<'a> {
    /// Who.
    pub athlete: AthleteId,
    /// As everybody knows them; orders those who are not ranked.
    pub name: &'a str,
    /// Team, if any.
    pub team: Option<&'a str>,
    /// Projected or final result against their own target; `None` without a target or a projection.
    pub margin: Option<Margin>,
    /// As it was shown last; `None` of a result, and of athletes who were not ranked.
    pub was: Option<Margin>,
    /// Why they are not ranked, if so.
    pub instead: Option<Instead>,
}

/// Where one athlete is listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placed {
    /// Who.
    pub athlete: AthleteId,
    /// Position of this athlete among the entries that were given.
    pub entry: usize,
    /// 1, 2, 2, 4; `None` while not ranked.
    pub place: Option<u32>,
    /// As it is shown; `None` while not ranked.
    pub margin: Option<Margin>,
}

/// Athletes and teams in the order to be listed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// Ranked athletes first, best first and equals by their ids; then the others by why, and by name.
    pub athletes: Vec<Placed>,
    /// Teams, best first, equals by name; those without a place last.
    pub teams: Vec<TeamLine>,
}

/// How exactly margins are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Digits {
    /// To 0.1 %, 0.1 s or 1 m: of projections no more is known.
    Shown,
    /// As results are.
    All,
}

/// Margins are shown to 0.1 % …
const SHOWN_PPM: i64 = 1_000;
/// … or 0.1 s, in milliseconds, or 1 m, in decimetres.
const SHOWN_MS: i64 = 100;
const SHOWN_DM: i64 = 10;

/// The listing of one instant.
///
/// The numbers beside the names make the order: who are equal as shown share the place, and nobody stands before somebody
/// whose number is better. A number stays until it is off by more than one step, so that places do not waver with it.
/// Screens renew all seldom enough to be read (`picture`).
#[must_use]
pub fn listed(ranking: Ranking, team_best: u16, digits: Digits, entries: &[Entry<'_>]) -> Listing {
    let mut ranked: Vec<Ranked> = entries
        .iter()
        .zip(0..)
        .filter_map(|(seen, at)| ranked(at, seen, ranking, digits))
        .collect();
    let teams = teams(ranking, team_best, digits, entries, &ranked);
    ranked.sort_unstable_by_key(|one| (Reverse(one.score), one.athlete));
    let places = places_in_order(ranked.iter().map(|one| one.score));
    let mut is_ranked = vec![false; entries.len()];
    let mut athletes = Vec::with_capacity(entries.len());
    for (Ranked { athlete, entry, margin, .. }, place) in ranked.iter().zip(places) {
        is_ranked.get_mut(*entry).into_iter().for_each(|ranked| *ranked = true);
        let (athlete, entry, margin) = (*athlete, *entry, Some(*margin));
        athletes.push(Placed { athlete, entry, place: Some(place), margin });
    }
    let mut others: Vec<(usize, &Entry<'_>)> =
        entries.iter().enumerate().filter(|(at, _)| is_ranked.get(*at) == Some(&false)).collect();
    others.sort_by_cached_key(|(_, seen)| (seen.instead, seen.name.to_lowercase(), seen.athlete));
    athletes.extend(others.into_iter().map(|(entry, seen)| {
        let athlete = seen.athlete;
        Placed { athlete, entry, place: None, margin: None }
    }));
    Listing { athletes, teams }
}

/// Somebody who is ranked.
struct Ranked {
    athlete: AthleteId,
    /// Position among the entries that were given.
    entry: usize,
    /// As it is shown.
    margin: Margin,
    /// What they are ordered by; larger is better.
    score: i64,
}

fn ranked(entry: usize, seen: &Entry<'_>, ranking: Ranking, digits: Digits) -> Option<Ranked> {
    let margin = seen.margin.filter(|_| seen.instead.is_none())?;
    let margin = match digits {
        Digits::All => margin,
        Digits::Shown => as_read(margin, seen.was),
    };
    Some(Ranked { athlete: seen.athlete, entry, margin, score: score(margin, ranking)? })
}

/// Teams by the mean of their best members' margins as they are shown beside it; those with too few ranked come last, by name.
fn teams(
    ranking: Ranking,
    team_best: u16,
    digits: Digits,
    entries: &[Entry<'_>],
    ranked: &[Ranked],
) -> Vec<TeamLine> {
    let mut members: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    let mut ranked_next = ranked.iter().peekable();
    for (at, entry) in entries.iter().enumerate() {
        let ranked = ranked_next.next_if(|ranked| ranked.entry == at);
        if let Some(team) = entry.team {
            members.entry(team).or_default().extend(ranked.map(|ranked| ranked.score));
        }
    }
    let smallest = members.values().map(Vec::len).filter(|ranked| *ranked > 0).min().unwrap_or(0);
    let best = if team_best == 0 { smallest } else { usize::from(team_best) };
    let unit = ranked.first().map_or(1, |one| unit_of(one.margin, ranking, digits));
    let counted = u16::try_from(best).unwrap_or(u16::MAX);
    let (mut lines, mut short) = (Vec::new(), Vec::new());
    for (team, mut scores) in members {
        scores.sort_unstable_by_key(|score| Reverse(*score));
        match scores.get(..best).filter(|counted| !counted.is_empty()) {
            Some(scores) => {
                let many = i64::try_from(scores.len()).unwrap_or(i64::MAX);
                let mean = nearest(nearest(scores.iter().sum(), many), unit) * unit;
                lines.push((mean, team));
            }
            None => short.push(team),
        }
    }
    lines.sort_unstable_by_key(|(mean, team)| (Reverse(*mean), *team));
    let places = places_in_order(lines.iter().map(|(mean, _)| *mean));
    let placed = lines.iter().zip(places).map(|((mean, team), place)| TeamLine {
        team: (*team).to_owned(),
        place: Some(place),
        mean_margin: Some(*mean),
        counted,
    });
    let short = short.into_iter().map(|team| TeamLine {
        team: team.to_owned(),
        place: None,
        mean_margin: None,
        counted: 0,
    });
    placed.chain(short).collect()
}

/// A margin in the digits in which it is read.
fn as_read(margin: Margin, was: Option<Margin>) -> Margin {
    let ppm =
        read(i64::from(margin.margin_ppm.0), was.map(|was| i64::from(was.margin_ppm.0)), SHOWN_PPM);
    let was_ms = was.and_then(|was| was.margin_ms);
    let was_dm = was.and_then(|was| was.margin_dm);
    Margin {
        margin_ppm: Ppm(i32::try_from(ppm).unwrap_or(margin.margin_ppm.0)),
        margin_ms: margin.margin_ms.map(|ms| read(ms, was_ms, SHOWN_MS)),
        margin_dm: margin.margin_dm.map(|dm| read(dm, was_dm, SHOWN_DM)),
    }
}

/// To the nearest step; what was read last stays while it is no further off than one.
fn read(amount: i64, was: Option<i64>, step: i64) -> i64 {
    let stays = was.filter(|was| was % step == 0 && amount.abs_diff(*was) <= step.unsigned_abs());
    stays.unwrap_or_else(|| nearest(amount, step) * step)
}

/// The step in which a margin is shown.
fn unit_of(margin: Margin, ranking: Ranking, digits: Digits) -> i64 {
    match (digits, ranking, margin.margin_dm) {
        (Digits::All, ..) => 1,
        (Digits::Shown, Ranking::Share, _) => SHOWN_PPM,
        (Digits::Shown, Ranking::Amount, None) => SHOWN_MS,
        (Digits::Shown, Ranking::Amount, Some(_)) => SHOWN_DM,
    }
}

/// So many steps, a half away from nothing: what is ahead and what is behind is rounded alike.
fn nearest(amount: i64, step: i64) -> i64 {
    amount.signum() * ((amount.abs() + step / 2) / step.max(1))
}

fn score(margin: Margin, ranking: Ranking) -> Option<i64> {
    match ranking {
        Ranking::Share => Some(i64::from(margin.margin_ppm.0)),
        Ranking::Amount => margin.margin_ms.or(margin.margin_dm),
    }
}

/// Places of scores that stand best first; equals share a place and the next ones are left out.
fn places_in_order(scores: impl Iterator<Item = i64>) -> Vec<u32> {
    let mut above: Option<(i64, u32)> = None;
    let place = |(next, score): (u32, i64)| {
        let place = above.filter(|(same, _)| *same == score).map_or(next, |(_, place)| place);
        above = Some((score, place));
        place
    };
    (1..).zip(scores).map(place).collect()
}

/// Places of scores, larger is better; ties share a place and the next ones are left out.
#[must_use]
pub fn places(scores: &[Option<i64>]) -> Vec<Option<u32>> {
    let mut order: Vec<(i64, usize)> =
        scores.iter().enumerate().filter_map(|(at, score)| Some(((*score)?, at))).collect();
    order.sort_unstable_by_key(|(score, at)| (Reverse(*score), *at));
    let mut places = vec![None; scores.len()];
    for ((_, at), place) in order.iter().zip(places_in_order(order.iter().map(|(score, _)| *score)))
    {
        if let Some(slot) = places.get_mut(*at) {
            *slot = Some(place);
        }
    }
    places
}

/// One result with its target, as it is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RankedFinish {
    /// The finish as shown (`as_shown`).
    pub shown: Target,
    /// The own target in the same kind.
    pub target: Target,
}

/// A finish as it is shown and ranked: rounded once, to 0.1 s or to whole metres.
#[must_use]
pub fn as_shown(finish: Target) -> Target {
    match finish {
        Target::Finish { finish_ms } => {
            Target::Finish { finish_ms: Millis(finish_ms.0.saturating_add(50) / 100 * 100) }
        }
        Target::Distance { distance_dm } => {
            Target::Distance { distance_dm: Decimetres(distance_dm.0.saturating_add(5) / 10 * 10) }
        }
        Target::Pace { per_500m_ms } => Target::Pace { per_500m_ms },
    }
}

/// Places of results, one for each entry; none in, none out.
#[must_use]
pub fn final_places(ranking: Ranking, results: &[Option<RankedFinish>]) -> Vec<Option<u32>> {
    let mut order: Vec<(usize, Lead)> = results
        .iter()
        .enumerate()
        .filter_map(|(at, result)| Some((at, Lead::of((*result)?)?)))
        .collect();
    let better = |one: &Lead, other: &Lead| match ranking {
        // a / b against c / d without dividing: only equal shares are equal.
        Ranking::Share => (other.ahead * one.target).cmp(&(one.ahead * other.target)),
        Ranking::Amount => other.ahead.cmp(&one.ahead),
    };
    order.sort_by(|(_, one), (_, other)| better(one, other));
    let mut places = vec![None; results.len()];
    let mut above: Option<(Lead, u32)> = None;
    for (place, (at, lead)) in (1..).zip(order) {
        let tied = above.filter(|(above, _)| better(above, &lead) == Ordering::Equal);
        let place = tied.map_or(place, |(_, place)| place);
        above = Some((lead, place));
        if let Some(slot) = places.get_mut(at) {
            *slot = Some(place);
        }
    }
    places
}

/// A result against its target, in whole milliseconds or decimetres.
#[derive(Clone, Copy, Debug)]
struct Lead {
    ahead: i128,
    target: i128,
}

impl Lead {
    fn of(result: RankedFinish) -> Option<Lead> {
        let (ahead, target) = match (result.shown, result.target) {
            (Target::Finish { finish_ms: shown }, Target::Finish { finish_ms: target }) => {
                (i128::from(target.0) - i128::from(shown.0), target.0)
            }
            (Target::Distance { distance_dm: shown }, Target::Distance { distance_dm: target }) => {
                (i128::from(shown.0) - i128::from(target.0), target.0)
            }
            (Target::Finish { .. } | Target::Distance { .. } | Target::Pace { .. }, _) => {
                return None;
            }
        };
        Some(Lead { ahead, target: i128::from(target) })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;

    fn athlete(number: u128) -> AthleteId {
        AthleteId(Uuid::from_u128(number))
    }

    fn margin(ppm: i32) -> Option<Margin> {
        Some(Margin { margin_ppm: Ppm(ppm), margin_ms: None, margin_dm: None })
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
        let margins: Vec<_> =
            told.iter().map(|(id, place, margin)| (*id, *place, *margin)).collect();
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
        // Noise neither parts them nor makes one pass the other.
        assert_eq!(told([11_000, 13_000]), tied);
        assert_eq!(told([10_999, 13_000]), [(1, 1, 12_000), (0, 2, 11_000)]);
        // What was shown in other digits is no number that could stay.
        seen[0].was = margin(10_950);
        let listing = listed(Ranking::Share, 0, Digits::Shown, &seen);
        assert_eq!(listing.athletes[1].margin, margin(11_000));
    }

    #[test]
    fn by_amount_tenths_of_a_second_and_whole_metres_are_shown() {
        let told = |amounts: [(Option<i64>, Option<i64>); 3]| {
            let mut seen = entries(&[0, 0, 0]);
            for (entry, (margin_ms, margin_dm)) in seen.iter_mut().zip(amounts) {
                entry.margin = Some(Margin { margin_ppm: Ppm(0), margin_ms, margin_dm });
            }
            let listing = listed(Ranking::Amount, 0, Digits::Shown, &seen);
            let told = listing.athletes.iter().map(|placed| {
                let margin = placed.margin.unwrap();
                (
                    placed.athlete.0.as_u128(),
                    placed.place.unwrap(),
                    margin.margin_ms.or(margin.margin_dm).unwrap(),
                )
            });
            told.collect::<Vec<_>>()
        };
        let seconds = [(Some(1_049), None), (Some(1_050), None), (Some(951), None)];
        assert_eq!(told(seconds), [(2, 1, 1_100), (1, 2, 1_000), (3, 2, 1_000)]);
        let metres = [(None, Some(14)), (None, Some(15)), (None, Some(6))];
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
        let teams =
            |team_best: u16, seen: &[Entry<'_>]| -> Vec<(String, Option<u32>, Option<i64>)> {
                let listing = listed(Ranking::Share, team_best, Digits::All, seen);
                listing.teams.into_iter().map(|t| (t.team, t.place, t.mean_margin)).collect()
            };
        // Odd has three ranked, even two: the best two of each count.
        let means = [("odd".into(), Some(1), Some(15_500)), ("even".into(), Some(2), Some(13_000))];
        assert_eq!(teams(0, &seen), means);
        // With three to count, even has too few.
        assert_eq!(
            teams(3, &seen),
            [("odd".into(), Some(1), Some(7_000)), ("even".into(), None, None)]
        );
        // Who is not ranked does not count.
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
            let of = |ms| Target::Finish { finish_ms: Millis(ms) };
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
}
