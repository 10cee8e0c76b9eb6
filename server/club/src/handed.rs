//! What a session hands to its club when a piece is settled, and the results that come of it.

use thole_piece::settled::{
    SeatNo, Settled, SettledCall, SettledCorrection, SettledRuling, SettledSeat,
};
use thole_protocol::{ids::SessionId, standing::Outcome, units::At};

use crate::{
    day::Zone,
    result::{ComesFrom, HeardCall, LastingResult, RuledBy, RuledResult, of_seat},
    seating::Seating,
    words::Words,
};

/// A piece that was settled, from the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Handed {
    /// Of which session.
    pub session: SessionId,
    /// When that was made; its clock counts from there.
    pub created_unix_ms: u64,
    /// What people call it; may be empty.
    pub title: String,
    /// What became of the piece.
    pub settled: Settled,
    /// Who sat where when it was settled.
    pub seating: Seating,
    /// What coaches had said with their rulings by then.
    pub words: Words,
}

impl Handed {
    /// The results of those who rowed, by their seats. Athletes of the roster who did not start have none: a result is what
    /// somebody did.
    #[must_use]
    pub fn results(&self, zone: &Zone) -> Vec<LastingResult> {
        let rowed = |seat: &&SettledSeat| seat.outcome != Outcome::DidNotStart;
        self.settled.seats.iter().filter(rowed).map(|seat| self.result(seat, zone)).collect()
    }

    fn result(&self, of: &SettledSeat, zone: &Zone) -> LastingResult {
        let Settled { piece, revision, spec, .. } = &self.settled;
        let (session, seat) = (self.session, of.seat);
        let at_unix_ms = self.at_unix_ms();
        let sitter = self.seating.get(seat);
        LastingResult {
            result: of_seat(session, *piece, seat),
            from: ComesFrom::Piece { session, piece: *piece, seat, revision: *revision },
            athlete: sitter.map(|sitter| sitter.athlete),
            called: sitter.map(|sitter| sitter.called.clone()),
            came_as: sitter.and_then(|sitter| sitter.person),
            day: zone.day(at_unix_ms),
            at_unix_ms: Some(at_unix_ms),
            title: spec.title.clone(),
            repeats: spec.repeats.clone(),
            outcome: of.outcome,
            place: of.place,
            team: self.team(of),
            time_ms: of.time_ms,
            distance_dm: of.distance_dm,
            sure: of.sure,
            shown: of.shown,
            aim: of.aim,
            plan: of.plan.clone(),
            target: of.target,
            margin: of.margin,
            splits: of.splits.clone(),
            strokes: of.strokes,
            marks: of.marks.clone(),
            calls: self.calls(seat),
            official: self.settled.official.map(|official| self.ruled_by(&official)),
            ruling: of.ruling.clone(),
            corrections: of.corrections.iter().map(|of| self.ruled(of)).collect(),
        }
    }

    /// The instant of the go. It follows from the journal alone, so that it is the same whenever results are made; of a
    /// rehearsal that ran faster than life it is as late as its clock says.
    fn at_unix_ms(&self) -> u64 {
        let go = self.settled.starts_at_ms.first().copied();
        let began = self.settled.phases.first().map(|passed| passed.at_ms);
        self.created_unix_ms.saturating_add(go.or(began).unwrap_or(At(0)).0)
    }

    fn ruled_by(&self, of: &SettledRuling) -> RuledBy {
        RuledBy {
            command: of.command,
            at_unix_ms: self.created_unix_ms.saturating_add(of.at_ms.0),
            by: self.words.get(of.command).and_then(|said| said.by.clone()),
        }
    }

    fn ruled(&self, of: &SettledCorrection) -> RuledResult {
        RuledResult {
            ruled: self.ruled_by(&of.ruling),
            what: of.what,
            reason: self.words.get(of.ruling.command).map(|said| said.reason.clone()),
        }
    }

    fn team(&self, of: &SettledSeat) -> Option<String> {
        let team = self.settled.teams.get(usize::from(of.team?))?;
        Some(team.name.clone())
    }

    fn calls(&self, seat: SeatNo) -> Vec<HeardCall> {
        let heard = |call: &SettledCall| {
            let at_ms = match call.sheet {
                Some(_) => call.reached.iter().find(|(whose, _)| *whose == seat)?.1,
                None => {
                    let mut stretches = call.seats.iter();
                    stretches.find(|(from, to)| (*from..=*to).contains(&seat))?;
                    call.sent_at_ms
                }
            };
            Some(HeardCall { call: call.call, at_ms, text: call.text.clone() })
        };
        self.settled.calls.iter().filter_map(heard).collect()
    }
}
