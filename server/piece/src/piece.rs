//! One timed effort of the session: its phases, its rowers, and who stands where.

mod lookout;
mod ordered;
mod published;
mod waited;

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    ids::{AthleteId, CallId, PieceNo},
    spec::{Extent, PieceSpec, Repeat, RepeatStart, SessionSettings},
    standing::{AthleteResult, Outcome, Phase, Standings},
    units::{At, Millis},
};

use crate::{
    projection::{Count, Forecast, Width},
    roster::Athlete,
    rower::Rower,
    rulings::{Frozen, FrozenResult, Ruled},
    settled::{Cause, Lines, Recorder, Settled},
    standings,
    track::Rule,
};
use lookout::Lookout;
pub use published::{Look, both, both_mut};

/// All athletes of a session by identity.
pub type Roster = BTreeMap<AthleteId, Athlete>;

/// A signal for the next repeat reaches everybody before it is due.
const SIGNAL_LEAD: Millis = Millis(3_000);
/// An athlete who has not been heard for this long is out of the ranking, and is not waited for (design: 15
/// s).
pub(crate) const SILENT_MAX_MS: u32 = 15_000;

/// One piece of a session.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Which one.
    pub no: PieceNo,
    /// What is rowed.
    pub spec: PieceSpec,
    phase: Phase,
    /// The go, and the signals of later repeats as far as they have been given.
    starts: Vec<At>,
    until: Option<At>,
    lookout: Lookout,
    /// Those who can row it: made at the start, and when somebody joins later.
    pub rowers: BTreeMap<AthleteId, Rower>,
    /// As last published.
    pub standings: Standings,
    /// What projects its finishes.
    pub forecast: Forecast,
    /// Whether its finishes have been compared with what was shown on the way.
    counted: bool,
    /// Athletes whose results are new to the screens.
    pub fresh_results: BTreeSet<AthleteId>,
    /// Athletes who got a call of the sheet since the screens were last told, by entry.
    pub fresh_sheet: BTreeMap<u16, Vec<AthleteId>>,
    /// Everybody who got a call of the sheet: its entry, who, and when they reached its point; once per entry.
    pub sheet_reached: Vec<(u16, AthleteId, At)>,
    /// Calls that the coach sent to people by name: their words belong to those people.
    pub named_calls: BTreeSet<CallId>,
    /// The standings every few seconds, until they are in a record.
    pub recorder: Recorder,
    /// The record of what became of it.
    pub settling: Settling,
    /// What coaches have ruled about it.
    pub ruled: Ruled,
    /// Its results as they were recorded, once their strokes are kept no longer; `None` while strokes are what counts.
    pub stands: Option<BTreeMap<AthleteId, AthleteResult>>,
}

/// How far the settling of a piece that is over has come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settling {
    /// When the next record is to be made, if anything is new by then.
    pub due: Option<At>,
    /// Why it is, if a coach has ruled something.
    pub ruled: Option<Cause>,
    /// Made, and not in the journal yet.
    pub made: Option<Box<Settled>>,
    /// The newest one in the journal.
    pub kept: Option<Box<Settled>>,
    /// The lines of the first record, which stand for all later ones as well.
    pub lines: Option<Lines>,
    /// A record differed from what this build makes: nothing is put beside it until a person has looked.
    pub differs: bool,
}

impl Piece {
    /// A piece that has not begun; `limits::check_piece` has found its spec good.
    #[must_use]
    pub fn new(no: PieceNo, spec: PieceSpec) -> Piece {
        Piece {
            no,
            spec,
            phase: Phase::Gathering,
            starts: Vec::new(),
            until: None,
            lookout: Lookout::default(),
            rowers: BTreeMap::new(),
            standings: Standings { piece: no, ..Standings::default() },
            forecast: Forecast::default(),
            counted: false,
            fresh_results: BTreeSet::new(),
            fresh_sheet: BTreeMap::new(),
            sheet_reached: Vec::new(),
            named_calls: BTreeSet::new(),
            recorder: Recorder::default(),
            settling: Settling::default(),
            ruled: Ruled::default(),
            stands: None,
        }
    }

