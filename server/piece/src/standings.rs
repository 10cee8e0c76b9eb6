//! Who is doing best against their own target.

mod order;

use std::{
    cmp::{Ordering, Reverse},
    collections::BTreeMap,
};

use thole_protocol::{
    ids::AthleteId,
    spec::{Ranking, Target},
    standing::{Margin, TeamLine},
    units::{At, Decimetres, Millis},
};

use order::{Contender, Listed, Order};

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
    /// Whether they take part in the ranking: heard, not stopped, with a target.
    pub rankable: bool,
    /// Share of the piece done, 0 to 1.
    pub share: f64,
    /// Has finished: the margin is final.
    pub finished: bool,
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
}

/// Athletes and teams in the order to be listed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// Ranked athletes first by place, then the others by name.
    pub athletes: Vec<Placed>,
    /// Teams, best first; those without a place last.
    pub teams: Vec<TeamLine>,
}

/// A difference between two projections that means something, in millionths of the target: the smallest
/// important change of elite rowers from race to race is about 0.3 % (Smith TB, Hopkins WG (2011) Med Sci
/// Sports Exerc 43:2155-2160).
const DEAD_BAND_PPM: f64 = 3_000.0;
/// Over this last share of the piece the band shrinks to nothing: projections turn into results.
const BAND_SHRINKS_OVER: f64 = 0.1;
/// Margins are shown to 0.1 % (or 0.1 s, 1 m): who are equal as shown share the place.
const SHOWN_PPM: i64 = 1_000;
/// The same for margins in milliseconds (0.1 s) and decimetres (1 m).
const SHOWN_MS: i64 = 100;
const SHOWN_DM: i64 = 10;
/// A margin of fewer millionths does not tell how much of the target a second is: it is rounded too much.
const WORTH_PPM: i32 = 100;

/// Keeps the published order, so that a place changes only when the difference means something.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Board {
    athletes: Order<AthleteId>,
    teams: Order<String>,
}

impl Board {
    /// A board on which nobody is placed yet.
    #[must_use]
    pub fn new() -> Board {
        Board::default()
    }

