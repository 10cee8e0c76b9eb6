//! What is made once a second from everybody who rows: the standings, and what was seen on the way.

use std::collections::BTreeMap;

use thole_protocol::{
    ids::AthleteId,
    spec::SessionSettings,
    standing::{AthleteResult, Doing, Line, Notice, Phase, Standings},
    units::{At, Ppm},
};

use super::{Piece, Roster, rule};
use crate::{
    calls, picture,
    roster::Athlete,
    rower::Rower,
    rulings,
    settled::RankedSeat,
    standings::{Digits, Entry, listed},
};

/// What was seen of everybody when the standings were published.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Look {
    /// In the order of the athletes' ids; none once the piece is over.
    pub notices: Vec<Notice>,
    /// Those for whom it is over and who have not been told their result yet.
    pub home: Vec<AthleteId>,
    /// Those whose call is over: its time is up, or they have stopped or not begun, and nobody is pushed.
    pub past_call: Vec<AthleteId>,
}

impl Piece {
    /// Publishes the standings of this instant, and looks at everybody once.
    pub fn publish(&mut self, now: At, settings: &SessionSettings, roster: &Roster) -> Look {
        // What is official stands as it was published then.
        if self.ruled.frozen().is_some() {
            return Look::default();
        }
        let corrected = match &self.stands {
            Some(stands) => stands.clone(),
            None => self.corrected(now, roster),
        };
        let all_stand = self.stands.is_some();
        let rule = rule(&self.spec, &self.starts, self.until);
        let (is_rowed, over) = (self.is_rowed(), self.is_over());
        let mut look = Look::default();
        let mut standing = Vec::new();
        let mut lines = Vec::with_capacity(self.rowers.len());
        let mut entries = Vec::with_capacity(self.rowers.len());
        let mut ends = Vec::new();
        for (id, rower, athlete) in both_mut(&mut self.rowers, roster) {
            let (line, notices) = rower.published(*id, athlete, rule, now, is_rowed);
            let line = match corrected.get(id) {
                Some(result) => rulings::line(line, result, all_stand),
                None => line,
            };
            look.notices.extend(notices);
            if rower.sits_out() {
                rower.place = None;
                continue;
            }
            let is_over = rower.has_rowed() && rower.over(rule, now).is_some();
            if is_over && rower.told.is_none() {
                look.home.push(*id);
            }
            if let Some(call) = rower.running() {
                if call.is_past(now) || rower.is_left_in_peace(line.doing, rule, now) {
                    look.past_call.push(*id);
                } else {
                    standing.push((call.call, rower.strokes_left(&athlete.recording)));
                }
            }
            if rower.has_rowed() {
                ends.push(rower.stands_still_since(athlete, rule, now));
            }
            entries.push(Entry {
                athlete: *id,
                name: &athlete.spec.name,
                team: athlete.spec.team.as_deref(),
                margin: line.margin,
                was: rower.margin_shown.filter(|_| line.doing != Doing::Finished),
                instead: line.instead,
            });
            lines.push(line);
        }
        let digits = if over { Digits::All } else { Digits::Shown };
        let listing = listed(settings.ranking, settings.team_best, digits, &entries);
        let mut shown = vec![None; lines.len()];
        for placed in &listing.athletes {
            if let (Some(line), Some(shown)) =
                (lines.get_mut(placed.entry), shown.get_mut(placed.entry))
            {
                (line.place, *shown) = (placed.place, placed.margin);
            }
        }
        if is_rowed && self.recorder.is_due(now) {
            self.recorder.line(now, ranked(&lines, roster));
        }
        let mut in_order = Vec::with_capacity(lines.len());
        for placed in &listing.athletes {
            let line = lines.get(placed.entry).cloned();
            in_order.extend(line.map(|line| Line { margin: placed.margin, ..line }));
        }
        let mut lines = lines.iter().zip(shown).peekable();
        for (id, rower) in &mut self.rowers {
            // A line for each of them, in the same order; athletes without one keep their place.
            if let Some((line, shown)) = lines.next_if(|(line, _)| line.athlete == *id) {
                (rower.place, rower.margin_shown) = (line.place, shown);
            }
        }
        let (piece, teams, calls) = (self.no, listing.teams, calls::standing(standing));
        let waits_for = self.waits_for(now, roster);
        self.standings = Standings {
            piece,
            at_ms: now,
            drawn_at_ms: now,
            lines: in_order,
            teams,
            calls,
            waits_for,
            nobody_rows_since_ms: picture::stood_still_since(self.phase, ends.into_iter()),
        };
        look
    }

