//! What a coach can order.

use serde::{Deserialize, Serialize};

use crate::{
    ids::{AthleteId, CallId, CoachId, CommandId, PieceNo},
    spec::{Aim, AthleteSpec, CallSpec, CallText, PieceSpec, SessionSettings, Target},
    total::Total,
};

/// Which coach of the club gave an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct GivenBy {
    /// Whose key it came with.
    pub coach: CoachId,
    /// What they were called then.
    pub name: String,
}

/// What a coach can order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "do", rename_all = "snake_case")]
pub enum Order {
    /// Changes the session's settings.
    Settings {
        /// All of them.
        settings: SessionSettings,
    },
    /// Changes what is known of an athlete.
    ChangeAthlete {
        /// Who.
        athlete: AthleteId,
        /// All that is known now.
        spec: AthleteSpec,
    },
    /// Takes somebody off the roster who has rowed no piece: their link opens nothing any more, and their
    /// connection is closed. Not while a piece is under way.
    RemoveAthlete {
        /// Who.
        athlete: AthleteId,
    },
    /// Sets a target, plan and history for a piece that has not begun.
    Aim {
        /// Who.
        athlete: AthleteId,
        /// Which piece.
        piece: PieceNo,
        /// What they aim at.
        aim: Aim,
    },
    /// Replaces the pieces from the first one that has not begun.
    SetPieces {
        /// In the order they will be rowed; at most 50.
        #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::PIECES_MAX)))]
        pieces: Vec<PieceSpec>,
    },
    /// Replaces the prepared calls that the coach can send with one key.
    PrepareCalls {
        /// At most 50.
        #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::PREPARED_MAX)))]
        calls: Vec<CallText>,
    },
    /// From gathering to armed.
    Arm,
    /// From armed back to gathering.
    Disarm,
    /// From armed into the countdown.
    Start,
    /// Calls everybody back: from the countdown or the first moments of rowing to armed.
    FalseStart,
    /// Starts the next repeat now instead of waiting for the last athlete or the rest. Whoever is still in the repeat before
    /// rows it to its end and goes straight on: the rest is cut off and not the work.
    NextRepeat,
    /// Stops the piece for everybody; what was rowed is kept.
    Stop,
    /// Ends the wait for late finishers.
    Close,
    /// To the next piece of the session, gathering.
    NextPiece,
    /// Makes the results of a piece that is over official: from then on no place moves by itself. Strokes that still come are
    /// kept, and told as what the result would be. This and all other rulings may be given after later pieces, too, and when the
    /// session is closed.
    MakeOfficial {
        /// Which piece.
        piece: PieceNo,
    },
    /// Takes that back: results are again what the strokes and the corrections make of them.
    Reopen {
        /// Which piece.
        piece: PieceNo,
        /// Why: 1 to 200 characters, without names, which stay where this does.
        #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
        reason: String,
    },
    /// Puts another finish in the place of what was measured, of a piece that is over and not official.
    CorrectResult {
        /// Which piece.
        piece: PieceNo,
        /// Whose.
        athlete: AthleteId,
        /// A time for pieces by distance, a distance for pieces by time.
        finish: Total,
        /// Why: 1 to 200 characters; it is erased with the athlete.
        #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
        reason: String,
    },
    /// Ranks a result against another target, as if it had been rowed for that.
    CorrectTarget {
        /// Which piece.
        piece: PieceNo,
        /// Whose.
        athlete: AthleteId,
        /// A finish, a distance or a pace; `None`: none, and no place.
        target: Option<Target>,
        /// Why: 1 to 200 characters; it is erased with the athlete.
        #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
        reason: String,
    },
    /// A result does not count: it loses its place, and is shown as excluded.
    Exclude {
        /// Which piece.
        piece: PieceNo,
        /// Whose.
        athlete: AthleteId,
        /// Why: 1 to 200 characters; it is erased with the athlete.
        #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
        reason: String,
    },
    /// A result was rowed out of competition: it loses its place, without blame.
    Unrank {
        /// Which piece.
        piece: PieceNo,
        /// Whose.
        athlete: AthleteId,
        /// Why: 1 to 200 characters; it is erased with the athlete.
        #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
        reason: String,
    },
    /// Takes back a correction, or that a piece was made official or reopened; what stood before stands again. An undo is not
    /// undone: give the order again.
    Undo {
        /// The command of the order that is taken back.
        ruling: CommandId,
    },
    /// Ends the session; its links live for another 24 hours.
    CloseSession,
    /// Sends a focus call.
    Call {
        /// Which.
        call: CallSpec,
    },
    /// Takes a call back before it goes out, or ends it when it has.
    TakeBack {
        /// Which.
        call: CallId,
    },
}

impl Order {
    /// Whether it rules about results of a piece that is over: such an order may be given in a closed session, too.
    #[must_use]
    pub fn is_ruling(&self) -> bool {
        match self {
            Order::MakeOfficial { .. }
            | Order::Reopen { .. }
            | Order::CorrectResult { .. }
            | Order::CorrectTarget { .. }
            | Order::Exclude { .. }
            | Order::Unrank { .. }
            | Order::Undo { .. } => true,
            Order::Settings { .. }
            | Order::ChangeAthlete { .. }
            | Order::RemoveAthlete { .. }
            | Order::Aim { .. }
            | Order::SetPieces { .. }
            | Order::PrepareCalls { .. }
            | Order::Arm
            | Order::Disarm
            | Order::Start
            | Order::FalseStart
            | Order::NextRepeat
            | Order::Stop
            | Order::Close
            | Order::NextPiece
            | Order::CloseSession
            | Order::Call { .. }
            | Order::TakeBack { .. } => false,
        }
    }
}