    /// The listing at this instant.
    ///
    /// The published order stands until somebody's lead over one before them means something, at most
    /// every three seconds; athletes who are new come in by their margin. Who are equal as shown share
    /// a place, and keep sharing it until their difference means something. Of those who have all
    /// finished, every difference does.
    pub fn publish(
        &mut self,
        at: At,
        ranking: Ranking,
        team_best: u16,
        entries: &[Entry<'_>],
    ) -> Listing {
        let worth = usual_worth(ranking, entries);
        let mut positions = Vec::with_capacity(entries.len());
        let mut contenders = Vec::with_capacity(entries.len());
        for (entry, seen) in entries.iter().enumerate() {
            if let Some(contender) = contender(seen, ranking, worth) {
                positions.push(entry);
                contenders.push(contender);
            }
        }
        let teams = self.teams(at, ranking, team_best, entries, (&positions, &contenders));
        let order = self.athletes.publish(at, &contenders);
        let mut listed = vec![false; entries.len()];
        let mut athletes = Vec::with_capacity(entries.len());
        for Listed { id: athlete, at, place } in order {
            let Some(&entry) = positions.get(at) else { continue };
            let Some(listed) = listed.get_mut(entry) else { continue };
            *listed = true;
            athletes.push(Placed { athlete, entry, place: Some(place) });
        }
        let mut others: Vec<(usize, &Entry<'_>)> =
            entries.iter().enumerate().filter(|(at, _)| listed.get(*at) == Some(&false)).collect();
        others.sort_by_cached_key(|(_, seen)| (seen.name.to_lowercase(), seen.athlete));
        athletes.extend(others.into_iter().map(|(entry, seen)| {
            let athlete = seen.athlete;
            Placed { athlete, entry, place: None }
        }));
        Listing { athletes, teams }
    }

    /// Teams by the mean of their best members' margins; those with too few ranked come last, by name.
    fn teams(
        &mut self,
        at: At,
        ranking: Ranking,
        team_best: u16,
        entries: &[Entry<'_>],
        ranked: (&[usize], &[Contender<AthleteId>]),
    ) -> Vec<TeamLine> {
        let mut members: BTreeMap<&str, Vec<&Contender<AthleteId>>> = BTreeMap::new();
        let mut ranked = ranked.0.iter().zip(ranked.1).peekable();
        for (at, entry) in entries.iter().enumerate() {
            let contender = ranked.next_if(|(entry, _)| **entry == at);
            if let Some(team) = entry.team {
                members.entry(team).or_default().extend(contender.map(|(_, contender)| contender));
            }
        }
        let smallest =
            members.values().map(Vec::len).filter(|ranked| *ranked > 0).min().unwrap_or(0);
        let best = if team_best == 0 { smallest } else { usize::from(team_best) };
        let unit = shown_unit(ranking, entries);
        let (mut contenders, mut short) = (Vec::new(), Vec::new());
        for (team, mut members) in members {
            if best > 0 && best < members.len() {
                members
                    .select_nth_unstable_by_key(best, |member| (Reverse(member.score), member.id));
            }
            match members.get(..best).filter(|counted| !counted.is_empty()) {
                Some(counted) => contenders.push(together(team, counted, unit)),
                None => short.push(team),
            }
        }
        let counted = u16::try_from(best).unwrap_or(u16::MAX);
        let mut lines = Vec::new();
        for Listed { id: team, at, place } in self.teams.publish(at, &contenders) {
            let mean_margin = contenders.get(at).map(|contender| contender.score);
            lines.push(TeamLine { team, place: Some(place), mean_margin, counted });
        }
        lines.extend(short.into_iter().map(|team| TeamLine {
            team: team.to_owned(),
            place: None,
            mean_margin: None,
            counted: 0,
        }));
        lines
    }
}

fn contender(
    seen: &Entry<'_>,
    ranking: Ranking,
    usual_worth: Option<f64>,
) -> Option<Contender<AthleteId>> {
    let margin = seen.margin.filter(|_| seen.rankable)?;
    let score = score(margin, ranking)?;
    let left = 1.0 - seen.share;
    let band = match seen.finished {
        true => 0.0,
        false => DEAD_BAND_PPM * (left / BAND_SHRINKS_OVER).clamp(0.0, 1.0),
    };
    let worth = worth(margin, ranking).or(usual_worth);
    // Never a band that is no number: the order would not be one either.
    let half_band = worth.map_or(0.0, |worth| band / worth / 2.0).max(0.0);
    let unit = if seen.finished { 1 } else { unit_of(margin, ranking) };
    Some(Contender {
        id: seen.athlete,
        score,
        half_band,
        shown: rounded(score, unit),
        finished: seen.finished,
    })
}

/// A team of these, each of whom counts alike.
fn together(team: &str, counted: &[&Contender<AthleteId>], unit: i64) -> Contender<String> {
    let sum: i64 = counted.iter().map(|member| member.score).sum();
    let bands: f64 = counted.iter().map(|member| member.half_band).sum();
    let finished = counted.iter().all(|member| member.finished);
    let score = rounded(sum, i64::try_from(counted.len()).unwrap_or(i64::MAX).max(1));
    Contender {
        id: team.to_owned(),
        score,
        half_band: bands / counted.len().max(1) as f64,
        shown: rounded(score, if finished { 1 } else { unit }),
        finished,
    }
}

/// Millionths of their own target that one unit of the score stands for.
fn worth(margin: Margin, ranking: Ranking) -> Option<f64> {
    match ranking {
        Ranking::Share => Some(1.0),
        Ranking::Amount => {
            let amount = margin.margin_ms.or(margin.margin_dm).filter(|amount| *amount != 0)?;
            (margin.margin_ppm.0.abs() >= WORTH_PPM)
                .then(|| f64::from(margin.margin_ppm.0) / amount as f64)
        }
    }
}

/// For those whose own margin is too small to tell: that of the largest target; of a share, each margin tells.
fn usual_worth(ranking: Ranking, entries: &[Entry<'_>]) -> Option<f64> {
    match ranking {
        Ranking::Share => None,
        Ranking::Amount => {
            let known = entries.iter().filter_map(|entry| worth(entry.margin?, ranking));
            known.min_by(f64::total_cmp)
        }
    }
}

/// The step in which a margin is shown.
fn unit_of(margin: Margin, ranking: Ranking) -> i64 {
    match (ranking, margin.margin_dm) {
        (Ranking::Share, _) => SHOWN_PPM,
        (Ranking::Amount, None) => SHOWN_MS,
        (Ranking::Amount, Some(_)) => SHOWN_DM,
    }
}

fn shown_unit(ranking: Ranking, entries: &[Entry<'_>]) -> i64 {
    let any = entries.iter().find_map(|entry| entry.margin);
    any.map_or(SHOWN_PPM, |margin| unit_of(margin, ranking))
}

fn rounded(score: i64, unit: i64) -> i64 {
    (score + unit / 2).div_euclid(unit)
}

fn score(margin: Margin, ranking: Ranking) -> Option<i64> {
    match ranking {
        Ranking::Share => Some(i64::from(margin.margin_ppm.0)),
        Ranking::Amount => margin.margin_ms.or(margin.margin_dm),
    }
}

/// Places of scores, larger is better; ties share a place and the next ones are left out.
#[must_use]
pub fn places(scores: &[Option<i64>]) -> Vec<Option<u32>> {
    let mut order: Vec<(i64, usize)> =
        scores.iter().enumerate().filter_map(|(at, score)| Some(((*score)?, at))).collect();
    order.sort_unstable_by(|one, other| other.0.cmp(&one.0).then(one.1.cmp(&other.1)));
    let mut places = vec![None; scores.len()];
    let mut above: Option<(i64, u32)> = None;
    for (place, (score, at)) in (1..).zip(order) {
        let place = above.filter(|(same, _)| *same == score).map_or(place, |(_, place)| place);
        above = Some((score, place));
        if let Some(slot) = places.get_mut(at) {
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
    use thole_protocol::units::Ppm;
    use uuid::Uuid;

    use super::*;

    fn athlete(number: u128) -> AthleteId {
        AthleteId(Uuid::from_u128(number))
    }

    /// Athletes 1, 2, 3 … with these margins in millionths, all at this share of the piece.
    fn entries(margins: &[i32], share: f64) -> Vec<Entry<'static>> {
        let entry = |(number, ppm): (u128, &i32)| Entry {
            athlete: athlete(number),
            name: "",
            team: Some(if number % 2 == 1 { "odd" } else { "even" }),
            margin: Some(Margin { margin_ppm: Ppm(*ppm), margin_ms: None, margin_dm: None }),
            rankable: true,
            share,
            finished: false,
        };
        (1..).zip(margins).map(entry).collect()
    }

    fn order(board: &mut Board, at: u64, margins: &[i32], share: f64) -> Vec<(u128, Option<u32>)> {
        let listing = board.publish(At(at), Ranking::Share, 0, &entries(margins, share));
        listing.athletes.iter().map(|placed| (placed.athlete.0.as_u128(), placed.place)).collect()
    }

    #[test]
    fn a_place_changes_only_for_a_difference_that_means_something() {
        let mut board = Board::new();
        let first = order(&mut board, 0, &[10_000, 12_000], 0.5);
        assert_eq!(first, [(2, Some(1)), (1, Some(2))]);
        // 0.2 points ahead: nobody moves.
        assert_eq!(order(&mut board, 5_000, &[14_000, 12_000], 0.5), first);
        // 0.4 points ahead: they change places.
        let passed = order(&mut board, 10_000, &[16_000, 12_000], 0.5);
        assert_eq!(passed, [(1, Some(1)), (2, Some(2))]);
        // And not again within 3 s, however clear it is.
        assert_eq!(order(&mut board, 12_900, &[1_000, 12_000], 0.5), passed);
        assert_eq!(order(&mut board, 13_000, &[1_000, 12_000], 0.5), first);
    }

    #[test]
    fn near_the_finish_small_differences_count() {
        let mut board = Board::new();
        order(&mut board, 0, &[10_000, 12_000], 0.98);
        let passed = order(&mut board, 5_000, &[13_500, 12_000], 0.98);
        assert_eq!(passed, [(1, Some(1)), (2, Some(2))]);
    }

    #[test]
    fn who_is_equal_as_shown_shares_the_place_and_is_listed_by_id() {
        let mut board = Board::new();
        let listed = order(&mut board, 0, &[-5_000, 8_040, 7_960, 20_000], 0.4);
        assert_eq!(listed, [(4, Some(1)), (2, Some(2)), (3, Some(2)), (1, Some(4))]);
    }

    /// Within three seconds somebody who is new waits and somebody who is gone leaves a place free; the
    /// others stand.
    #[test]
    fn who_comes_or_goes_moves_nobody_else() {
        let mut board = Board::new();
        let mut seen = entries(&[10_000, 20_000, 0, 15_000], 0.5);
        seen[3].rankable = false;
        let ids = |board: &mut Board, at: u64, seen: &[Entry<'_>]| -> Vec<u128> {
            let listing = board.publish(At(at), Ranking::Share, 0, seen);
            listing.athletes.iter().map(|placed| placed.athlete.0.as_u128()).collect()
        };
        assert_eq!(ids(&mut board, 0, &seen), [2, 1, 3, 4]);
        let margin = |ppm| Some(Margin { margin_ppm: Ppm(ppm), margin_ms: None, margin_dm: None });
        (seen[2].margin, seen[3].rankable, seen[1].rankable) = (margin(30_000), true, false);
        // 2 has left and 4 waits, both below; 3 has become best and still waits.
        let soon = ids(&mut board, 1_000, &seen);
        assert_eq!(soon, [1, 3, 2, 4]);
        assert_eq!(ids(&mut board, 5_000, &seen), [3, 4, 1, 2]);
    }

    #[test]
    fn teams_do_not_flicker_either() {
        let mut board = Board::new();
        let teams = |board: &mut Board, at: u64, margins: &[i32]| -> Vec<String> {
            let listing = board.publish(At(at), Ranking::Share, 0, &entries(margins, 0.5));
            listing.teams.into_iter().map(|line| line.team).collect()
        };
        assert_eq!(teams(&mut board, 0, &[10_000, 12_000]), ["even", "odd"]);
        assert_eq!(teams(&mut board, 5_000, &[14_000, 12_000]), ["even", "odd"]);
        assert_eq!(teams(&mut board, 10_000, &[16_000, 12_000]), ["odd", "even"]);
    }

    #[test]
    fn by_amount_the_band_is_a_share_of_the_own_target() {
        // Targets of 300 s: 0.3 % is 0.9 s.
        let listed = |board: &mut Board, at: u64, ms: [i64; 2]| -> Vec<u128> {
            let mut seen = entries(&[0, 0], 0.5);
            for (entry, ms) in seen.iter_mut().zip(ms) {
                let margin_ppm = Ppm(i32::try_from(ms * 1_000 / 300).unwrap());
                entry.margin = Some(Margin { margin_ppm, margin_ms: Some(ms), margin_dm: None });
            }
            let listing = board.publish(At(at), Ranking::Amount, 0, &seen);
            listing.athletes.iter().map(|placed| placed.athlete.0.as_u128()).collect()
        };
        let mut board = Board::new();
        assert_eq!(listed(&mut board, 0, [1_000, 1_500]), [2, 1]);
        assert_eq!(listed(&mut board, 4_000, [2_300, 1_500]), [2, 1]);
        assert_eq!(listed(&mut board, 8_000, [2_500, 1_500]), [1, 2]);
    }

    #[test]
    fn teams_are_ranked_by_the_mean_of_their_best() {
        let mut seen = entries(&[30_000, 10_000, -10_000, 16_000, 1_000], 0.5);
        let team = |listing: Listing| -> Vec<(String, Option<u32>, Option<i64>)> {
            listing.teams.into_iter().map(|t| (t.team, t.place, t.mean_margin)).collect()
        };
        // Odd has three ranked, even two: the best two of each count.
        let listing = Board::new().publish(At(0), Ranking::Share, 0, &seen);
        let means = [("odd".into(), Some(1), Some(15_500)), ("even".into(), Some(2), Some(13_000))];
        assert_eq!(team(listing), means);
        // With three to count, even has too few.
        let listing = Board::new().publish(At(0), Ranking::Share, 3, &seen);
        assert_eq!(
            team(listing),
            [("odd".into(), Some(1), Some(7_000)), ("even".into(), None, None)]
        );
        // Who is not ranked does not count.
        seen[0].rankable = false;
        let listing = Board::new().publish(At(0), Ranking::Share, 1, &seen);
        assert_eq!(team(listing)[0].0, "even");
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
        #[test]
        fn noise_below_the_band_never_changes_a_place(
            base in prop::collection::vec(-40_000i32..40_000, 2..12),
            noise in prop::collection::vec(prop::collection::vec(-1_000i32..1_000, 12), 1..30),
        ) {
            let mut board = Board::new();
            let ids = |listed: Vec<(u128, Option<u32>)>| -> Vec<u128> {
                listed.into_iter().map(|(id, _)| id).collect()
            };
            let first = ids(order(&mut board, 0, &base, 0.3));
            for (second, noise) in (1..).zip(noise) {
                let heard: Vec<i32> = base.iter().zip(noise).map(|(a, b)| a + b).collect();
                prop_assert_eq!(ids(order(&mut board, second * 4_000, &heard, 0.3)), first.clone());
            }
        }

        /// Not the order alone: the places do not change either, ties included.
        #[test]
        fn noise_makes_and_breaks_no_ties(
            base in prop::collection::vec(-9_000i32..9_000, 2..12),
            noise in prop::collection::vec(prop::collection::vec(-700i32..700, 12), 1..30),
        ) {
            let mut board = Board::new();
            let first = order(&mut board, 0, &base, 0.3);
            for (second, noise) in (1..).zip(noise) {
                let heard: Vec<i32> = base.iter().zip(noise).map(|(a, b)| a + b).collect();
                let listed = order(&mut board, second * 4_000, &heard, 0.3);
                prop_assert_eq!(listed, first.clone());
            }
        }

        /// Whoever is better by more than the band stands before, and never shares the place; whoever
        /// passes is better at that moment; among equals the published order stands.
        #[test]
        fn a_real_difference_always_counts(
            rounds in prop::collection::vec(prop::collection::vec(-9_000i32..9_000, 9), 1..20),
        ) {
            let mut board = Board::new();
            let mut before: Vec<u128> = Vec::new();
            for (round, margins) in (1..).zip(rounds) {
                let listed = order(&mut board, round * 3_000, &margins, 0.5);
                let margin = |id: u128| margins[usize::try_from(id).unwrap() - 1];
                for (at, (above, place)) in listed.iter().enumerate() {
                    for (below, other) in &listed[at + 1..] {
                        prop_assert!(margin(*below) - margin(*above) <= 3_000);
                        let meant = margin(*above) - margin(*below) > 3_000;
                        prop_assert!(place < other || (place == other && !meant));
                        let old = |id: &u128| before.iter().position(|old| old == id);
                        let passed = old(above) > old(below) && !before.is_empty();
                        prop_assert!(!passed || margin(*above) >= margin(*below));
                    }
                }
                before = listed.into_iter().map(|(id, _)| id).collect();
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
