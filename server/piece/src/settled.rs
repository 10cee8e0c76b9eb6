//! What became of a piece, as a record of its own: by seat, without people's names. Pages, exports and later builds
//! read it; strokes only check it. Stored in the journal: add fields and variants, never change or remove one.

mod lines;

use serde::{Deserialize, Serialize};
use thole_protocol::{
    ids::{CallId, CoachId, CommandId, PieceNo},
    spec::{CallText, PieceSpec, Plan, SessionSettings, Span, Target},
    standing::{Corrected, Mark, Outcome, Phase, Ruling, Split},
    total::{Certainty, Margin, Total},
    units::{At, Decimetres, Millis},
};

pub use lines::{Lines, RankedSeat, Recorder, StandingsLine};

/// The number of an athlete in a session, counted from 0 in the order in which they were added to its roster.
/// It is never given to anybody else, whoever leaves.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct SeatNo(pub u32);

/// Why a record was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "because", rename_all = "snake_case")]
pub enum Cause {
    /// The piece was over.
    Over,
    /// Results changed afterwards: strokes came late.
    ResultsChanged,
    /// A coach made the results official.
    Official,
    /// A coach reopened them.
    Reopened,
    /// A coach corrected a result, or took a correction back.
    Corrected,
}

/// Everything that is kept of a piece that is over; the record of the highest revision is the one that counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settled {
    /// Which piece.
    pub piece: PieceNo,
    /// 1 for the first record of a piece, one more for each later one.
    pub revision: u32,
    /// Why it was made.
    pub cause: Cause,
    /// What was rowed; the part of the call sheet that anybody got is in `calls`.
    pub spec: PieceSpec,
    /// What places were awarded by.
    pub settings: SessionSettings,
    /// The go, and the signals of later repeats as far as they were given.
    pub starts_at_ms: Vec<At>,
    /// The phases from the countdown on, each with the instant at which it began.
    pub phases: Vec<Passed>,
    /// When the first finisher was home; `None` when nobody finished.
    pub first_home_at_ms: Option<At>,
    /// Teams, best first; their names appear only here.
    pub teams: Vec<SettledTeam>,
    /// Everybody who could row it, by their seats.
    pub seats: Vec<SettledSeat>,
    /// Those who had said that they would not row, and have not.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_today: Vec<SeatNo>,
    /// Focus calls in the order in which they first went out.
    pub calls: Vec<SettledCall>,
    /// The standings every few seconds; `None` in later revisions, for which those of the first one stand.
    #[serde(default)]
    pub lines: Option<Lines>,
    /// By which order it is official; `None` while it is not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub official: Option<SettledRuling>,
}

/// An order by which results are what they are. Its reason, and the name of the coach who gave it, stand in its own record and
/// go with that.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettledRuling {
    /// The order.
    pub command: CommandId,
    /// When it was given.
    pub at_ms: At,
    /// Which coach of the club gave it; `None` for whoever came by the session's coach link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<CoachId>,
}

/// A correction that stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettledCorrection {
    /// By which order.
    #[serde(flatten)]
    pub ruling: SettledRuling,
    /// What it has put in the place of what was there.
    #[serde(flatten)]
    pub what: Corrected,
}

/// A phase that a piece entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Passed {
    /// When.
    pub at_ms: At,
    /// Which, with its own instants.
    #[serde(flatten)]
    pub phase: Phase,
}

/// What a team made of the piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettledTeam {
    /// As the coach calls it.
    pub name: String,
    /// 1, 2, 2, 4; `None` while too few of its members were ranked.
    pub place: Option<u32>,
    /// Mean of the best members' margins, in the unit that the session ranks by (millionths, ms or dm).
    pub mean_margin: Option<i64>,
    /// How many counted.
    pub counted: u16,
}

/// What one athlete made of the piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettledSeat {
    /// Whose.
    pub seat: SeatNo,
    /// Which of `teams`, counted from 0.
    pub team: Option<u16>,
    /// How it turned out.
    pub outcome: Outcome,
    /// Place among those with a target who finished; 1, 2, 2, 4.
    pub place: Option<u32>,
    /// Work time, rests cut out.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// How sure `time_ms` is or, in a piece by time, `distance_dm`.
    #[serde(flatten)]
    pub sure: Certainty,
    /// The finish as it is shown and ranked.
    pub shown: Option<Total>,
    /// Their own target as they gave it: a finish, a distance or a pace.
    pub aim: Option<Target>,
    /// How the target was meant to be reached.
    pub plan: Plan,
    /// The same target in the piece's own unit: a finish or a distance.
    pub target: Option<Total>,
    /// Against their own target, by the finish as shown.
    pub margin: Option<Margin>,
    /// Quarters of a single stretch, repeats of an interval piece.
    pub splits: Vec<Split>,
    /// Their own strokes in the work, if the machine reported them.
    pub strokes: Option<u32>,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// When this athlete was home; `None` for athletes who did not finish.
    pub home_at_ms: Option<At>,
    /// What of it is not as it was measured.
    #[serde(default, skip_serializing_if = "Ruling::is_none")]
    pub ruling: Ruling,
    /// By which corrections, in the order in which they were made.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<SettledCorrection>,
}

