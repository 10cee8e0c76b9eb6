//! The session as this device knows it: the welcome, kept up to date by what happens.

use std::collections::BTreeMap;

use thole_protocol::{
    client_msg::Role,
    event::{Event, Happening},
    ids::{AthleteId, EventNo, PieceNo},
    server_msg::Welcome,
    standing::{AthleteResult, AthleteView, Phase, PieceView, Rulings},
    units::At,
};

/// The session as this device knows it.
#[derive(Clone, Debug)]
pub struct Mirror {
    now: Welcome,
    /// The welcome already includes everything up to this event.
    as_of: EventNo,
}

impl Mirror {
    /// As the welcome has it.
    #[must_use]
    pub fn of(welcome: Welcome) -> Mirror {
        Mirror { as_of: welcome.last_event, now: welcome }
    }

    /// Takes in what happened; false when the welcome already included it.
    pub fn take(&mut self, event: &Event) -> bool {
        if event.event <= self.as_of {
            return false;
        }
        self.as_of = event.event;
        match &event.what {
            Happening::PhaseChanged { piece, phase } => {
                // Nothing of another piece, or of another attempt at this one, is taken for part of this.
                if *piece != self.now.current || matches!(phase, Phase::Counting { .. }) {
                    (self.now.own, self.now.call) = (None, None);
                    self.now.calls.clear();
                }
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
                    teams: Vec::new(),
                    rulings: Rulings::default(),
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
            Happening::Damaged(damage) => self.now.damage.push(damage.clone()),
            Happening::CallsPrepared { calls } => self.now.prepared.clone_from(calls),
            Happening::Results { piece, results, teams } => {
                if let Some(view) = self.piece_mut(*piece) {
                    if !teams.is_empty() {
                        view.teams.clone_from(teams);
                    }
                    for result in results {
                        put_result(&mut view.results, result);
                    }
                }
            }
            Happening::Ruled { piece, rulings } => {
                if let Some(view) = self.piece_mut(*piece) {
                    view.rulings = (**rulings).clone();
                }
            }
            Happening::SessionClosed => self.now.closed = true,
            Happening::CallArmed { .. }
            | Happening::CallSent(_)
            | Happening::CallEnded { .. }
            | Happening::CallTakenBack { .. }
            | Happening::CallEffect(_) => {
                // As in a welcome: athletes are told of their own call alone.
                if self.now.role != Role::Athlete {
                    self.now.calls.push(event.clone());
                }
            }
            Happening::FalseStart { .. }
            | Happening::Call { .. }
            | Happening::SecondDevice { .. }
            | Happening::LooksLike { .. }
            | Happening::ClockSet { .. }
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

    /// The athlete with this name; capitals and lower case are alike.
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

/// The instant of the first go; `None` until the countdown begins.
#[must_use]
pub fn go_of(phase: Phase) -> Option<At> {
    match phase {
        Phase::Gathering | Phase::Armed => None,
        Phase::Counting { go_at_ms }
        | Phase::Rowing { go_at_ms, .. }
        | Phase::Resting { go_at_ms, .. }
        | Phase::Closing { go_at_ms }
        | Phase::Finished { go_at_ms } => Some(go_at_ms),
        Phase::Stopped { go_at_ms, .. } => go_at_ms,
    }
}

fn put_result(results: &mut Vec<AthleteResult>, result: &AthleteResult) {
    match results.iter_mut().find(|known| known.athlete == result.athlete) {
        Some(known) => known.clone_from(result),
        None => results.push(result.clone()),
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::server_msg::ServerMsg;

    use super::*;

    #[test]
    fn nothing_of_another_try_or_another_piece_is_kept() {
        let example = include_str!("../../protocol/examples/server/welcome.json");
        let ServerMsg::Welcome(welcome) = serde_json::from_str(example).unwrap() else {
            panic!("the example is a welcome");
        };
        assert!(welcome.own.is_some() && welcome.call.is_some(), "there is something to lose");
        let rowing = Phase::Rowing { go_at_ms: At(0), repeat: 0, repeat_at_ms: At(0) };
        let counting = Phase::Counting { go_at_ms: At(1) };
        let (here, next) = (welcome.current, PieceNo(welcome.current.0 + 1));
        for (piece, phase, stays) in
            [(here, rowing, true), (here, counting, false), (next, Phase::Gathering, false)]
        {
            let mut mirror = Mirror::of((*welcome).clone());
            let event = EventNo(mirror.as_of.0 + 1);
            let what = Happening::PhaseChanged { piece, phase };
            assert!(mirror.take(&Event { event, at_ms: At(0), late: false, what }));
            assert_eq!(mirror.now().own.is_some(), stays, "{phase:?}");
            assert_eq!(mirror.now().call.is_some(), stays, "{phase:?}");
        }
    }
}
