//! What somebody did in one piece on one day, to be kept.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thole_piece::settled::SeatNo;
pub use thole_protocol::club::{AllOut, HeardCall, PersonId, ResultId, RuledBy, RuledResult};
use thole_protocol::{
    ids::{AthleteId, PieceNo, SessionId},
    shown::{Tenths, distance_text, time_text},
    spec::{Plan, Repeat, Target},
    standing::{Mark, Outcome, Ruling, Split},
    total::{Certainty, Margin, Total},
    units::{Decimetres, Millis},
};
use uuid::Builder;

use crate::{day::ClubDay, deed::checked_reason, rowed::total_words};

/// The result of a seat in a piece (RFC 9562 version 8).
#[must_use]
pub fn of_seat(session: SessionId, piece: PieceNo, seat: SeatNo) -> ResultId {
    let mut hash = Sha256::new();
    hash.update(b"result of a seat in a piece");
    hash.update(session.0.as_bytes());
    hash.update(piece.0.to_be_bytes());
    hash.update(seat.0.to_be_bytes());
    let hash: [u8; 32] = hash.finalize().into();
    let mut bytes = [0; 16];
    bytes.iter_mut().zip(hash).for_each(|(byte, of_hash)| *byte = of_hash);
    ResultId(Builder::from_custom_bytes(bytes).into_uuid())
}

/// Where a result comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "source", rename_all = "snake_case")]
pub enum ComesFrom {
    /// A piece of a session, as its journal has settled it.
    Piece {
        /// Which session.
        session: SessionId,
        /// Which of its pieces.
        piece: PieceNo,
        /// Whose.
        seat: SeatNo,
        /// Of the record that it was taken from; a later one counts.
        revision: u32,
    },
    /// Somebody has typed it.
    Typed,
    /// A file had it.
    Imported,
}

/// What somebody did in one piece on one day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastingResult {
    /// Which.
    pub result: ResultId,
    /// Where it comes from.
    #[serde(flatten)]
    pub from: ComesFrom,
    /// Of a piece: who sat there, by the session's own identity; `None` when that is not known any more.
    pub athlete: Option<AthleteId>,
    /// The name that it was rowed under; `None` when that is not known any more.
    pub called: Option<String>,
    /// Which person of the club that is, by the key that they came with.
    pub came_as: Option<PersonId>,
    /// The club's day.
    pub day: ClubDay,
    /// The instant of the go; `None` when only the day is known.
    pub at_unix_ms: Option<u64>,
    /// What the coach called the piece; may be empty.
    pub title: String,
    /// What was rowed.
    pub repeats: Vec<Repeat>,
    /// How it came about.
    pub outcome: Outcome,
    /// Place in that piece.
    pub place: Option<u32>,
    /// For which team.
    pub team: Option<String>,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// How sure that is.
    #[serde(flatten)]
    pub sure: Certainty,
    /// The finish as it is shown and ranked.
    pub shown: Option<Total>,
    /// The own target as it was said.
    pub aim: Option<Target>,
    /// How it was meant to be reached.
    pub plan: Plan,
    /// The same target in the kind of the piece.
    pub target: Option<Total>,
    /// Against it; plus is ahead.
    pub margin: Option<Margin>,
    /// Quarters of a single stretch, repeats of an interval piece.
    pub splits: Vec<Split>,
    /// Own strokes in the work.
    pub strokes: Option<u32>,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// Focus calls that reached them.
    pub calls: Vec<HeardCall>,
    /// By which order it is official; `None` while it is not.
    pub official: Option<RuledBy>,
    /// What of it is not as it was measured.
    pub ruling: Ruling,
    /// By which corrections, in the order in which they were made.
    pub corrections: Vec<RuledResult>,
}

impl LastingResult {
    /// What was rowed before a coach corrected it, in words; `None` of results that stand as they were measured.
    #[must_use]
    pub fn corrected_from(&self) -> Option<String> {
        let of = self.ruling.measured?;
        let part = || {
            format!(
                "{} in {}",
                distance_text(of.distance_dm),
                time_text(of.time_ms, Tenths::Always)
            )
        };
        Some(of.shown.map_or_else(part, total_words))
    }

    /// Why it is not as it was rowed: the reason of the newest correction, as one line.
    #[must_use]
    pub fn reason(&self) -> Option<String> {
        let newest = self.corrections.iter().rev().find_map(|of| of.reason.as_deref())?;
        // Whoever leads a session may say what no table can hold.
        checked_reason(newest).ok()
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;

    #[test]
    fn the_identity_of_a_result_follows_from_where_it_was_rowed_and_from_nothing_else() {
        let session = SessionId(Uuid::from_u128(7));
        let of = |piece, seat| of_seat(session, PieceNo(piece), SeatNo(seat));
        // Written down once: it stands in databases.
        assert_eq!(of(0, 0).to_string(), "ac747457-ea24-86fe-a3d3-2ef56ff968f1");
        assert_eq!(of(0, 0).0.get_version_num(), 8);
        assert_ne!(of(0, 1), of(1, 0));
        assert_ne!(of(0, 1), of_seat(SessionId(Uuid::from_u128(8)), PieceNo(0), SeatNo(1)));
        assert_eq!(of(0, 1).to_string().parse::<ResultId>().unwrap(), of(0, 1));
    }
}
