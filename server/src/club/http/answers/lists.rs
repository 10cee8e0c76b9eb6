//! Lists of results and sessions, a part at a time.

use thole_club::ClubDay;
use thole_protocol::{
    club::{
        LISTED_MAX, LISTED_USUAL, Listed, Problem, ProblemKind, Results, ResultsAsked, RowedPiece,
        Sessions, SessionsAsked, WholeSession, spoken,
    },
    ids::{PieceNo, SessionId},
};
use uuid::Uuid;

use super::{Asked, none};
use crate::club::store::{SeenBy, SessionPlace, Store, Wanted};

pub(super) fn own_results(
    store: &mut Store,
    asked: Asked<spoken::OwnResults>,
) -> Result<Results, Problem> {
    let own = asked.asker.person.map(|person| person.person);
    let own = own.ok_or_else(|| none("person"))?;
    // Whatever else is asked for, nobody else's.
    let wanted = ResultsAsked { name: None, person: Some(own), ..asked.query };
    listed(store, wanted, SeenBy::Themselves)
}

pub(super) fn results(store: &Store, asked: ResultsAsked) -> Result<Results, Problem> {
    listed(store, asked, SeenBy::Others)
}

fn listed(store: &Store, asked: ResultsAsked, seen_by: SeenBy) -> Result<Results, Problem> {
    let ResultsAsked { name, person, session, piece, from, to, most, after } = asked;
    let most = many(most)?;
    let after = after.map(|after| place(&after).ok_or_else(|| nowhere(&after))).transpose()?;
    let wanted = Wanted {
        name,
        person,
        session,
        // As it is kept, however it was typed: `2000 m`.
        work: piece.map(|work| work.split_whitespace().collect()),
        from: from.unwrap_or_else(ClubDay::first),
        to: to.unwrap_or_else(ClubDay::last),
        after: after.map(|(day, result)| (day, result.to_string())),
        // One more shows whether there is more.
        most: most + 1,
        seen_by,
    };
    let mut results = store.results(&wanted)?;
    let has_more = cut(&mut results, most);
    let last = results.last().filter(|_| has_more);
    let next = last.map(|last| format!("{}.{}", last.day, last.result));
    Ok(Results { results, next })
}

pub(super) fn sessions(store: &Store, asked: &SessionsAsked) -> Result<Sessions, Problem> {
    let SessionsAsked { from, to, most, after } = asked;
    let most = many(*most)?;
    let last = SessionPlace {
        day: to.clone().unwrap_or_else(ClubDay::last),
        at_unix_ms: u64::MAX >> 1,
        session: SessionId(Uuid::max()),
    };
    let before = match after {
        Some(after) => session_place(after).ok_or_else(|| nowhere(after))?.min(last),
        None => last,
    };
    let from = from.clone().unwrap_or_else(ClubDay::first);
    let mut sessions = store.sessions(&from, &before, most + 1)?;
    let has_more = cut(&mut sessions, most);
    let last = sessions.last().filter(|_| has_more);
    let next = last.map(|last| format!("{}.{}.{}", last.day, last.at_unix_ms, last.session));
    Ok(Sessions { sessions, next })
}

pub(super) fn session(store: &Store, session: SessionId) -> Result<WholeSession, Problem> {
    let line = store.session(session)?.ok_or_else(|| none("session"))?;
    let mut results = store.results(&Wanted { session: Some(session), ..Wanted::default() })?;
    let order = |of: &Listed| {
        let farther = u32::MAX - of.distance_dm.0;
        (of.piece, of.place.is_none(), of.place, farther, of.time_ms, of.seat)
    };
    results.sort_by_key(order);
    let mut by_piece: Vec<RowedPiece> = Vec::new();
    for result in results {
        let piece = PieceNo(result.piece.unwrap_or_default());
        match by_piece.last_mut() {
            Some(last) if last.piece == piece => last.results.push(result),
            _ => by_piece.push(RowedPiece {
                piece,
                title: result.title.clone(),
                work: result.work.clone(),
                results: vec![result],
            }),
        }
    }
    Ok(WholeSession { line, by_piece })
}

/// As many lines as are wanted.
pub(super) fn many(most: Option<u32>) -> Result<u32, Problem> {
    match most.unwrap_or(LISTED_USUAL) {
        most @ 1..=LISTED_MAX => Ok(most),
        _ => {
            let says =
                format!("Ask for 1 to {LISTED_MAX} lines; `next` leads to those behind them.");
            Err(Problem::of(ProblemKind::Malformed, says))
        }
    }
}

/// Takes off what is more than was wanted; whether there was more.
pub(super) fn cut<T>(lines: &mut Vec<T>, most: u32) -> bool {
    let most = usize::try_from(most).unwrap_or(usize::MAX);
    let has_more = lines.len() > most;
    lines.truncate(most);
    has_more
}

fn place(after: &str) -> Option<(ClubDay, Uuid)> {
    let (day, result) = after.split_once('.')?;
    Some((day.parse().ok()?, result.parse().ok()?))
}

fn session_place(after: &str) -> Option<SessionPlace> {
    let (day, rest) = after.split_once('.')?;
    let (at, session) = rest.split_once('.')?;
    Some(SessionPlace {
        day: day.parse().ok()?,
        at_unix_ms: at.parse().ok().filter(|at| *at <= u64::MAX >> 1)?,
        session: SessionId(session.parse().ok()?),
    })
}

pub(super) fn nowhere(after: &str) -> Problem {
    let says = format!("{after:?} is no place in this list: send the `next` of the answer before.");
    Problem::of(ProblemKind::Malformed, says)
}
