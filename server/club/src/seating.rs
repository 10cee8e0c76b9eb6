//! Who sat where in a session.

use std::collections::BTreeMap;

use thole_piece::{Session, settled::SeatNo};
use thole_protocol::{club::PersonId, ids::AthleteId};

/// Who had a seat.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sitter {
    /// Their identity in the session.
    pub athlete: AthleteId,
    /// Their name as the roster has it.
    pub called: String,
    /// Which person of the club they are, by the key that they came with; `None` of whoever came without.
    pub person: Option<PersonId>,
}

/// The seats of a session with who has them. Who has left the roster is not in it, and nobody else gets their seat.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seating(BTreeMap<SeatNo, Sitter>);

impl Seating {
    /// As a session has it now.
    #[must_use]
    pub fn of(session: &Session) -> Seating {
        let seated = session.seated().map(|(seat, athlete, name)| {
            let person = session.person_of(athlete);
            (seat, Sitter { athlete, called: name.to_owned(), person })
        });
        Seating(seated.collect())
    }

    /// Who has a seat; `None` when that is not known.
    #[must_use]
    pub fn get(&self, seat: SeatNo) -> Option<&Sitter> {
        self.0.get(&seat)
    }
}

impl FromIterator<(SeatNo, Sitter)> for Seating {
    fn from_iter<I: IntoIterator<Item = (SeatNo, Sitter)>>(seats: I) -> Seating {
        Seating(seats.into_iter().collect())
    }
}
