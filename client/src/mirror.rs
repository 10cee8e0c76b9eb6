//! The session as this device knows it: the welcome, kept up to date by what happens.

use std::collections::BTreeMap;

use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, EventNo, PieceNo},
    server_msg::Welcome,
    standing::{AthleteResult, AthleteView, Phase, PieceView},
};

/// The session as this device knows it.
#[derive(Clone, Debug)]
pub struct Mirror {
    now: Welcome,
    /// The welcome holds everything up to this event already.
    as_of: EventNo,
}

impl Mirror {
    /// As the welcome says it.
    #[must_use]
    pub fn of(welcome: Welcome) -> Mirror {
        Mirror { as_of: welcome.last_event, now: welcome }
    }

    /// Takes in what happened; false when the welcome held it already.
    pub fn take(&mut self, event: &Event) -> bool {
        if event.event <= self.as_of {
            return false;
        }
        self.as_of = event.event;
        match &event.what {
            Happening::PhaseChanged { piece, phase } => {
                self.now.current = *piece;
                if let Some(view) = self.piece_mut(*piece) {
                    view.phase = *phase;
                }
            }
            Happening::PiecesSet { first, pieces } => {
                self.now.pieces.truncate(usize::from(first.0));
                let from = first.0;
                self.now.pieces.extend((from..).zip(pieces).map(|(nth, spec)| PieceView {
                    piece: PieceNo(nth),
                    spec: spec.clone(),
                    phase: Phase::Gathering,
                    results: Vec::new(),
                }));
            }
            Happening::SettingsChanged { settings } => self.now.settings = *settings,
            Happening::AthletesChanged { athletes } => {
                for athlete in athletes {
                    self.put_athlete(athlete);
                }
            }
            Happening::AthletesRemoved { athletes } => {
                let gone = |athlete| athletes.contains(&athlete);
                self.now.athletes.retain(|view| !gone(view.athlete));
                for piece in &mut self.now.pieces {
                    piece.results.retain(|result| !gone(result.athlete));
                }
            }
            Happening::Calibrated { calibration } => {
                self.now.calibration = Some(calibration.clone());
            }
            Happening::CallsPrepared { calls } => self.now.prepared.clone_from(calls),
            Happening::Results { piece, results } => {
                if let Some(view) = self.piece_mut(*piece) {
                    for result in results {
                        put_result(&mut view.results, result);
                    }
                }
            }
            Happening::SessionClosed => self.now.closed = true,
            Happening::FalseStart { .. }
            | Happening::Call { .. }
            | Happening::CallArmed { .. }
            | Happening::CallSent(_)
            | Happening::CallEnded { .. }
            | Happening::CallTakenBack { .. }
            | Happening::SecondDevice { .. }
            | Happening::LooksLike { .. }
            | Happening::Unknown => {}
        }
        true
    }

    /// Everything now known, in the form of a welcome.
    #[must_use]
    pub fn now(&self) -> &Welcome {
        &self.now
    }

    /// One of the pieces.
    #[must_use]
    pub fn piece(&self, piece: PieceNo) -> Option<&PieceView> {
        self.now.pieces.get(usize::from(piece.0))
    }

    /// The current piece.
    #[must_use]
    pub fn current(&self) -> Option<&PieceView> {
        self.piece(self.now.current)
    }

    /// One athlete of the roster.
    #[must_use]
    pub fn athlete(&self, athlete: AthleteId) -> Option<&AthleteView> {
        self.now.athletes.iter().find(|view| view.athlete == athlete)
    }

    /// The athlete who is called so; capital and small letters are alike.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&AthleteView> {
        let name = name.trim().to_lowercase();
        self.now.athletes.iter().find(|view| view.spec.name.to_lowercase() == name)
    }

    /// Everybody's name.
    #[must_use]
    pub fn names(&self) -> BTreeMap<AthleteId, String> {
        self.now.athletes.iter().map(|view| (view.athlete, view.spec.name.clone())).collect()
    }

    fn piece_mut(&mut self, piece: PieceNo) -> Option<&mut PieceView> {
        self.now.pieces.get_mut(usize::from(piece.0))
    }

    fn put_athlete(&mut self, athlete: &AthleteView) {
        match self.now.athletes.iter_mut().find(|view| view.athlete == athlete.athlete) {
            Some(view) => view.clone_from(athlete),
            None => self.now.athletes.push(athlete.clone()),
        }
    }
}

fn put_result(results: &mut Vec<AthleteResult>, result: &AthleteResult) {
    match results.iter_mut().find(|known| known.athlete == result.athlete) {
        Some(known) => known.clone_from(result),
        None => results.push(result.clone()),
    }
}
