//! One timed effort of the session: its phases, its rowers, who stands where.

mod lookout;
mod published;

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    ids::{AthleteId, CallId, PieceNo},
    refusal::{Refusal, Why},
    spec::{Extent, PieceSpec, RepeatStart, SessionSettings},
    standing::{AthleteResult, Doing, Outcome, Phase, Standings},
    units::{At, Millis},
};

use crate::{
    limits::FALSE_START_MAX,
    projection::{Count, Forecast, Width},
    roster::{ALL_HAS_COME_AFTER, Athlete, Contact, PUT_OFF_MAX},
    rower::Rower,
    settled::{Lines, Recorder, Settled},
    standings,
    track::Rule,
};
use lookout::Lookout;
pub use published::{Look, both, both_mut};

/// All athletes of a session by identity.
pub type Roster = BTreeMap<AthleteId, Athlete>;

/// A signal for the next repeat reaches everybody before it is due.
const SIGNAL_LEAD: Millis = Millis(3_000);
/// Who is not heard for this long is out of the ranking, and not waited for (design: 15 s).
pub(crate) const SILENT_MAX_MS: u32 = 15_000;

/// One piece of a session.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Which one.
    pub no: PieceNo,
    /// What is rowed.
    pub spec: PieceSpec,
    phase: Phase,
    /// The go, and the signals of later repeats as far as they are given.
    starts: Vec<At>,
    until: Option<At>,
    lookout: Lookout,
    /// Those who can row it: made at the start, and when somebody joins later.
    pub rowers: BTreeMap<AthleteId, Rower>,
    /// As last published.
    pub standings: Standings,
    /// By what finishes are projected.
    pub forecast: Forecast,
    /// Whether its finishes were held against what was shown on the way.
    counted: bool,
    /// Athletes whose results are new to the screens.
    pub fresh_results: BTreeSet<AthleteId>,
    /// Athletes who got a call of the sheet since the screens were told last, by entry.
    pub fresh_sheet: BTreeMap<u16, Vec<AthleteId>>,
    /// Everybody who got a call of the sheet: its entry, who, and when they were at its point; once an entry each.
    pub sheet_reached: Vec<(u16, AthleteId, At)>,
    /// Calls that the coach said to people by name: their words are of those people.
    pub named_calls: BTreeSet<CallId>,
    /// The standings every few seconds, until they stand in a record.
    pub recorder: Recorder,
    /// The record of what became of it.
    pub settling: Settling,
}

