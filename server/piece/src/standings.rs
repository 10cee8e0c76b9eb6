//! Who is doing best against their own target, by the numbers as they are shown.

use std::{
    cmp::{Ordering, Reverse},
    collections::BTreeMap,
};

use thole_protocol::{
    ids::AthleteId,
    spec::Ranking,
    standing::{AgainstTarget, Instead, TeamLine},
    total::{Gap, Margin, Total},
    units::{Decimetres, Millis, Ppm},
};

/// What the standings need to know of one athlete.
#[derive(Clone, Copy, Debug)]
pub struct Entry<'a> {
    /// Who.
    pub athlete: AthleteId,
    /// As everybody knows them; puts those who are not ranked in order.
    pub name: &'a str,
    /// Team, if any.
    pub team: Option<&'a str>,
    /// Projected or final result against their own target; `None` without a target or a projection.
    pub margin: Option<Margin>,
    /// As it was last shown; `None` for a result, and for athletes who were not ranked.
    pub was: Option<Margin>,
    /// Why they are not ranked, if so.
    pub instead: Option<Instead>,
}

/// Where one athlete is listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placed {
    /// Who.
    pub athlete: AthleteId,
    /// Position of this athlete among the entries passed in.
    pub entry: usize,
    /// 1, 2, 2, 4; `None` while not ranked.
    pub place: Option<u32>,
    /// As it is shown; `None` while not ranked.
    pub margin: Option<Margin>,
}

/// Athletes and teams in the order in which to list them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// Ranked athletes first, best first and equals by their ids; then the others by reason, and by name.
    pub athletes: Vec<Placed>,
    /// Teams, best first, equals by name; those without a place last.
    pub teams: Vec<TeamLine>,
}

/// How exactly margins are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Digits {
    /// To 0.1 %, 0.1 s or 1 m: a projection is not known more exactly.
    Shown,
    /// In full, as results are.
    All,
}

/// Margins are shown to 0.1 % …
const SHOWN_PPM: i64 = 1_000;
/// … or 0.1 s, in milliseconds, or 1 m, in decimetres.
const SHOWN_MS: i64 = 100;
const SHOWN_DM: i64 = 10;

/// The listing of one instant.
///
/// The numbers beside the names make the order: athletes who are equal as shown share the place, and nobody stands before
/// somebody whose number is better. A number stays until it is off by more than one step, so that places do not waver
/// with it. Screens renew everything rarely enough to be read (`picture`).
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
    /// Position among the entries passed in.
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
    Some(Ranked { athlete: seen.athlete, entry, margin, score: score(margin, ranking) })
}

/// Teams by the mean of their best members' margins, as shown beside it; those with too few ranked members come last, by
/// name.
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
    let step = match margin.gap {
        Gap::Time(_) => SHOWN_MS,
        Gap::Distance(_) => SHOWN_DM,
    };
    let was_gap = was.map(|was| was.gap.amount());
    Margin {
        margin_ppm: Ppm(i32::try_from(ppm).unwrap_or(margin.margin_ppm.0)),
        gap: margin.gap.with(read(margin.gap.amount(), was_gap, step)),
    }
}

/// To the nearest step; what was last read stays while it is off by no more than one.
fn read(amount: i64, was: Option<i64>, step: i64) -> i64 {
    let stays = was.filter(|was| was % step == 0 && amount.abs_diff(*was) <= step.unsigned_abs());
    stays.unwrap_or_else(|| nearest(amount, step) * step)
}

/// The step in which a margin is shown.
fn unit_of(margin: Margin, ranking: Ranking, digits: Digits) -> i64 {
    match (digits, ranking, margin.gap) {
        (Digits::All, ..) => 1,
        (Digits::Shown, Ranking::Share, _) => SHOWN_PPM,
        (Digits::Shown, Ranking::Amount, Gap::Time(_)) => SHOWN_MS,
        (Digits::Shown, Ranking::Amount, Gap::Distance(_)) => SHOWN_DM,
    }
}

/// This many steps, halves rounded away from zero: what is ahead and what is behind is rounded alike.
fn nearest(amount: i64, step: i64) -> i64 {
    amount.signum() * ((amount.abs() + step / 2) / step.max(1))
}

fn score(margin: Margin, ranking: Ranking) -> i64 {
    match ranking {
        Ranking::Share => i64::from(margin.margin_ppm.0),
        Ranking::Amount => margin.gap.amount(),
    }
}

/// Places of scores that are listed best first; equals share a place and the following ones are skipped.
fn places_in_order(scores: impl Iterator<Item = i64>) -> Vec<u32> {
    let mut above: Option<(i64, u32)> = None;
    let place = |(next, score): (u32, i64)| {
        let place = above.filter(|(same, _)| *same == score).map_or(next, |(_, place)| place);
        above = Some((score, place));
        place
    };
    (1..).zip(scores).map(place).collect()
}

/// Places of scores, larger is better; ties share a place and the following ones are skipped.
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
    pub shown: Total,
    /// Their own target in the same unit.
    pub target: Total,
}

/// A finish as it is shown and ranked: rounded once, to 0.1 s or to whole metres.
#[must_use]
pub fn as_shown(finish: Total) -> Total {
    match finish {
        Total::Time { finish_ms } => {
            Total::Time { finish_ms: Millis(finish_ms.0.saturating_add(50) / 100 * 100) }
        }
        Total::Distance { distance_dm } => {
            Total::Distance { distance_dm: Decimetres(distance_dm.0.saturating_add(5) / 10 * 10) }
        }
    }
}

/// The word for a finish: whether the target was made.
#[must_use]
pub fn made_or_not(margin: Margin) -> AgainstTarget {
    if margin.margin_ppm.0 >= 0 { AgainstTarget::Ahead } else { AgainstTarget::Behind }
}

/// Places of results, one for each entry; `None` in, `None` out.
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
            (Total::Time { finish_ms: shown }, Total::Time { finish_ms: target }) => {
                (i128::from(target.0) - i128::from(shown.0), target.0)
            }
            (Total::Distance { distance_dm: shown }, Total::Distance { distance_dm: target }) => {
                (i128::from(shown.0) - i128::from(target.0), target.0)
            }
            (Total::Time { .. } | Total::Distance { .. }, _) => return None,
        };
        Some(Lead { ahead, target: i128::from(target) })
    }
}

#[cfg(test)]
mod tests;
