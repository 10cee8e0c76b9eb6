//! Who is doing best against their own target.

use std::{
    cmp::Ordering,
    collections::{BTreeMap, BTreeSet},
};

use thole_protocol::{
    ids::AthleteId,
    spec::{Ranking, Target},
    standing::{Margin, TeamLine},
    units::{At, Decimetres, Millis},
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
    /// Projected or final result against the own target; none without a target or a projection.
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
    /// 1, 2, 2, 4; none while not ranked.
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
/// Margins are shown to 0.1 % (or 0.1 s, 1 m): who are equal as shown, and not kept apart by the order
/// that stands, share the place.
const SHOWN_PPM: i64 = 1_000;
/// The same for margins in milliseconds (0.1 s) and decimetres (1 m).
const SHOWN_MS: i64 = 100;
const SHOWN_DM: i64 = 10;
/// The order changes at most so often; nobody can follow more.
const REORDER_EVERY: Millis = Millis(3_000);

/// Keeps the published order, so that a place changes only when the difference means something.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Board {
    /// Ranked athletes as last published, best first, each with the place.
    order: Vec<(AthleteId, u32)>,
    ordered_at: Option<At>,
}

/// What one ranked athlete is ordered by.
#[derive(Clone, Copy, Debug)]
struct Ranked {
    athlete: AthleteId,
    entry: usize,
    score: i64,
    /// Millionths of the own target that one unit of the score stands for; not known of a score of 0.
    worth: Option<f64>,
    share: f64,
    finished: bool,
}

impl Board {
    /// A board on which nobody is placed yet.
    #[must_use]
    pub fn new() -> Board {
        Board::default()
    }

