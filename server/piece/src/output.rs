//! All that the core can ask the shell to say.

use std::sync::Arc;

use thole_protocol::{
    event::Event,
    ids::{AthleteId, CommandId, PieceNo},
    refusal::Refusal,
    sample::{Durable, RefusedSample},
};

use crate::projection::{Count, Width};

/// Who is to hear of an event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct To {
    /// Every device of the coach.
    pub coach: bool,
    /// Every board.
    pub board: bool,
    /// Which athletes.
    pub athletes: Athletes,
}

/// Which athletes are to hear of an event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Athletes {
    /// None of them.
    None,
    /// All of the session.
    All,
    /// These. Shared: otherwise every call to a class would keep a list of all of it.
    These(Arc<[AthleteId]>),
}

impl To {
    /// Coach, boards and all athletes.
    pub const EVERYBODY: To = To { coach: true, board: true, athletes: Athletes::All };
    /// The coach alone.
    pub const COACH: To = To { coach: true, board: false, athletes: Athletes::None };
    /// Coach and boards.
    pub const SCREENS: To = To { coach: true, board: true, athletes: Athletes::None };

    /// Whether this athlete is meant.
    #[must_use]
    pub fn includes(&self, athlete: AthleteId) -> bool {
        match &self.athletes {
            Athletes::None => false,
            Athletes::All => true,
            Athletes::These(these) => these.contains(&athlete),
        }
    }
}

/// One thing to say; everything in it is durable by the time it is said.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// A numbered event; queued, never dropped.
    Event {
        /// For whom.
        to: To,
        /// What.
        event: Event,
    },
    /// A batch of samples was applied: goes out as one `ack`, together with `Session::own` and whatever
    /// events are due.
    Ack {
        /// Whose.
        athlete: AthleteId,
        /// How far the recording is durable.
        durable: Durable,
        /// Samples that were refused.
        refused: Vec<RefusedSample>,
    },
    /// There are new standings, details or notices: `Session::overview` has them. Conflated.
    Published,
    /// An athlete's own standing is new although no ack was due: `Session::own` has it. Conflated.
    OwnChanged {
        /// Whose.
        athlete: AthleteId,
    },
    /// A piece is over: how its projections turned out, and how wide intervals are to be from now on.
    Counted {
        /// Of this piece alone.
        count: Count,
        /// For future sessions.
        width: Width,
    },
    /// A record of a piece is not what this build makes of the strokes. The record stands; somebody should
    /// have a look.
    SettledDiffers {
        /// Of which piece.
        piece: PieceNo,
        /// Which record of it.
        revision: u32,
        /// What differs, by seats, without names.
        what: String,
    },
    /// An order was carried out (or had been before).
    Done {
        /// Which.
        command: CommandId,
    },
    /// An order was refused.
    OrderRefused {
        /// Which.
        command: CommandId,
        /// Why.
        refusal: Refusal,
    },
    /// Something that an athlete said was refused.
    Refused {
        /// Who.
        athlete: AthleteId,
        /// Why.
        refusal: Refusal,
    },
}
