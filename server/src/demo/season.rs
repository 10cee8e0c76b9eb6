//! Ten weeks that the invented club has rowed before the evening of the demo, so that its pages have something to show.

use std::path::Path;

use thole::wording;
use thole_club::{Doer, Handed, Person, Reach, Seating, Sitter, Words};
use thole_piece::settled::{Cause, SeatNo, Settled, SettledSeat};
use thole_protocol::{
    ids::{AthleteId, PieceNo, SessionId},
    spec::{Extent, PieceSpec, Plan, SessionSettings},
    standing::{Outcome, Ruling, Split},
    total::{Certainty, Gap, Margin, Total},
    units::{At, Decimetres, Millis, Ppm, nearest},
};
use uuid::Uuid;

use super::class;
use crate::club::store::{ClubError, Positions, Store, Wanted};

/// What people call the club.
const CLUB: &str = "Lantern Quay Rowing";
/// What each evening was called; the weekday is whichever the demo is started on.
const TITLE: &str = "Evening at Lantern Quay";
/// An evening each, the newest a week ago.
const WEEKS: u64 = 10;
const WEEK_MS: u64 = 7 * 86_400_000;
/// What they row, one evening after the other.
const EVENINGS: [&[&str]; 4] = [&["1700m"], &["5x450m/1:10"], &["12min", "500m"], &["3400m"]];
/// Times of one person over distances are to each other as these to this power (Riegel 1981, American Scientist 69:285).
const ENDURANCE: f64 = 1.06;
/// The distance over which the class's paces hold, in metres.
const PACE_OVER_M: f64 = 2_250.0;
/// How much faster everybody gets in a week, and how far a day is off at most.
const BETTER_A_WEEK: f64 = 0.002;
const OFF_BY: f64 = 0.015;

/// Makes a club in this folder, with everybody of the class but two, who are guests of the last evening.
///
/// # Errors
/// One sentence: the club cannot be written.
pub(super) fn row(folder: &Path, now_unix_ms: u64) -> Result<(), String> {
    let mut store = Store::open(folder)?;
    store.set_name(CLUB)?;
    let names: Vec<&str> = class::names().collect();
    let known = names.len() - 2;
    let mut people = Vec::new();
    for name in names.iter().take(known) {
        let doer = Doer::at_the_command_line(now_unix_ms - WEEKS * WEEK_MS);
        people.push(store.add_person(name, None, &doer)?);
    }
    for week in 0..WEEKS {
        let ago = WEEKS - week;
        let session = SessionId(Uuid::from_u128(u128::from(class::SEED) + u128::from(week)));
        let began = now_unix_ms - ago * WEEK_MS;
        let at = usize::try_from(week).unwrap_or_default() % EVENINGS.len();
        let pieces = EVENINGS.get(at).copied().unwrap_or_default();
        for (no, piece) in (0..).zip(pieces) {
            let one = OnePiece { session, week, ago, began, no: PieceNo(no), piece };
            // Who was known only by name until the last evening has rowed once.
            let rowed = if ago == 1 { names.len() } else { known };
            store.take(&one.handed(names.get(..rowed).unwrap_or_default())?, FROM_NOWHERE)?;
        }
        give(&mut store, session, &people, began)?;
    }
    Ok(())
}

/// No journal has these sessions.
const FROM_NOWHERE: Positions = Positions { before: 0, at: 1 };

/// What was rowed in a session becomes that of the people who rowed it.
fn give(
    store: &mut Store,
    session: SessionId,
    people: &[Person],
    at_unix_ms: u64,
) -> Result<(), ClubError> {
    let doer = Doer::at_the_command_line(at_unix_ms);
    let rowed = Wanted { session: Some(session), most: 1_000, ..Wanted::default() };
    for result in store.results(&rowed)? {
        let owner = people.iter().find(|person| Some(&person.called) == result.called.as_ref());
        let Some(owner) = owner.filter(|_| result.piece == Some(0)) else { continue };
        store.give(&result, owner, None, Reach::Seat, &doer)?;
    }
    Ok(())
}

/// One piece of one evening.
struct OnePiece<'a> {
    session: SessionId,
    week: u64,
    ago: u64,
    began: u64,
    no: PieceNo,
    piece: &'a str,
}