/// A focus call that went out in the piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettledCall {
    /// Which.
    pub call: CallId,
    /// The words; `None` for a call that the coach sent to people by name: those are in the records of these people, under
    /// the call's identity, and go when they go.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<CallText>,
    /// How long it stood.
    pub span: Span,
    /// When it first went out.
    pub sent_at_ms: At,
    /// When it was over for the last of those who got it, or was taken back; `None` when its end was never
    /// told.
    pub ended_at_ms: Option<At>,
    /// Number of the call-sheet entry it came from, counted from 0.
    pub sheet: Option<u16>,
    /// Who got it at `sent_at_ms`: runs of seats from a first to a last, both included.
    pub seats: Vec<(SeatNo, SeatNo)>,
    /// Those among them for whom it ended another call.
    pub replaced: Vec<(SeatNo, SeatNo)>,
    /// For a call of the sheet: each athlete who got it, and when they reached its point of the piece.
    pub reached: Vec<(SeatNo, At)>,
}

impl Settled {
    /// What in this record another build would have made differently, in words; `None` when they are the
    /// same.
    #[must_use]
    pub fn difference(&self, other: &Settled) -> Option<String> {
        let mut parts: Vec<String> = [
            (self.piece == other.piece && self.revision == other.revision, "number"),
            (self.cause == other.cause, "cause"),
            (self.spec == other.spec && self.settings == other.settings, "what was rowed"),
            (self.starts_at_ms == other.starts_at_ms && self.phases == other.phases, "phases"),
            (self.first_home_at_ms == other.first_home_at_ms, "first finisher"),
            (self.teams == other.teams, "teams"),
            (self.not_today == other.not_today, "who sat out"),
            (self.calls == other.calls, "calls"),
            (self.official == other.official, "official or not"),
            (self.lines == other.lines, "lines of the standings"),
        ]
        .into_iter()
        .filter(|(same, _)| !same)
        .map(|(_, part)| part.to_owned())
        .collect();
        let others = |seat: &SettledSeat| other.seats.iter().find(|other| other.seat == seat.seat);
        let seats = self.seats.iter().filter(|seat| others(seat) != Some(*seat));
        parts.extend(seats.take(SEATS_NAMED).map(|seat| format!("seat {}", seat.seat.0)));
        if self.seats.len() != other.seats.len() {
            parts.push(format!("{} seats against {}", self.seats.len(), other.seats.len()));
        }
        (!parts.is_empty()).then(|| parts.join(", "))
    }

    /// Whether a later record would say nothing that this one does not.
    #[must_use]
    pub fn says_the_same(&self, before: &Settled) -> bool {
        let Settled { revision, cause, .. } = *before;
        let lines = before.lines.clone();
        Settled { revision, cause, lines, ..self.clone() } == *before
    }
}

/// A line of a log names at most this many differing seats: whoever looks further finds the others in the
/// records.
const SEATS_NAMED: usize = 20;

/// Runs of these seats, from the first to the last of each.
#[must_use]
pub fn stretches(seats: impl IntoIterator<Item = SeatNo>) -> Vec<(SeatNo, SeatNo)> {
    let mut seats: Vec<SeatNo> = seats.into_iter().collect();
    seats.sort_unstable();
    seats.dedup();
    let mut stretches: Vec<(SeatNo, SeatNo)> = Vec::new();
    for seat in seats {
        match stretches.last_mut() {
            Some((_, last)) if last.0 + 1 == seat.0 => *last = seat,
            _ => stretches.push((seat, seat)),
        }
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_whole_class_is_one_stretch_of_seats() {
        let seats = |numbers: &[u32]| {
            let told = stretches(numbers.iter().map(|number| SeatNo(*number)));
            told.into_iter().map(|(from, to)| (from.0, to.0)).collect::<Vec<_>>()
        };
        assert_eq!(seats(&[3, 0, 2, 1]), [(0, 3)]);
        assert_eq!(seats(&[7, 2, 3]), [(2, 3), (7, 7)]);
        assert_eq!(seats(&[]), []);
    }
}