    /// Which phase it is in.
    #[must_use]
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Whether the countdown was started.
    #[must_use]
    pub fn has_begun(&self) -> bool {
        !matches!(self.phase, Phase::Gathering | Phase::Armed)
    }

    /// Whether it is over: finished or stopped.
    #[must_use]
    pub fn is_over(&self) -> bool {
        matches!(self.phase, Phase::Finished { .. } | Phase::Stopped { .. })
    }

    /// Whether it has begun and is over: then there is something to settle.
    #[must_use]
    pub fn is_to_settle(&self) -> bool {
        matches!(self.phase, Phase::Finished { .. } | Phase::Stopped { go_at_ms: Some(_), .. })
    }

    /// The go, and the signals of later repeats as far as they have been given.
    #[must_use]
    pub fn starts(&self) -> &[At] {
        &self.starts
    }

    /// Whether somebody may be rowing.
    #[must_use]
    pub fn is_rowed(&self) -> bool {
        matches!(self.phase, Phase::Rowing { .. } | Phase::Resting { .. } | Phase::Closing { .. })
    }

    /// What all tracks of this piece have in common.
    #[must_use]
    pub fn rule(&self) -> Rule<'_> {
        rule(&self.spec, &self.starts, self.until)
    }

    /// Rule and rowers at once, to change rowers by the rule.
    pub fn rule_and_rowers(&mut self) -> (Rule<'_>, &mut BTreeMap<AthleteId, Rower>) {
        (rule(&self.spec, &self.starts, self.until), &mut self.rowers)
    }

    /// Whether the signal for one of its repeats was given later than this, or is still to come, and waits for strokes: what
    /// one athlete has rowed then moves the clock for all.
    /// one athlete has rowed moves the clock of all then.
    pub(crate) fn waits_for_strokes_after(&self, at: At) -> bool {
        let by_distance = |repeat: &Repeat| matches!(repeat.work, Extent::Distance { .. });
        self.spec.repeat_start == RepeatStart::CommonSignal
            && self.spec.repeats.iter().all(by_distance)
            && (self.starts.len() < self.repeats() || self.starts.last() > Some(&at))
    }

    /// Whether nothing of it that the journal lost is still missing.
    pub(crate) fn lacks_nothing(&self) -> bool {
        self.rowers.values().all(|rower| !rower.is_damaged && !rower.lacks_strokes)
    }

    /// Gives somebody a place among the rowers, if the piece has begun.
    pub fn admit(&mut self, id: AthleteId, athlete: &Athlete) {
        if self.has_begun() && !self.rowers.contains_key(&id) {
            let aim = athlete.aims.get(&self.no).cloned().unwrap_or_default();
            if let Some(mut rower) = Rower::new(&self.spec, aim, self.forecast.clone()) {
                rower.set_out(athlete.today);
                self.rowers.insert(id, rower);
            }
        }
    }

    /// The same for somebody who has rowed none of it and aims at something else now.
    pub fn admit_again(&mut self, id: AthleteId, athlete: &Athlete) {
        let before = self.rowers.remove(&id);
        self.admit(id, athlete);
        if let Some((rower, before)) = self.rowers.get_mut(&id).zip(before) {
            rower.keep_word_of(&before);
        }
    }

    /// Whether somebody has rowed in it, by their strokes or, where these are kept no longer, by its record.
    #[must_use]
    pub fn was_rowed_by(&self, id: AthleteId) -> bool {
        let stands = self.stands.as_ref().and_then(|stands| stands.get(&id));
        self.rowers.get(&id).is_some_and(Rower::has_rowed)
            || stands.is_some_and(|result| result.distance_dm.0 > 0)
    }

    /// Takes away somebody who has rowed none of it.
    pub fn forget(&mut self, id: AthleteId) {
        self.rowers.remove(&id);
        if let Some(stands) = &mut self.stands {
            stands.remove(&id);
        }
        if let Some(frozen) = self.ruled.frozen_mut() {
            frozen.results.remove(&id);
        }
        self.fresh_results.remove(&id);
        self.standings.lines.retain(|line| line.athlete != id);
    }

    /// Once, when the piece is over: how what was shown on the way turned out, and how wide intervals are to
    /// be from now on.
    pub fn count_finishes(&mut self, now: At, mut width: Width) -> Option<(Count, Width)> {
        if self.counted || !self.is_over() {
            return None;
        }
        self.counted = true;
        let rule = rule(&self.spec, &self.starts, self.until);
        let mut count = Count::default();
        for rower in self.rowers.values() {
            if let Some(missed) = rower.judged(rule, now, &mut count) {
                width = width.after(missed);
            }
        }
        (count.finishes > 0).then_some((count, width))
    }

    /// When the phase changes by itself; `None` while it waits for people.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        match self.phase {
            Phase::Counting { go_at_ms } => Some(go_at_ms),
            Phase::Resting { next_at_ms, .. } => Some(next_at_ms),
            Phase::Rowing { repeat, repeat_at_ms, .. } => {
                // Only repeats by time end by the clock, and only when another one follows on a signal.
                self.starts.get(usize::from(repeat) + 1)?;
                let Extent::Time { time_ms } = self.spec.repeats.get(usize::from(repeat))?.work
                else {
                    return None;
                };
                Some(repeat_at_ms + time_ms)
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => None,
        }
    }

    /// Changes the phase if its time has come; true when it has changed.
    pub fn pass_time(&mut self, now: At) -> bool {
        if self.deadline().is_none_or(|deadline| deadline > now) {
            return false;
        }
        let next = match self.phase {
            Phase::Counting { go_at_ms } => {
                Phase::Rowing { go_at_ms, repeat: 0, repeat_at_ms: go_at_ms }
            }
            Phase::Resting { go_at_ms, next_repeat, next_at_ms } => {
                Phase::Rowing { go_at_ms, repeat: next_repeat, repeat_at_ms: next_at_ms }
            }
            Phase::Rowing { go_at_ms, repeat, .. } => {
                let next_repeat = repeat + 1;
                let Some(&next_at_ms) = self.starts.get(usize::from(next_repeat)) else {
                    return false;
                };
                Phase::Resting { go_at_ms, next_repeat, next_at_ms }
            }
            other @ (Phase::Gathering
            | Phase::Armed
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. }) => other,
        };
        self.go_to(next);
        true
    }

    /// An athlete has rowed on and is home at that instant, if that can be told: `follow_rowers` goes by it.
    pub fn goes_by(&mut self, home_at: Option<At>) {
        if let Some(home_at) = home_at {
            self.lookout.sees(home_at);
        }
    }

    fn go_to(&mut self, phase: Phase) {
        self.phase = phase;
    }

    fn repeats(&self) -> usize {
        self.spec.repeats.len()
    }

    /// One athlete's result, as it stands among all `results`: the place is the one that was told.
    #[must_use]
    pub fn result_of(&self, id: AthleteId, now: At, roster: &Roster) -> Option<AthleteResult> {
        if let Some(stands) = &self.stands {
            return stands.get(&id).cloned();
        }
        let (rower, athlete) = self.rowers.get(&id).zip(roster.get(&id))?;
        if self.ruled.frozen().is_some() {
            return rower.told.clone();
        }
        let place = rower.told.as_ref().and_then(|told| told.place).filter(|_| self.is_over());
        let result = self.made_by(id, rower, athlete, now)?;
        Some(AthleteResult { place, ..result })
    }

    /// What one athlete has made of it by strokes and corrections, without a place, official or not; `None` while it goes on.
    #[must_use]
    pub fn made_by(
        &self,
        id: AthleteId,
        rower: &Rower,
        athlete: &Athlete,
        now: At,
    ) -> Option<AthleteResult> {
        let result = rower.result(id, athlete, self.rule(), now)?;
        Some(self.ruled.put_right(&self.spec, result))
    }

    /// Whether strokes, corrections or what is lost of the journal make another result of one athlete's than they made when it
    /// was told last.
    #[must_use]
    pub fn is_result_new(&self, id: AthleteId, now: At, roster: &Roster) -> bool {
        let Some((rower, athlete)) = self.rowers.get(&id).zip(roster.get(&id)) else {
            return false;
        };
        let result = self.made_by(id, rower, athlete, now);
        if let Some(frozen) = self.ruled.frozen() {
            return frozen.seen.get(&id) != result.as_ref();
        }
        let place = rower.told.as_ref().and_then(|told| told.place);
        result.map(|result| AthleteResult { place, ..result }) != rower.told
    }

    /// Notes what strokes and corrections make of it now: what is told of it next is told by that.
    pub fn see_results(&mut self, now: At, roster: &Roster) {
        if self.ruled.frozen().is_none() {
            return;
        }
        let seen = self
            .rowers
            .iter()
            .filter_map(|(id, rower)| Some((*id, self.made_by(*id, rower, roster.get(id)?, now)?)));
        let seen = seen.collect();
        if let Some(frozen) = self.ruled.frozen_mut() {
            frozen.seen = seen;
        }
    }

    /// The results so far; with places when the piece is over. Of an official piece those that are official, and what would be.
    #[must_use]
    pub fn results(
        &self,
        now: At,
        settings: &SessionSettings,
        roster: &Roster,
    ) -> Vec<AthleteResult> {
        if let Some(stands) = &self.stands {
            return stands.values().cloned().collect();
        }
        match self.ruled.frozen() {
            Some(frozen) => frozen.stands(self.placed(now, &frozen.settings, roster)),
            None => self.placed(now, settings, roster),
        }
    }

    /// The results that strokes and corrections make.
    fn placed(&self, now: At, settings: &SessionSettings, roster: &Roster) -> Vec<AthleteResult> {
        if let Some(stands) = &self.stands {
            return stands.values().cloned().collect();
        }
        let results = self
            .rowers
            .iter()
            .filter_map(|(id, rower)| self.made_by(*id, rower, roster.get(id)?, now));
        let mut results: Vec<AthleteResult> = results.collect();
        if !self.is_over() {
            return results;
        }
        let finishes: Vec<_> = results
            .iter()
            .map(|result| {
                let (shown, target) = (result.shown?, result.target?);
                (result.outcome == Outcome::Finished && result.unplaced().is_none())
                    .then_some(standings::RankedFinish { shown, target })
            })
            .collect();
        let places = standings::final_places(settings.ranking, &finishes);
        for (result, place) in results.iter_mut().zip(places) {
            result.place = place;
        }
        results
    }

    /// The results as they stand, to be official from now on.
    #[must_use]
    pub fn frozen(&self, now: At, settings: &SessionSettings, roster: &Roster) -> Frozen {
        let frozen = |result: AthleteResult| {
            let rower = self.rowers.get(&result.athlete);
            let team = roster.get(&result.athlete).and_then(|athlete| athlete.spec.team.clone());
            let home_at = rower.and_then(|rower| rower.home_at_of(&result, self.rule(), now));
            (result.athlete, FrozenResult { result, team, home_at })
        };
        let results = self.placed(now, settings, roster).into_iter().map(frozen).collect();
        let rests_on = self.ruled.corrections_now();
        Frozen { settings: *settings, results, rests_on, seen: BTreeMap::new() }
    }
}

fn rule<'a>(spec: &'a PieceSpec, starts: &'a [At], until: Option<At>) -> Rule<'a> {
    Rule {
        repeats: &spec.repeats,
        clock: spec.clock,
        repeat_start: spec.repeat_start,
        starts,
        until,
    }
}
