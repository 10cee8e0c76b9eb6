//! Which results are to be told: each as it comes, the whole list once the piece is over, and none twice.

use std::collections::BTreeMap;

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, PieceNo},
    standing::{AthleteResult, Phase},
};

use crate::mirror::Mirror;

/// What has been told of the results so far.
#[derive(Clone, Debug, Default)]
pub struct ResultsTold {
    told: BTreeMap<(PieceNo, AthleteId), AthleteResult>,
}

impl ResultsTold {
    /// The results to be told once this has happened, best place first: everybody's when a piece is over,
    /// otherwise those that nobody has been told in this form.
    pub fn after(&mut self, mirror: &Mirror, what: &Happening) -> Vec<AthleteResult> {
        let (piece, mut list) = match what {
            Happening::PhaseChanged { piece, phase } if is_over(*phase) => {
                let list = mirror.piece(*piece).map(|view| view.results.clone());
                (*piece, list.unwrap_or_default())
            }
            Happening::Results { piece, results, .. } => {
                let new = |result: &&AthleteResult| {
                    self.told.get(&(*piece, result.athlete)) != Some(*result)
                };
                (*piece, results.iter().filter(new).cloned().collect())
            }
            Happening::PhaseChanged { .. }
            | Happening::FalseStart { .. }
            | Happening::PiecesSet { .. }
            | Happening::SettingsChanged { .. }
            | Happening::AthletesChanged { .. }
            | Happening::AthletesRemoved { .. }
            | Happening::CallsPrepared { .. }
            | Happening::Call { .. }
            | Happening::CallArmed { .. }
            | Happening::CallSent(_)
            | Happening::CallEnded { .. }
            | Happening::CallTakenBack { .. }
            | Happening::CallEffect(_)
            | Happening::SessionClosed
            | Happening::Damaged(_)
            | Happening::Ruled { .. }
            | Happening::Calibrated { .. }
            | Happening::SecondDevice { .. }
            | Happening::LooksLike { .. }
            | Happening::ClockSet { .. }
            | Happening::Unknown => return Vec::new(),
        };
        for result in &list {
            self.told.insert((piece, result.athlete), result.clone());
        }
        list.sort_by_key(|result| (result.place.is_none(), result.place));
        list
    }
}

/// Whether nothing of a piece is rowed any more.
#[must_use]
pub fn is_over(phase: Phase) -> bool {
    match phase {
        Phase::Finished { .. } | Phase::Stopped { .. } => true,
        Phase::Gathering
        | Phase::Armed
        | Phase::Counting { .. }
        | Phase::Rowing { .. }
        | Phase::Resting { .. }
        | Phase::Closing { .. } => false,
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::{
        event::Event,
        ids::EventNo,
        server_msg::Welcome,
        spec::PieceSpec,
        standing::{Outcome, PieceView, Ruling, Rulings},
        total::Certainty,
        units::{At, Decimetres, Millis},
    };
    use uuid::Uuid;

    use super::*;
    use crate::wording;

    const PIECE: PieceNo = PieceNo(0);

    fn result(athlete: u128, place: Option<u32>, time_ms: u32) -> AthleteResult {
        AthleteResult {
            athlete: AthleteId(Uuid::from_u128(athlete)),
            outcome: Outcome::Finished,
            place,
            target: None,
            time_ms: Millis(time_ms),
            distance_dm: Decimetres(17_000),
            sure: Certainty::Unsaid,
            shown: None,
            margin: None,
            estimate: None,
            splits: Vec::new(),
            strokes: None,
            marks: Vec::new(),
            ruling: Ruling::default(),
        }
    }

    struct Scene {
        mirror: Mirror,
        told: ResultsTold,
        event: u64,
    }

    impl Scene {
        fn new() -> Scene {
            let json = include_str!("../../protocol/examples/server/welcome-coach.json");
            let welcome: Welcome = serde_json::from_str(json).unwrap();
            let view = PieceView {
                piece: PIECE,
                spec: PieceSpec::of(wording::repeats("1700m").unwrap()),
                phase: Phase::Closing { go_at_ms: At(60_000) },
                results: Vec::new(),
                teams: Vec::new(),
                rulings: Rulings::default(),
            };
            let event = welcome.last_event.0;
            let mirror = Mirror::of(Welcome { pieces: vec![view], current: PIECE, ..welcome });
            Scene { mirror, told: ResultsTold::default(), event }
        }

        /// Takes everything in first, as one message brings it, then tells; returns who is told, in order.
        fn hears(&mut self, what: &[Happening]) -> Vec<Vec<u128>> {
            for what in what {
                self.event += 1;
                let event = EventNo(self.event);
                let event = Event { event, at_ms: At(0), late: false, what: what.clone() };
                assert!(self.mirror.take(&event), "the scene's events are new");
            }
            let told = what.iter().map(|what| self.told.after(&self.mirror, what));
            told.map(|list| list.iter().map(|r| r.athlete.0.as_u128()).collect()).collect()
        }
    }

    fn results(results: &[AthleteResult]) -> Happening {
        Happening::Results { piece: PIECE, results: results.to_vec(), teams: Vec::new() }
    }

    fn finished() -> Happening {
        let phase = Phase::Finished { go_at_ms: At(60_000) };
        Happening::PhaseChanged { piece: PIECE, phase }
    }

    #[test]
    fn the_list_at_the_end_is_whole_and_in_order_and_nobody_is_told_twice() {
        let mut scene = Scene::new();
        let (ana, bo, cy) =
            (result(1, None, 391_000), result(2, None, 402_000), result(3, None, 9));
        assert_eq!(scene.hears(&[results(std::slice::from_ref(&ana))]), [[1]]);
        assert_eq!(scene.hears(&[results(&[ana, bo.clone(), cy])]), [[2, 3]]);
        // Two get their places with the end; the third was already told in its final form.
        let placed = results(&[result(1, Some(2), 391_000), result(2, Some(1), 402_000)]);
        assert_eq!(scene.hears(&[finished(), placed]), [vec![2, 1, 3], vec![]]);
    }

    #[test]
    fn what_changes_after_the_end_is_told_alone() {
        let mut scene = Scene::new();
        let placed = [result(1, Some(2), 391_000), result(2, Some(1), 402_000)];
        // A large class: the places come in a message of their own.
        scene.hears(&[results(&[result(1, None, 391_000), result(2, None, 402_000)])]);
        assert_eq!(scene.hears(&[finished()]), [[1, 2]]);
        assert_eq!(scene.hears(&[results(&placed)]), [[2, 1]]);
        assert_eq!(scene.hears(&[results(&[result(2, Some(1), 401_900)])]), [[2]]);
    }
}
