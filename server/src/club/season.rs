//! For tests: a season of a club, 40 people who come to 60 evenings and row 250 pieces, 10,000 results.

use thole_club::{Doer, Handed, Reach, Seating, Sitter, Words};
use thole_piece::settled::{Cause, SeatNo, Settled, SettledSeat};
use thole_protocol::{
    ids::{AthleteId, PieceNo, SessionId},
    spec::{Extent, PieceSpec, Plan, Repeat, SessionSettings},
    standing::{Outcome, Ruling, Split},
    total::{Certainty, Gap, Margin, Total},
    units::{At, Decimetres, Millis, Ppm},
};
use uuid::Uuid;

use super::store::{Listed, Positions, Store, Wanted};

pub(super) const PEOPLE: u32 = 40;
pub(super) const EVENINGS: u64 = 60;
/// Of each evening, and ten evenings have one more.
const PIECES: u16 = 4;
const DAY_MS: u64 = 86_400_000;
/// 2026-09-01 18:00 in UTC.
const FIRST_MS: u64 = 1_788_285_600_000;

pub(super) fn session(evening: u64) -> SessionId {
    SessionId(Uuid::from_u128(7_000 + u128::from(evening)))
}

/// A piece as it was settled; each evening has other athletes, and the same people in them.
pub(super) fn piece(evening: u64, no: u16, revision: u32, people: u32) -> Handed {
    let work = Extent::Distance { distance_dm: Decimetres(5_000 * (u32::from(no) + 1)) };
    let seat = |seat: u32| SettledSeat {
        seat: SeatNo(seat),
        team: None,
        outcome: Outcome::Finished,
        place: Some(seat + 1),
        time_ms: Millis(400_000 + 1_000 * seat + revision),
        distance_dm: Decimetres(20_000),
        sure: Certainty::Time(Millis(100)),
        shown: Some(Total::Time { finish_ms: Millis(400_000 + 1_000 * seat) }),
        aim: None,
        plan: Plan::Even,
        target: Some(Total::Time { finish_ms: Millis(405_000) }),
        margin: Some(Margin { margin_ppm: Ppm(12_345), gap: Gap::Time(5_000) }),
        splits: vec![Split { distance_dm: Decimetres(5_000), time_ms: Millis(100_000) }; 4],
        strokes: Some(200),
        marks: Vec::new(),
        home_at_ms: None,
        ruling: Ruling::default(),
        corrections: Vec::new(),
    };
    let sitter = |seat: u32| {
        let athlete = AthleteId(Uuid::from_u128(u128::from(evening) * 1_000 + u128::from(seat)));
        (SeatNo(seat), Sitter { athlete, called: name(seat), person: None })
    };
    Handed {
        session: session(evening),
        created_unix_ms: FIRST_MS + 3 * DAY_MS * evening,
        title: format!("Evening {evening}"),
        settled: Settled {
            piece: PieceNo(no),
            revision,
            cause: Cause::Over,
            spec: PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]),
            settings: SessionSettings::default(),
            starts_at_ms: vec![At(600_000 * (u64::from(no) + 1))],
            phases: Vec::new(),
            first_home_at_ms: None,
            teams: Vec::new(),
            seats: (0..people).map(seat).collect(),
            not_today: Vec::new(),
            calls: Vec::new(),
            lines: None,
            official: None,
        },
        seating: (0..people).map(sitter).collect::<Seating>(),
        words: Words::default(),
    }
}

pub(super) fn name(seat: u32) -> String {
    format!("Rower {seat:02}")
}

/// So many of them are people of the club, the others guests.
pub(super) const KNOWN: u32 = 5;

/// All of it, taken piece by piece; the first are people of the club, who have their seats of every evening.
pub(super) fn rowed(store: &mut Store) {
    for evening in 0..EVENINGS {
        for no in 0..PIECES + u16::from(evening < 10) {
            let at = 1_000 * (u64::from(no) + 1);
            store.take(&piece(evening, no, 1, PEOPLE), positions(at)).unwrap();
        }
    }
    let doer = Doer::at_the_command_line(FIRST_MS);
    for seat in 0..KNOWN {
        let person = store.add_person(&name(seat), None, &doer).unwrap();
        let of_first = Wanted { name: Some(name(seat)), work: Some("500m".to_owned()), ..all() };
        for result in store.results(&of_first).unwrap() {
            store.give(&result, &person, None, Reach::Seat, &doer).unwrap();
        }
    }
}

/// Of a record that stands there, with none before it.
pub(super) fn positions(at: u64) -> Positions {
    Positions { before: 0, at }
}

pub(super) fn all() -> Wanted {
    Wanted { most: 20_000, ..Wanted::default() }
}

pub(super) fn listed(store: &Store, wanted: &Wanted) -> Vec<Listed> {
    store.results(wanted).unwrap()
}
