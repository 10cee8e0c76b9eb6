//! Who is doing best against their own target.

use thole_protocol::{
    ids::AthleteId,
    spec::{Ranking, Target},
    standing::{Margin, TeamLine},
    units::At,
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

/// Keeps the published order, so that a place changes only when the difference means something.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Board {}

impl Board {
    /// A board on which nobody is placed yet.
    #[must_use]
    pub fn new() -> Board {
        Board::default()
    }

    /// The listing at this instant.
    pub fn publish(
        &mut self,
        at: At,
        ranking: Ranking,
        team_best: u16,
        entries: &[Entry<'_>],
    ) -> Listing {
        let _ = (at, ranking, team_best, entries);
        todo!()
    }
}

/// Places of scores, larger is better; ties share a place and the next ones are left out.
#[must_use]
pub fn places(scores: &[Option<i64>]) -> Vec<Option<u32>> {
    let _ = scores;
    todo!()
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
    let _ = finish;
    todo!()
}

/// Places of results, one for each entry; none in, none out.
#[must_use]
pub fn final_places(ranking: Ranking, results: &[Option<Finish>]) -> Vec<Option<u32>> {
    let _ = (ranking, results);
    todo!()
}