impl OnePiece<'_> {
    fn handed(&self, names: &[&str]) -> Result<Handed, String> {
        let spec = PieceSpec::of(wording::repeats(self.piece)?);
        let mut seats = Vec::new();
        for (seat, name) in (0..).zip(names) {
            if self.comes(seat) {
                seats.push(self.seat(seat, name, &spec)?);
            }
        }
        place(&mut seats);
        let sitter = |(seat, name): (u32, &&str)| {
            let athlete = AthleteId(Uuid::from_u128(self.session.0.as_u128() + u128::from(seat)));
            (SeatNo(seat), Sitter { athlete, called: (*name).to_owned(), person: None })
        };
        let settled = Settled {
            piece: self.no,
            revision: 1,
            cause: Cause::Over,
            spec,
            settings: SessionSettings::default(),
            starts_at_ms: vec![At(1_200_000 * (u64::from(self.no.0) + 1))],
            phases: Vec::new(),
            first_home_at_ms: None,
            teams: Vec::new(),
            seats,
            not_today: Vec::new(),
            calls: Vec::new(),
            lines: None,
            official: None,
        };
        Ok(Handed {
            session: self.session,
            created_unix_ms: self.began,
            title: TITLE.to_owned(),
            settled,
            seating: (0..).zip(names).map(sitter).collect::<Seating>(),
            words: Words::default(),
        })
    }

    /// Nobody comes each time, but all of them came in the end.
    fn comes(&self, seat: u32) -> bool {
        self.ago == 1 || self.chance(seat, 1) > 0.15
    }

    fn seat(&self, seat: u32, name: &str, spec: &PieceSpec) -> Result<SettledSeat, String> {
        let per_500m_s = f64::from(class::pace_of(name)?.0) / 1e3;
        let weeks = f64::from(u32::try_from(self.ago).unwrap_or(u32::MAX));
        let hoped = per_500m_s * (1.0 + BETTER_A_WEEK * weeks);
        let rowed = hoped * (1.0 + OFF_BY * (self.chance(seat, 2 + self.no.0) - 0.5) * 2.0);
        let (target, shown) = (total(spec, hoped, true), total(spec, rowed, false));
        let splits: Vec<Split> = splits(spec, rowed).collect();
        let sum = |of: fn(&Split) -> u32| splits.iter().map(of).sum::<u32>();
        let (mut time_ms, mut distance_dm) =
            (Millis(sum(|split| split.time_ms.0)), Decimetres(sum(|split| split.distance_dm.0)));
        match shown {
            Total::Time { finish_ms } => time_ms = finish_ms,
            Total::Distance { distance_dm: rowed } => distance_dm = rowed,
        }
        Ok(SettledSeat {
            seat: SeatNo(seat),
            team: None,
            outcome: Outcome::Finished,
            place: None,
            time_ms,
            distance_dm,
            sure: Certainty::Time(Millis(100)),
            shown: Some(shown),
            aim: None,
            plan: Plan::Even,
            target: Some(target),
            margin: margin(target, shown),
            splits,
            strokes: Some(time_ms.0 / 2_300),
            marks: Vec::new(),
            home_at_ms: None,
            ruling: Ruling::default(),
            corrections: Vec::new(),
        })
    }

    /// From 0 to 1, the same each time.
    fn chance(&self, seat: u32, of: u16) -> f64 {
        let mix = [self.week, u64::from(seat), u64::from(of)].into_iter().fold(
            class::SEED,
            |mixed, next| {
                (mixed ^ next.wrapping_add(0x9e37_79b9_7f4a_7c15))
                    .wrapping_mul(0xbf58_476d_1ce4_e5b9)
            },
        );
        f64::from(u16::try_from((mix >> 40) & 0xffff).unwrap_or_default()) / f64::from(u16::MAX)
    }
}

/// In metres; of a piece by time at this pace over the usual distance.
fn distance_m(work: Extent, per_500m_s: f64) -> f64 {
    match work {
        Extent::Distance { distance_dm } => f64::from(distance_dm.0) / 10.0,
        Extent::Time { time_ms } => f64::from(time_ms.0) / 1e3 / per_500m_s * 500.0,
    }
}

/// The pace over this distance, by the pace over the usual one.
fn pace_over(metres: f64, per_500m_s: f64) -> f64 {
    per_500m_s * (metres / PACE_OVER_M).powf(ENDURANCE - 1.0)
}

