//! What an athlete is doing, and how the piece turns out for them.

use thole_protocol::{
    spec::{Extent, Repeat},
    standing::{Doing, Outcome},
    units::{At, Millis},
};

use super::{Rower, STOPPED_AFTER_MS};
use crate::{
    fine_at::FineAt,
    roster::{Athlete, Contact},
    track::{Finish, Rule},
};

/// Whoever is here sets off within this time after the go, or gets no call; common practice, no source.
const FIRST_STROKE_WITHIN: Millis = Millis(5_000);

/// A device that has just come has to find its machine first: after a silence this long it is no longer linking (our
/// choice).
const UNLINKED_MS: f64 = 60_000.0;

/// The state in which a rower is found at one instant.
#[derive(Clone, Copy)]
pub(super) struct Found {
    pub(super) finish: Option<Finish>,
    pub(super) doing: Doing,
    pub(super) idle: Option<Idle>,
}

/// An athlete who should be rowing and is not moving, as far as was heard.
#[derive(Clone, Copy)]
pub(super) struct Idle {
    pub(super) since: FineAt,
    /// Now, or when the device was last heard.
    pub(super) to: FineAt,
    /// Whether the machine has been heard since the device came (back).
    is_shown: bool,
    /// Whether the machine itself has shown for long enough that nothing is being rowed.
    has_shown: bool,
    /// Whether the device is heard now.
    is_heard: bool,
}

impl Idle {
    /// Negative before the repeat begins.
    pub(super) fn ms(self) -> f64 {
        self.to - self.since
    }

    /// Whether somebody who is heard has stood still long enough to have stopped, wherever the machine is.
    fn has_stood(self) -> bool {
        self.is_heard && self.ms() >= STOPPED_AFTER_MS
    }

    fn has_stopped(self) -> bool {
        self.has_shown || self.ms() >= if self.is_shown { STOPPED_AFTER_MS } else { UNLINKED_MS }
    }
}

impl Rower {
    /// Where the athlete was when the piece was over for them: the distance rowed, or the time gone by, whether
    /// or not they rowed to the end of it; `None` while it goes on.
    #[must_use]
    pub fn over(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.track.finish(rule, now)
    }

    /// How the athlete finished the piece, as known at `now`; `None` for athletes who have not rowed all of it.
    #[must_use]
    pub fn finish(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.home(rule, now).filter(|_| self.track.missed().is_none())
    }

    /// The same, whether or not earlier repeats were missed.
    pub(super) fn home(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.over(rule, now).filter(|over| self.has_rowed_to(*over, rule))
    }

    /// Whether the athlete rowed up to the point where the piece was over for them. A distance has been rowed
    /// by whoever has covered it; time goes by even for those who have stopped or are not heard.
    pub(super) fn has_rowed_to(&self, over: Finish, rule: Rule<'_>) -> bool {
        let Some(Repeat { work: Extent::Time { time_ms }, .. }) = rule.repeats.last() else {
            return true;
        };
        let Some((progress, rowed_at)) = self.track.progress().zip(self.track.rowed_at()) else {
            return false;
        };
        let idle_max = STOPPED_AFTER_MS.min(f64::from(time_ms.0) / 2.0);
        let by_word = self.stopped_at.is_some_and(|said| {
            // A machine runs on a little; whoever rows on has not stopped, whatever they said.
            rowed_at <= FineAt::from(said) + STOPPED_AFTER_MS
        });
        progress.repeat + 1 == rule.repeats.len() && over.at - rowed_at < idle_max && !by_word
    }

    /// How the piece turned out for an athlete for whom it is over, and who has not rowed to its end: stopped, if
    /// that is what was heard; otherwise nobody knows what was rowed since.
    pub(super) fn fell_short(&self, athlete: &Athlete, over: Finish) -> Outcome {
        self.outcome_by_time(athlete, over.at)
    }

    /// The same for a piece whose time was over at this instant.
    fn outcome_by_time(&self, athlete: &Athlete, over_at: FineAt) -> Outcome {
        let Some(rowed_at) = self.track.rowed_at() else { return Outcome::DidNotStart };
        let heard_by_device = match self.contact_at_end.unwrap_or(athlete.contact) {
            Contact::Never => None,
            Contact::Heard { since } => {
                (FineAt::from(since) <= over_at).then_some((since, over_at))
            }
            // An athlete who came back after the end, and was lost again, was not heard before it.
            Contact::Silent { since, heard_from } => (FineAt::from(heard_from) <= over_at)
                .then_some((heard_from, over_at.min(FineAt::from(since)))),
        };
        let still = |from: FineAt, to: FineAt| to - from.max(rowed_at) >= STOPPED_AFTER_MS;
        let newest = self.track.newest().map_or(rowed_at, |newest| newest.heard);
        let stood = still(rowed_at, newest)
            || heard_by_device.is_some_and(|(since, until)| still(FineAt::from(since), until));
        if self.has_stopped() || stood || self.heard_out {
            Outcome::Stopped
        } else {
            Outcome::Unheard
        }
    }

    /// From when on the athlete is home if nothing more is heard; `None` as long as that cannot be said.
    #[must_use]
    pub fn home_at(&self, rule: Rule<'_>) -> Option<At> {
        self.track.home_at(rule)
    }