    /// The results about which a coach has ruled something.
    fn corrected(&self, now: At, roster: &Roster) -> BTreeMap<AthleteId, AthleteResult> {
        if self.ruled.is_empty() {
            return BTreeMap::new();
        }
        let about = self.rowers.iter().filter(|(id, _)| self.ruled.is_about(**id));
        let result = |(id, rower): (&AthleteId, &Rower)| {
            Some((*id, self.made_by(*id, rower, roster.get(id)?, now)?))
        };
        about.filter_map(result).collect()
    }

    /// Those for whom everybody else is waiting now: if they were done, so would the repeat or the piece be.
    fn waits_for(&self, now: At, roster: &Roster) -> Vec<AthleteId> {
        let all = both(&self.rowers, roster);
        match self.phase() {
            Phase::Rowing { repeat, .. } if self.waits_in(repeat) => {
                let this = usize::from(repeat);
                if !self.rowers.values().any(|rower| rower.repeat() > this) {
                    return Vec::new();
                }
                let waited = all.filter(|(_, rower, athlete)| {
                    rower.repeat() <= this && self.is_waited_for(rower, athlete, now)
                });
                waited.map(|(id, ..)| *id).collect()
            }
            Phase::Closing { .. } => all
                .filter(|(_, rower, athlete)| self.is_out(rower, athlete, now))
                .map(|(id, ..)| *id)
                .collect(),
            Phase::Gathering
            | Phase::Armed
            | Phase::Counting { .. }
            | Phase::Rowing { .. }
            | Phase::Resting { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => Vec::new(),
        }
    }
}

/// Those of the lines who have a place, by their seats.
fn ranked(lines: &[Line], roster: &Roster) -> Vec<RankedSeat> {
    let ranked = lines.iter().filter_map(|line| {
        Some(RankedSeat {
            seat: roster.get(&line.athlete)?.seat,
            place: line.place?,
            margin_ppm: line.margin.map_or(Ppm(0), |margin| margin.margin_ppm),
            done_dm: line.done_dm,
        })
    });
    ranked.collect()
}

/// Everybody who rows, together with their entry in the roster; both are in the order of their ids, so that
/// nobody has to be looked up.
pub fn both<'a>(
    rowers: &'a BTreeMap<AthleteId, Rower>,
    roster: &'a Roster,
) -> impl Iterator<Item = (&'a AthleteId, &'a Rower, &'a Athlete)> {
    let mut athletes = roster.iter().peekable();
    rowers.iter().filter_map(move |(id, rower)| {
        while athletes.next_if(|(other, _)| *other < id).is_some() {}
        athletes.next_if(|(other, _)| *other == id).map(|(_, athlete)| (id, rower, athlete))
    })
}

/// The same, to look at everybody and note what was seen.
pub fn both_mut<'a>(
    rowers: &'a mut BTreeMap<AthleteId, Rower>,
    roster: &'a Roster,
) -> impl Iterator<Item = (&'a AthleteId, &'a mut Rower, &'a Athlete)> {
    let mut athletes = roster.iter().peekable();
    rowers.iter_mut().filter_map(move |(id, rower)| {
        while athletes.next_if(|(other, _)| *other < id).is_some() {}
        athletes.next_if(|(other, _)| *other == id).map(|(_, athlete)| (id, rower, athlete))
    })
}
