//! One gathering under one join code: its roster, its pieces in their order, and what everybody may see.

use thole_protocol::{
    event::Event,
    ids::{AthleteId, EventNo, PieceNo, RunId},
    sample::Durable,
    spec::{CallText, SessionSettings},
    standing::{AthleteView, Overview, Own, PieceView, RunningCall},
    units::At,
};

use crate::{
    input::Input,
    output::{Output, To},
};

/// Who looks at a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Viewer {
    /// Sees everything.
    Coach,
    /// Sees names and standings, no heart rate.
    Board,
    /// Sees the session and oneself.
    Athlete(AthleteId),
}

/// Everything now true that a viewer may see.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct View {
    /// What people call the session.
    pub title: String,
    /// Its settings.
    pub settings: SessionSettings,
    /// Nothing more is rowed.
    pub closed: bool,
    /// The last event so far.
    pub last_event: EventNo,
    /// The pieces in their order.
    pub pieces: Vec<PieceView>,
    /// Which of them is the current one.
    pub current: PieceNo,
    /// The athletes that this viewer sees.
    pub athletes: Vec<AthleteView>,
    /// The coach's prepared calls.
    pub prepared: Vec<CallText>,
    /// An athlete's running call.
    pub call: Option<RunningCall>,
    /// An athlete's own standing.
    pub own: Option<Own>,
}

/// A session as a pure, deterministic state machine: the same inputs give the same state to the bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Session {}

impl Session {
    /// A session before its first input.
    #[must_use]
    pub fn new() -> Session {
        todo!()
    }
    /// Applies one input. Never fails: what makes no sense is refused by an output.
    ///
    /// # Panics
    /// When `at` is earlier than that of an input before it: the shell hands them over in time order.
    pub fn apply(&mut self, at: At, input: &Input) -> Vec<Output> {
        todo!()
    }
    /// When the shell is to come back with `Input::Deadline`; none = only when something happens.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        todo!()
    }
    /// The instant of the last input.
    #[must_use]
    pub fn now(&self) -> At {
        todo!()
    }
    /// Everything now true that this viewer may see.
    #[must_use]
    pub fn view(&self, viewer: Viewer) -> View {
        todo!()
    }
    /// Standings, details and notices as last published.
    #[must_use]
    pub fn overview(&self) -> Overview {
        todo!()
    }
    /// An athlete's own standing; none before there is a piece or for a stranger.
    #[must_use]
    pub fn own(&self, athlete: AthleteId) -> Option<Own> {
        todo!()
    }
    /// How far a recording is durable.
    #[must_use]
    pub fn durable(&self, athlete: AthleteId, run: RunId) -> Durable {
        todo!()
    }
    /// The events after `last` that concern this viewer, marked late.
    #[must_use]
    pub fn events_after(&self, last: EventNo, viewer: Viewer) -> Vec<Event> {
        todo!()
    }
    /// The athlete of the roster with this name whom nobody has claimed yet, or why not: `Err` when the name is taken.
    pub fn claim(&self, name: &str) -> Result<Option<AthleteId>, thole_protocol::refusal::Refusal> {
        todo!()
    }
    /// Whether the session is closed.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        todo!()
    }
}