/// How far a piece that is over has come to be settled.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settling {
    /// When the next record is to be made, if anything is new by then.
    pub due: Option<At>,
    /// Made and not in the journal yet.
    pub made: Option<Box<Settled>>,
    /// The newest that is in the journal.
    pub kept: Option<Box<Settled>>,
    /// The lines of the first record, which stand for all later ones.
    pub lines: Option<Lines>,
    /// A record was another than this build makes: nothing is put beside it that no person has looked at.
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
        }
    }

    /// How far it is.
    #[must_use]
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Whether the count-down was started.
    #[must_use]
    pub fn has_begun(&self) -> bool {
        !matches!(self.phase, Phase::Gathering | Phase::Armed)
    }

    /// Whether it is over: finished or stopped.
    #[must_use]
    pub fn is_over(&self) -> bool {
        matches!(self.phase, Phase::Finished { .. } | Phase::Stopped { .. })
    }

    /// Whether it is over and was begun: there is something to settle.
    #[must_use]
    pub fn is_to_settle(&self) -> bool {
        matches!(self.phase, Phase::Finished { .. } | Phase::Stopped { go_at_ms: Some(_), .. })
    }

    /// The go, and the signals of later repeats as far as they are given.
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

    /// Whether nothing that the journal has lost of it is missing any more.
    pub(crate) fn lacks_nothing(&self) -> bool {
        self.rowers.values().all(|rower| !rower.is_damaged && !rower.lacks_strokes)
    }

    /// A place among the rowers, if the piece has begun.
    pub fn admit(&mut self, id: AthleteId, athlete: &Athlete) {
        if self.has_begun() && !self.rowers.contains_key(&id) {
            let aim = athlete.aims.get(&self.no).cloned().unwrap_or_default();
            let rower = Rower::new(&self.spec, aim, self.forecast.clone());
            self.rowers.extend(rower.map(|rower| (id, rower)));
        }
    }

    /// Takes away somebody who has rowed nothing of it.
    pub fn forget(&mut self, id: AthleteId) {
        self.rowers.remove(&id);
        self.fresh_results.remove(&id);
        self.standings.lines.retain(|line| line.athlete != id);
    }

    /// From gathering to armed.
    ///
    /// # Errors
    /// The piece is in another phase.
    pub fn arm(&mut self) -> Result<(), Refusal> {
        if self.has_begun() {
            return not_now("The piece has begun already.");
        }
        if self.phase == Phase::Armed {
            return not_now("The piece is armed already; start it.");
        }
        self.go_to(Phase::Armed);
        Ok(())
    }

    /// From armed back to gathering.
    ///
    /// # Errors
    /// The piece is in another phase.
    pub fn disarm(&mut self) -> Result<(), Refusal> {
        if self.phase != Phase::Armed {
            return not_now("Only an armed piece can be disarmed.");
        }
        self.go_to(Phase::Gathering);
        Ok(())
    }

    /// From armed into the count-down.
    ///
    /// # Errors
    /// The piece is in another phase.
    pub fn start(&mut self, now: At, roster: &Roster, forecast: &Forecast) -> Result<(), Refusal> {
        if self.has_begun() {
            return not_now("The piece has begun already.");
        }
        if self.phase != Phase::Armed {
            return not_now("Arm the piece first, then start it.");
        }
        let go_at_ms = now + self.spec.count_ms;
        self.starts = self.schedule(go_at_ms);
        self.lookout = Lookout::default();
        self.go_to(Phase::Counting { go_at_ms });
        self.rowers.clear();
        self.forecast = forecast.clone();
        for (id, athlete) in roster {
            self.admit(*id, athlete);
        }
        Ok(())
    }

    /// The starts that are known from the beginning: all of an interval piece by time, else the go.
    fn schedule(&self, go: At) -> Vec<At> {
        let mut starts = vec![go];
        if self.spec.repeat_start == RepeatStart::OwnRest {
            return starts;
        }
        let mut next = go;
        for repeat in self.spec.repeats.split_last().map_or(&[][..], |(_, others)| others) {
            let Extent::Time { time_ms } = repeat.work else { break };
            next = next + time_ms + repeat.rest_ms;
            starts.push(next);
        }
        starts
    }

    /// Everybody back: to armed, as if it had not begun. The samples stay in the recordings.
    ///
    /// # Errors
    /// The piece is not counting, nor in its first moments.
    pub fn false_start(&mut self, now: At) -> Result<(), Refusal> {
        match self.phase {
            Phase::Counting { .. } => {}
            Phase::Rowing { go_at_ms, .. } if now.since(go_at_ms).0 <= FALSE_START_MAX.0 => {}
            Phase::Rowing { .. } => {
                return not_now("More than 30 s are rowed: stop the piece instead.");
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Resting { .. }
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => {
                return not_now("A false start is called in the count-down or just after the go.");
            }
        }
        self.starts.clear();
        self.rowers.clear();
        self.fresh_results.clear();
        self.fresh_sheet.clear();
        self.sheet_reached.clear();
        self.recorder = Recorder::default();
        self.standings =
            Standings { piece: self.no, at_ms: now, drawn_at_ms: now, ..Standings::default() };
        self.go_to(Phase::Armed);
        Ok(())
    }

    /// The next repeat soon, whoever is still rowing or resting.
    ///
    /// # Errors
    /// There is no next repeat that waits for a signal.
    pub fn next_repeat(&mut self, now: At) -> Result<(), Refusal> {
        let by_time =
            matches!(self.spec.repeats.first().map(|r| r.work), Some(Extent::Time { .. }));
        if by_time || self.spec.repeat_start == RepeatStart::OwnRest {
            return not_now("The repeats of this piece begin by the clock, not on a signal.");
        }
        let soon = now + PieceSpec::COUNT_MIN;
        match self.phase {
            Phase::Rowing { go_at_ms, repeat, .. } if usize::from(repeat) + 1 < self.repeats() => {
                self.signal(go_at_ms, repeat + 1, soon);
            }
            Phase::Resting { go_at_ms, next_repeat, next_at_ms } => {
                self.signal(go_at_ms, next_repeat, soon.min(next_at_ms));
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Counting { .. }
            | Phase::Rowing { .. }
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => return not_now("There is no next repeat to start."),
        }
        Ok(())
    }

    fn signal(&mut self, go_at_ms: At, next_repeat: u16, next_at_ms: At) {
        self.starts.truncate(usize::from(next_repeat));
        self.starts.push(next_at_ms);
        self.go_to(Phase::Resting { go_at_ms, next_repeat, next_at_ms });
    }

    /// Stops the piece for everybody; what was rowed is kept.
    ///
    /// # Errors
    /// It has not begun, or is over.
    pub fn stop(&mut self, now: At) -> Result<(), Refusal> {
        let go_at_ms = match self.phase {
            Phase::Gathering => return not_now("Nothing has begun that could be stopped."),
            Phase::Finished { .. } | Phase::Stopped { .. } => {
                return not_now("The piece is over already.");
            }
            Phase::Armed | Phase::Counting { .. } => None,
            Phase::Rowing { go_at_ms, .. }
            | Phase::Resting { go_at_ms, .. }
            | Phase::Closing { go_at_ms } => Some(go_at_ms),
        };
        self.until = Some(now);
        self.go_to(Phase::Stopped { go_at_ms, stopped_at_ms: now });
        Ok(())
    }

    /// It was over at that instant, as its record says.
    pub(crate) fn was_over(&mut self, at: At, phase: Phase) {
        self.until = Some(at);
        self.go_to(phase);
    }

    /// Ends the waiting for late finishers.
    ///
    /// # Errors
    /// Nobody has finished yet, or the piece is over.
    pub fn close(&mut self, now: At) -> Result<(), Refusal> {
        if self.is_over() {
            return not_now("The piece is over already.");
        }
        let Phase::Closing { go_at_ms } = self.phase else {
            return not_now("Nobody has finished yet: stop the piece instead.");
        };
        self.until = Some(now);
        self.go_to(Phase::Finished { go_at_ms });
        Ok(())
    }

    /// Once, when the piece is over: how what was shown on the way turned out, and how wide intervals
    /// are to be from now on.
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

    /// When the phase changes by itself; `None` when it waits for people.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        match self.phase {
            Phase::Counting { go_at_ms } => Some(go_at_ms),
            Phase::Resting { next_at_ms, .. } => Some(next_at_ms),
            Phase::Rowing { repeat, repeat_at_ms, .. } => {
                // Only repeats by time end by the clock, and only when another follows on a signal.
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

    /// An athlete has rowed on and is home then, if it can be said: `follow_rowers` goes by it.
    pub fn goes_by(&mut self, home_at: Option<At>) {
        if let Some(home_at) = home_at {
            self.lookout.sees(home_at);
        }
    }

    /// Changes the phase if the rowers have come so far; true when it has changed.
    pub fn follow_rowers(&mut self, now: At, roster: &Roster) -> bool {
        let phase = self.phase;
        match phase {
            Phase::Rowing { go_at_ms, .. } | Phase::Resting { go_at_ms, .. }
                if self.anybody_is_home(now) =>
            {
                self.go_to(Phase::Closing { go_at_ms });
                true
            }
            Phase::Rowing { go_at_ms, repeat, .. } => {
                self.rest_if_all_done(now, go_at_ms, repeat, roster)
            }
            Phase::Closing { go_at_ms } if !self.anybody_is_home(now) => {
                // What looked like a finish was nonsense: the samples around it have come since.
                self.go_to(self.rowing_again(go_at_ms, now));
                true
            }
            Phase::Closing { go_at_ms } if self.nobody_is_out(now, roster) => {
                self.until = Some(now);
                self.go_to(Phase::Finished { go_at_ms });
                true
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Counting { .. }
            | Phase::Resting { .. }
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => false,
        }
    }

    fn anybody_is_home(&mut self, now: At) -> bool {
        if now < self.lookout.nobody_home_before {
            return false;
        }
        let rule = rule(&self.spec, &self.starts, self.until);
        let is_home = |rower: &Rower| rower.over(rule, now).is_some();
        let known = self.lookout.home.and_then(|id| self.rowers.get(&id));
        if known.is_some_and(is_home) {
            return true;
        }
        let home = self.rowers.iter().find(|(_, rower)| is_home(rower));
        self.lookout.home = home.map(|(id, _)| *id);
        if home.is_none() {
            let home_at = self.rowers.values().filter_map(|rower| rower.home_at(rule)).min();
            self.lookout.nobody_home_before = home_at.unwrap_or(At(u64::MAX));
        }
        home.is_some()
    }

    /// Rowing, in the repeat that was signalled last.
    fn rowing_again(&self, go_at_ms: At, now: At) -> Phase {
        let signalled = (0..).zip(&self.starts).take_while(|(_, start)| **start <= now).last();
        let (repeat, repeat_at_ms) = signalled.map_or((0, go_at_ms), |(no, start)| (no, *start));
        Phase::Rowing { go_at_ms, repeat, repeat_at_ms }
    }

    /// Repeats by distance on a common signal: the rest begins when the last who is rowing is done.
    fn rest_if_all_done(&mut self, now: At, go_at_ms: At, repeat: u16, roster: &Roster) -> bool {
        let this = usize::from(repeat);
        let Some(rest_ms) = self.spec.repeats.get(this).map(|repeat| repeat.rest_ms) else {
            return false;
        };
        if !self.waits_in(repeat) {
            return false;
        }
        let keeps_waiting = |id: &AthleteId, rower: &Rower| {
            rower.repeat() <= this
                && roster.get(id).is_some_and(|athlete| self.is_waited_for(rower, athlete, now))
        };
        if self.still_waits(keeps_waiting) {
            return false;
        }
        let waited_for = self.rowers.iter().find(|(id, rower)| keeps_waiting(id, rower));
        self.lookout.waited_for = waited_for.map(|(id, _)| *id);
        if waited_for.is_some() {
            return false;
        }
        let done = self.rowers.values().filter(|rower| rower.repeat() > this);
        let last = done.filter_map(|rower| rower.ended_at().map(ceil)).max();
        let Some(last) = last else { return false };
        self.signal(go_at_ms, repeat + 1, (At(last) + rest_ms).max(now + SIGNAL_LEAD));
        true
    }

    /// Whether the rest behind this repeat begins when the last athlete is done, and has not been signalled.
    fn waits_in(&self, repeat: u16) -> bool {
        let next = usize::from(repeat) + 1;
        self.spec.repeat_start == RepeatStart::CommonSignal
            && next < self.repeats()
            && self.starts.len() <= next
    }

    fn is_waited_for(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        rower.doing(athlete, self.rule(), now) == Doing::Rowing
            && athlete.silent_for(now).is_none_or(|silent| silent.0 < SILENT_MAX_MS)
    }

    /// Whether this athlete may be rowing unheard: was here in the count-down, or has come since; or has just come back, and
    /// what was rowed meanwhile may be on its way.
    fn may_row_unheard(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        let Some(go) = self.starts.first() else { return false };
        match athlete.contact {
            Contact::Silent { since, .. } => since + self.spec.count_ms >= *go,
            Contact::Heard { since } => {
                let put_off_until = rower.expected_since.unwrap_or(since) + PUT_OFF_MAX;
                since > *go && now < put_off_until.min(since + ALL_HAS_COME_AFTER)
            }
            Contact::Never => false,
        }
    }

    /// Whether the piece goes on for this athlete, or may unheard.
    fn is_out(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        rower.over(self.rule(), now).is_none()
            && !self.rule().is_time_over(now)
            && !rower.has_stopped()
            && (rower.has_rowed() || self.may_row_unheard(rower, athlete, now))
    }

    /// Whether everybody who has rowed is home or has said to have stopped, and nobody is away who
    /// may be rowing unheard.
    fn nobody_is_out(&mut self, now: At, roster: &Roster) -> bool {
        let is_out = |id: &AthleteId, rower: &Rower| {
            roster.get(id).is_some_and(|athlete| self.is_out(rower, athlete, now))
        };
        if self.still_waits(is_out) {
            return false;
        }
        let out = self.rowers.iter().find(|(id, rower)| is_out(id, rower)).map(|(id, _)| *id);
        self.lookout.waited_for = out;
        out.is_none()
    }

    /// Whether the one for whom the piece was found to wait still keeps it waiting.
    fn still_waits(&self, keeps_waiting: impl Fn(&AthleteId, &Rower) -> bool) -> bool {
        let known = self.lookout.waited_for.and_then(|id| self.rowers.get_key_value(&id));
        known.is_some_and(|(id, rower)| keeps_waiting(id, rower))
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
        let (rower, athlete) = self.rowers.get(&id).zip(roster.get(&id))?;
        let place = rower.told.as_ref().and_then(|told| told.place).filter(|_| self.is_over());
        let result = rower.result(id, athlete, self.rule(), now)?;
        Some(AthleteResult { place, ..result })
    }

    /// The results so far; with places when the piece is over.
    #[must_use]
    pub fn results(
        &self,
        now: At,
        settings: &SessionSettings,
        roster: &Roster,
    ) -> Vec<AthleteResult> {
        let results = self.rowers.iter().filter_map(|(id, rower)| {
            rower
                .result(*id, roster.get(id)?, self.rule(), now)
                .map(|result| (result, rower.target()))
        });
        let (mut results, targets): (Vec<_>, Vec<_>) = results.unzip();
        if !self.is_over() {
            return results;
        }
        let finishes: Vec<_> = results
            .iter()
            .zip(targets)
            .map(|(result, target)| {
                let (shown, target) = (result.shown?, target?);
                (result.outcome == Outcome::Finished)
                    .then_some(standings::RankedFinish { shown, target })
            })
            .collect();
        let places = standings::final_places(settings.ranking, &finishes);
        for (result, place) in results.iter_mut().zip(places) {
            result.place = place;
        }
        results
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

/// The next whole millisecond.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "an instant of the session, never below zero; `as` from f64 saturates"
)]
pub(crate) fn ceil(ms: f64) -> u64 {
    ms.ceil() as u64
}

fn not_now(says: &str) -> Result<(), Refusal> {
    Err(Refusal { why: Why::NotNow, says: says.to_owned() })
}
