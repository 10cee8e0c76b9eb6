//! What happens in a session, numbered so that nobody misses any of it.

use serde::{Deserialize, Serialize};

use crate::{
    effect::CallEffect,
    ids::{AthleteId, CallId, EventNo, PieceNo},
    spec::{CallText, PieceSpec, SessionSettings, Span},
    standing::{AthleteResult, AthleteView, Calibration, Phase, Rulings, SentCall, TeamLine},
    units::At,
};

/// Something that happened, in order, never left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Event {
    /// 1, 2, 3 … within the session; a client sees those that concern it.
    pub event: EventNo,
    /// When it happened.
    pub at_ms: At,
    /// Sent again after a lost connection: to be listed, not shown as new.
    #[serde(default)]
    pub late: bool,
    /// What.
    pub what: Happening,
}

/// What a damaged journal has lost of a session, as the coach is told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Damage {
    /// What was lost was written at this instant or later.
    pub from_ms: At,
    /// And at this instant or earlier.
    pub to_ms: At,
    /// Whose it was; empty when that is not known.
    pub athletes: Vec<AthleteId>,
    /// What is lost and what can be done, in words.
    pub says: String,
}

/// What can happen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Happening {
    /// A piece has entered a phase.
    PhaseChanged {
        /// Which piece.
        piece: PieceNo,
        /// The phase.
        phase: Phase,
    },
    /// The coach calls everybody back; the piece is armed again and will be restarted.
    FalseStart {
        /// Which piece.
        piece: PieceNo,
    },
    /// The pieces that have not begun were replaced.
    PiecesSet {
        /// Number of the first of them.
        first: PieceNo,
        /// What they are now.
        pieces: Vec<PieceSpec>,
    },
    /// The session's settings were changed.
    SettingsChanged {
        /// All of them.
        settings: SessionSettings,
    },
    /// Athletes are new, or something about them has changed (coach; board, without what is private).
    AthletesChanged {
        /// As they are now; changes within a quarter of a second come together.
        athletes: Vec<AthleteView>,
    },
    /// Athletes were taken off the roster; they had rowed nothing (coach, board).
    AthletesRemoved {
        /// Who.
        athletes: Vec<AthleteId>,
    },
    /// A second device came to an athlete's seat while the first was heard; the first was sent away (coach).
    SecondDevice {
        /// Whose.
        athlete: AthleteId,
    },
    /// A new name could be taken for another one at a glance, or mixes letters of scripts that nobody writes together
    /// (coach).
    LooksLike {
        /// Whose.
        athlete: AthleteId,
        /// Whose name it looks like; `None` when it is only written suspiciously.
        like: Option<AthleteId>,
    },
    /// The server came back on a machine that had been switched off, in the middle of a piece, and its clock was checked
    /// against the session's time on people's devices (coach).
    ClockSet {
        /// How far the clock was put forward; results under way are marked. `None` when fewer than three people's devices
        /// had the time: the clock stands unchecked.
        by_ms: Option<i64>,
        /// How many people's devices had the time.
        devices: u8,
    },
    /// The coach's prepared calls were replaced (coach).
    CallsPrepared {
        /// As they are now.
        calls: Vec<CallText>,
    },
    /// A focus call has come (to the athletes that it is for).
    Call {
        /// Which.
        call: CallId,
        /// The words.
        text: CallText,
        /// How long it stands.
        span: Span,
    },
    /// A focus call is waiting out its grace period (coach).
    CallArmed {
        /// Which.
        call: CallId,
        /// The words.
        text: CallText,
        /// When it goes out.
        sends_at_ms: At,
    },
    /// A focus call went out (coach, board).
    CallSent(SentCall),
    /// A focus call is over: for an athlete when their own strokes or the time are done, for coach and boards
    /// when it is over for the last of its athletes.
    CallEnded {
        /// Which.
        call: CallId,
    },
    /// A focus call was taken back, before or after it went out (coach, board, its athletes).
    CallTakenBack {
        /// Which.
        call: CallId,
    },
    /// What changed after a focus call, once its last stroke is in; for a call of the sheet, again when others have rowed
    /// under it (coach).
    CallEffect(CallEffect),
    /// Results, or what late samples have made of them: for an athlete their own at once, for coach and
    /// boards those of one second together.
    Results {
        /// Of which piece.
        piece: PieceNo,
        /// The results.
        results: Vec<AthleteResult>,
        /// What these results make of the teams, once the piece is over: with the last of several events (coach,
        /// boards).
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        teams: Vec<TeamLine>,
    },
    /// What coaches have ruled about a piece is another now: it is official, reopened, or a result was corrected, or that was
    /// undone. What follows for results comes as `results`.
    Ruled {
        /// Which piece.
        piece: PieceNo,
        /// All that stands.
        rulings: Box<Rulings>,
    },
    /// A piece is over, and its finishes were compared with what was projected (coach).
    Calibrated {
        /// As it stands now.
        calibration: Calibration,
    },
    /// The server's journal is damaged: what it has lost of this session (coach).
    Damaged(Damage),
    /// The coach has ended the session.
    SessionClosed,
    /// A kind that this client does not know: a newer server may say more.
    #[serde(other)]
    Unknown,
}

impl Happening {
    /// Whether it is about focus calls, of the coach or of the sheet, as screens are told of them.
    #[must_use]
    pub fn is_about_calls(&self) -> bool {
        matches!(
            self,
            Happening::CallArmed { .. }
                | Happening::CallSent(_)
                | Happening::CallEnded { .. }
                | Happening::CallTakenBack { .. }
                | Happening::CallEffect(_)
        )
    }
}