/// All of the work, to a second or ten metres as targets are, else to what a machine shows.
fn total(spec: &PieceSpec, per_500m_s: f64, is_round: bool) -> Total {
    let works = || spec.repeats.iter().map(|repeat| repeat.work);
    let metres: f64 = works().map(|work| distance_m(work, per_500m_s)).sum();
    let pace = pace_over(metres, per_500m_s);
    // A machine shows tenths and metres.
    let (tenths, metre) = if is_round { (10, 10) } else { (1, 1) };
    if works().any(|work| matches!(work, Extent::Time { .. })) {
        let metres: f64 = works().map(|work| distance_m(work, pace)).sum();
        Total::Distance { distance_dm: Decimetres(whole(metres / f64::from(metre)) * metre * 10) }
    } else {
        let rowed = metres / 500.0 * pace * 10.0;
        Total::Time { finish_ms: Millis(whole(rowed / f64::from(tenths)) * tenths * 100) }
    }
}

/// A split a repeat; one long stretch has four.
fn splits(spec: &PieceSpec, per_500m_s: f64) -> impl Iterator<Item = Split> {
    let whole_m: f64 = spec.repeats.iter().map(|repeat| distance_m(repeat.work, per_500m_s)).sum();
    let pace = pace_over(whole_m, per_500m_s);
    let parts = if spec.repeats.len() == 1 { 4 } else { 1 };
    spec.repeats.iter().flat_map(move |repeat| {
        let metres = distance_m(repeat.work, pace) / f64::from(parts);
        let time_ms = Millis(whole(metres / 500.0 * pace * 1e3));
        (0..parts).map(move |_| Split { distance_dm: Decimetres(whole(metres * 10.0)), time_ms })
    })
}

fn whole(number: f64) -> u32 {
    u32::try_from(nearest(number)).unwrap_or_default()
}

fn margin(target: Total, shown: Total) -> Option<Margin> {
    let (ahead, of, gap) = match (target, shown) {
        (Total::Time { finish_ms: target }, Total::Time { finish_ms }) => {
            let ahead = i64::from(target.0) - i64::from(finish_ms.0);
            (ahead, target.0, Gap::Time(ahead))
        }
        (Total::Distance { distance_dm: target }, Total::Distance { distance_dm }) => {
            let ahead = i64::from(distance_dm.0) - i64::from(target.0);
            (ahead, target.0, Gap::Distance(ahead))
        }
        _ => return None,
    };
    let ppm = ahead * 1_000_000 / i64::from(of.max(1));
    Some(Margin { margin_ppm: Ppm(i32::try_from(ppm).ok()?), gap })
}

/// 1, 2, 2, 4 by margins.
fn place(seats: &mut [SettledSeat]) {
    let margins: Vec<i32> =
        seats.iter().filter_map(|seat| seat.margin).map(|margin| margin.margin_ppm.0).collect();
    for seat in seats {
        let before =
            |margin: Margin| margins.iter().filter(move |other| **other > margin.margin_ppm.0);
        let better = seat.margin.map(|margin| before(margin).count());
        seat.place = better.and_then(|better| u32::try_from(better + 1).ok());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_weeks_are_there_and_two_guests_wait_to_be_given() {
        let folder = tempfile::tempdir().unwrap();
        row(folder.path(), 1_796_155_200_000).unwrap();
        let store = Store::open(folder.path()).unwrap();
        assert_eq!(store.club().name, CLUB);
        assert_eq!(store.people("").unwrap().len(), 10);
        let all = store.results(&Wanted { most: 1_000, ..Wanted::default() }).unwrap();
        assert_eq!(all.len(), 94, "of each piece, whoever came");
        let guests: Vec<&str> = all
            .iter()
            .filter(|result| result.person.is_none())
            .filter_map(|result| result.called.as_deref())
            .collect();
        assert_eq!(guests.len(), 2, "{guests:?}");
        assert_eq!(store.check().unwrap(), Vec::<String>::new());
        for result in &all {
            let margin = result.margin.unwrap();
            assert!(margin.margin_ppm.0.abs() < 20_000, "{result:?}");
            assert!(result.place.is_some());
        }
    }
}