    /// The listing at this instant.
    ///
    /// The published order stands until somebody's lead over the one before them means something, or
    /// both have finished; athletes who are new come in by their margin.
    pub fn publish(
        &mut self,
        at: At,
        ranking: Ranking,
        team_best: u16,
        entries: &[Entry<'_>],
    ) -> Listing {
        let mut ranked: Vec<Ranked> = entries
            .iter()
            .enumerate()
            .filter_map(|(entry, seen)| Ranked::of(entry, seen, ranking))
            .collect();
        let before: BTreeMap<AthleteId, usize> =
            self.order.iter().enumerate().map(|(at, (athlete, _))| (*athlete, at)).collect();
        let same_field = before.len() == ranked.len()
            && ranked.iter().all(|ranked| before.contains_key(&ranked.athlete));
        let rested = self.ordered_at.is_none_or(|then| at.since(then) >= REORDER_EVERY);
        if rested || !same_field || ranked.iter().all(|ranked| ranked.finished) {
            ranked.sort_unstable_by(best_first);
            settle(&mut ranked, &before);
            let unit = Ranked::shown_unit(ranking, entries);
            let order: Vec<AthleteId> = ranked.iter().map(|ranked| ranked.athlete).collect();
            let places = shared_places(&ranked, unit);
            let new: Vec<(AthleteId, u32)> = order.into_iter().zip(places).collect();
            if new != self.order {
                self.ordered_at = Some(at);
                self.order = new;
            }
        } else {
            ranked.sort_unstable_by_key(|ranked| before.get(&ranked.athlete).copied());
        }
        self.listing(ranking, team_best, entries, &ranked)
    }

    fn listing(
        &self,
        ranking: Ranking,
        team_best: u16,
        entries: &[Entry<'_>],
        ranked: &[Ranked],
    ) -> Listing {
        let places = self.order.iter().map(|(_, place)| Some(*place));
        let mut athletes: Vec<Placed> = ranked
            .iter()
            .zip(places)
            .map(|(ranked, place)| Placed { athlete: ranked.athlete, entry: ranked.entry, place })
            .collect();
        let listed: BTreeSet<usize> = ranked.iter().map(|ranked| ranked.entry).collect();
        let mut others: Vec<(usize, &Entry<'_>)> =
            entries.iter().enumerate().filter(|(entry, _)| !listed.contains(entry)).collect();
        others.sort_by_key(|(_, seen)| (seen.name.to_lowercase(), seen.athlete));
        athletes.extend(others.into_iter().map(|(entry, seen)| {
            let athlete = seen.athlete;
            Placed { athlete, entry, place: None }
        }));
        Listing { athletes, teams: teams(ranking, team_best, entries) }
    }
}

impl Ranked {
    fn of(entry: usize, seen: &Entry<'_>, ranking: Ranking) -> Option<Ranked> {
        let margin = seen.margin.filter(|_| seen.rankable)?;
        let score = score(margin, ranking)?;
        let worth = (score != 0).then(|| f64::from(margin.margin_ppm.0) / score as f64);
        let Entry { athlete, share, finished, .. } = *seen;
        Some(Ranked { athlete, entry, score, worth, share, finished })
    }

    /// The step in which margins are shown.
    fn shown_unit(ranking: Ranking, entries: &[Entry<'_>]) -> i64 {
        let by_time = entries.iter().filter_map(|e| e.margin).any(|m| m.margin_dm.is_some());
        match (ranking, by_time) {
            (Ranking::Share, _) => SHOWN_PPM,
            (Ranking::Amount, false) => SHOWN_MS,
            (Ranking::Amount, true) => SHOWN_DM,
        }
    }

    /// Whether this athlete's lead over `other` means something.
    fn clearly_before(&self, other: &Ranked) -> bool {
        if self.finished && other.finished {
            return self.score > other.score;
        }
        let left = 1.0 - self.share.min(other.share);
        let band = DEAD_BAND_PPM * (left / BAND_SHRINKS_OVER).clamp(0.0, 1.0);
        // By amount, a lead is judged by what it is of the larger of the two targets.
        let worth = match (self.worth, other.worth) {
            (Some(one), Some(other)) => one.min(other),
            (Some(worth), None) | (None, Some(worth)) => worth,
            (None, None) => return false,
        };
        (self.score - other.score) as f64 * worth > band
    }
}

fn best_first(one: &Ranked, other: &Ranked) -> Ordering {
    other.score.cmp(&one.score).then(one.athlete.cmp(&other.athlete))
}

/// Puts back into the published order whom no difference that means something has moved.
///
/// A merge of runs: two athletes change places against the published order only when the lead is clear.
fn settle(ranked: &mut [Ranked], before: &BTreeMap<AthleteId, usize>) {
    // Insertion from the best down; almost sorted input makes it linear in practice, and nobody moves
    // further than the dead band reaches.
    for at in 1..ranked.len() {
        let mut here = at;
        while here > 0 {
            let (Some(above), Some(this)) = (ranked.get(here - 1), ranked.get(here)) else { break };
            let (Some(old_above), Some(old_this)) =
                (before.get(&above.athlete), before.get(&this.athlete))
            else {
                break;
            };
            if old_this > old_above || above.clearly_before(this) {
                break;
            }
            ranked.swap(here - 1, here);
            here -= 1;
        }
    }
}

/// Places down the list: who is equal as shown to the one above shares the place.
fn shared_places(ranked: &[Ranked], unit: i64) -> Vec<u32> {
    let mut places: Vec<u32> = Vec::with_capacity(ranked.len());
    let mut above: Option<(i64, bool, u32)> = None;
    for (place, ranked) in (1..).zip(ranked) {
        let unit = if ranked.finished { 1 } else { unit };
        let shown = rounded(ranked.score, unit);
        let shared =
            above.filter(|(score, finished, _)| *score == shown && *finished == ranked.finished);
        let place = shared.map_or(place, |(_, _, place)| place);
        places.push(place);
        above = Some((shown, ranked.finished, place));
    }
    places
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

/// Teams by the mean of their best members' margins.
fn teams(ranking: Ranking, team_best: u16, entries: &[Entry<'_>]) -> Vec<TeamLine> {
    let mut members: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    for entry in entries {
        let Some(team) = entry.team else { continue };
        let scores = members.entry(team).or_default();
        let margin = entry.margin.filter(|_| entry.rankable);
        scores.extend(margin.and_then(|margin| score(margin, ranking)));
    }
    let smallest = members.values().map(Vec::len).filter(|ranked| *ranked > 0).min().unwrap_or(0);
    let best = if team_best == 0 { smallest } else { usize::from(team_best) };
    let mut lines: Vec<TeamLine> = members
        .into_iter()
        .map(|(team, mut scores)| {
            scores.sort_unstable_by(|one, other| other.cmp(one));
            let counted = scores.get(..best).filter(|_| best > 0);
            let sum: Option<i64> = counted.map(|scores| scores.iter().sum());
            TeamLine {
                team: team.to_owned(),
                place: None,
                mean_margin: sum.map(|sum| mean(sum, best)),
                counted: u16::try_from(counted.map_or(0, <[i64]>::len)).unwrap_or(u16::MAX),
            }
        })
        .collect();
    lines.sort_by(|one, other| {
        other.mean_margin.cmp(&one.mean_margin).then_with(|| one.team.cmp(&other.team))
    });
    let means: Vec<Option<i64>> = lines.iter().map(|line| line.mean_margin).collect();
    for (line, place) in lines.iter_mut().zip(places(&means)) {
        line.place = place;
    }
    lines
}

/// Rounded to the nearest whole number.
fn mean(sum: i64, count: usize) -> i64 {
    let count = i64::try_from(count).unwrap_or(i64::MAX).max(1);
    rounded(sum, count)
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
pub struct Finish {
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
pub fn final_places(ranking: Ranking, results: &[Option<Finish>]) -> Vec<Option<u32>> {
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
    fn of(result: Finish) -> Option<Lead> {
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
            Some(Finish { shown: of(shown), target: of(target) })
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
            noise in prop::collection::vec(prop::collection::vec(-1_400i32..1_400, 12), 1..30),
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

        #[test]
        fn places_are_those_of_a_competition(scores in prop::collection::vec(prop::option::of(-5i64..5), 0..20)) {
            for (score, place) in scores.iter().zip(places(&scores)) {
                let better = scores.iter().flatten().filter(|other| Some(**other) > *score).count();
                prop_assert_eq!(place.map(|place| place as usize), score.map(|_| better + 1));
            }
        }
    }
}