    /// What the athlete is doing.
    #[must_use]
    pub fn doing(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Doing {
        self.found(athlete, rule, now).doing
    }

    /// Whether a call of the coach goes to this athlete: it does to those who row and, just after the go, to those who
    /// are here and whose first stroke cannot have been heard yet; never to those who take it easy.
    #[must_use]
    pub fn is_called(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> bool {
        if self.is_let_be(athlete) {
            return false;
        }
        match self.doing(athlete, rule, now) {
            Doing::Rowing => true,
            Doing::Here => rule.starts.first().is_some_and(|go| now < *go + FIRST_STROKE_WITHIN),
            Doing::Away | Doing::Stopped | Doing::Finished => false,
        }
    }

    /// Whether a call that stands is over for this athlete, given what they are doing: nobody is pushed who stands
    /// still, or who has not begun by the time others would be found to have stopped.
    #[must_use]
    pub fn is_left_in_peace(&self, doing: Doing, rule: Rule<'_>, now: At) -> bool {
        let has_had_time = |go: &At| now.0.saturating_sub(go.0) as f64 >= STOPPED_AFTER_MS;
        match doing {
            Doing::Stopped => true,
            Doing::Here => rule.starts.first().is_some_and(has_had_time),
            Doing::Away | Doing::Rowing | Doing::Finished => false,
        }
    }

    pub(super) fn found(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Found {
        let finish = self.finish(rule, now);
        let home = self.home(rule, now);
        let idle = self.idle(athlete, rule, now);
        let over = self.over(rule, now).filter(|_| home.is_none());
        let fell_short = over.map(|over| self.fell_short(athlete, over));
        let doing = if home.is_some() {
            Doing::Finished
        } else if self.has_stopped() || fell_short == Some(Outcome::Stopped) {
            Doing::Stopped
        } else if !self.has_rowed() {
            waiting(athlete)
        } else if idle.is_some_and(Idle::has_stopped) {
            Doing::Stopped
        } else {
            Doing::Rowing
        };
        Found { finish, doing, idle }
    }

    /// Since when they have not been rowing: home, or stopped; `None` while they row, or may be rowing
    /// unheard.
    #[must_use]
    pub fn stands_still_since(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Option<At> {
        if let Some(home) = self.home(rule, now) {
            return Some(home.at.ceil());
        }
        (self.found(athlete, rule, now).doing == Doing::Stopped)
            .then(|| self.track.rowed_at().map(FineAt::ceil))?
    }

    /// For how long the athlete should have been rowing, and was not; `None` in a rest, and when nobody can
    /// tell.
    fn idle(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Option<Idle> {
        let until = rule.until.map_or(now, |until| until.min(now));
        let (heard_from, to, is_heard) = match self.contact_at_end.unwrap_or(athlete.contact) {
            Contact::Never => return None,
            Contact::Heard { since } => (since, until, true),
            Contact::Silent { since, heard_from } => (heard_from, since.min(until), false),
        };
        // A device that keeps coming back has had time to link a machine since it first came.
        let heard_from = athlete.linking_since.map_or(heard_from, |first| first.min(heard_from));
        let due = self.track.due(rule, FineAt::from(to))?;
        // Just after a reconnect, what was rowed while nothing was heard is still on its way.
        let since = self.track.rowed_at()?.max(due).max(FineAt::from(heard_from));
        let newest = athlete.recording.recent().last();
        let is_shown = newest.is_some_and(|newest| newest.heard >= heard_from.0);
        // A machine that has shown for this long that nobody rows has shown it, however often its device
        // reconnects.
        let idle_from = self.track.rowed_at()?.max(due);
        let shown_ms = newest.map_or(0.0, |newest| FineAt::of(newest.heard.min(to.0)) - idle_from);
        let has_shown = shown_ms >= STOPPED_AFTER_MS;
        Some(Idle { since, to: FineAt::from(to), is_shown, has_shown, is_heard })
    }

    /// How the piece turned out; `None` while it goes on.
    pub(super) fn outcome(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Option<Outcome> {
        let is_over = rule.until.is_some();
        if self.finish(rule, now).is_some() {
            return Some(Outcome::Finished);
        }
        if self.home(rule, now).is_some() {
            return Some(Outcome::Unfinished);
        }
        if !self.has_rowed() {
            // Somebody who has come since was not there at the start.
            return self.contact_at_end.filter(|_| is_over).map(|_| Outcome::DidNotStart);
        }
        if let Some(over) = self.over(rule, now) {
            return Some(self.fell_short(athlete, over));
        }
        // Whoever was heard to stand still, and is not heard any more, had stopped all the same.
        let stood = self.track.newest().filter(|_| self.track.in_work()).zip(self.track.rowed_at());
        if is_over && stood.is_some_and(|(newest, at)| newest.heard - at >= STOPPED_AFTER_MS) {
            return Some(Outcome::Stopped);
        }
        // By what was heard alone: a connection that was lost and came back leads to no other result.
        let stood = self.idle(athlete, rule, now).is_some_and(Idle::has_stood);
        if self.has_stopped() || (is_over && stood) {
            return Some(Outcome::Stopped);
        }
        // An athlete whose time ran out in a repeat of which nothing more was heard may have rowed on.
        let time_over = rule
            .time_over_at()
            .filter(|end| rule.until.is_some_and(|until| FineAt::from(until) >= *end));
        if let Some(at) = time_over {
            return Some(self.outcome_by_time(athlete, at));
        }
        is_over.then_some(Outcome::Unfinished)
    }
}

/// What people see somebody doing: once the piece is over, nobody rows it any more.
pub(super) fn seen_doing(found: Found, rule: Rule<'_>) -> Doing {
    let doing = found.doing;
    if doing == Doing::Rowing && rule.until.is_some() { Doing::Stopped } else { doing }
}

/// What somebody who has not rowed in this piece is doing.
#[must_use]
pub fn waiting(athlete: &Athlete) -> Doing {
    if athlete.is_heard() { Doing::Here } else { Doing::Away }
}
