//! What the coach orders of a piece: each a single change of phase, or the reason why it cannot be done now.

use thole_protocol::{
    refusal::{Refusal, Why},
    spec::{Extent, PieceSpec, RepeatStart},
    standing::{Phase, Standings},
    units::At,
};

use super::{Piece, Roster, lookout::Lookout};
use crate::{limits::FALSE_START_MAX, projection::Forecast, settled::Recorder};

impl Piece {
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

    /// From armed into the countdown.
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

    /// The starts that are known from the beginning: all of them in an interval piece by time, otherwise just
    /// the go.
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
    /// The piece is neither counting down nor in its first moments.
    pub fn false_start(&mut self, now: At) -> Result<(), Refusal> {
        match self.phase {
            Phase::Counting { .. } => {}
            Phase::Rowing { go_at_ms, .. } if now.since(go_at_ms).0 <= FALSE_START_MAX.0 => {}
            Phase::Rowing { .. } => {
                return not_now("More than 30 s have been rowed: stop the piece instead.");
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Resting { .. }
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => {
                return not_now("A false start is called in the countdown or just after the go.");
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

    /// Starts the next repeat soon, whoever is still rowing or resting.
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

    pub(super) fn signal(&mut self, go_at_ms: At, next_repeat: u16, next_at_ms: At) {
        self.starts.truncate(usize::from(next_repeat));
        self.starts.push(next_at_ms);
        self.go_to(Phase::Resting { go_at_ms, next_repeat, next_at_ms });
    }

    /// Stops the piece for everybody; what was rowed is kept.
    ///
    /// # Errors
    /// It has not begun, or is already over.
    pub fn stop(&mut self, now: At) -> Result<(), Refusal> {
        let go_at_ms = match self.phase {
            Phase::Gathering => {
                return not_now("Nothing has begun yet, so there is nothing to stop.");
            }
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

    /// Ends the wait for late finishers.
    ///
    /// # Errors
    /// Nobody has finished yet, or the piece is over.
    pub fn close(&mut self, now: At) -> Result<(), Refusal> {
        if self.is_over() {
            return not_now("The piece is over already.");
        }
        let Phase::Closing { go_at_ms } = self.phase else {
            return not_now(if self.has_begun() {
                "Nobody has finished yet: stop the piece instead."
            } else {
                "Nothing is being rowed, so there is nothing to close."
            });
        };
        self.until = Some(now);
        self.go_to(Phase::Finished { go_at_ms });
        Ok(())
    }
}

fn not_now(says: &str) -> Result<(), Refusal> {
    Err(Refusal { why: Why::NotNow, says: says.to_owned() })
}
