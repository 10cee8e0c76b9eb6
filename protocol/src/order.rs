//! What a coach can order.

use serde::{Deserialize, Serialize};

use crate::{
    ids::{AthleteId, CallId, CoachId, PieceNo},
    spec::{Aim, AthleteSpec, CallSpec, CallText, PieceSpec, SessionSettings},
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
    /// Starts the next repeat now instead of waiting for the last athlete or the rest.
    NextRepeat,
    /// Stops the piece for everybody; what was rowed is kept.
    Stop,
    /// Ends the wait for late finishers.
    Close,
    /// To the next piece of the session, gathering.
    NextPiece,
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
