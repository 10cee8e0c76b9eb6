//! What each call does.

use axum::routing::MethodRouter;
use thole_club::ClubDay;
use thole_protocol::{
    club::{
        Call, LISTED_MAX, LISTED_USUAL, Listed, Myself, People, Problem, ProblemKind, Results,
        ResultsAsked, RowedPiece, Sessions, SessionsAsked, WholeSession, spoken,
    },
    ids::{PieceNo, SessionId},
};
use uuid::Uuid;

use super::{Answer, Asked, route};
use crate::club::store::{SessionPlace, Store, Wanted};

/// The route of a call.
pub(super) fn of(call: Call) -> MethodRouter {
    match call {
        Call::ReadClub => route::<spoken::ReadClub>(|store, _| Ok(store.view()?.into())),
        Call::ListPeople => route::<spoken::ListPeople>(|store, asked| {
            let people = store.people(asked.query.name.as_deref().unwrap_or_default())?;
            Ok(People { people }.into())
        }),
        Call::ReadPerson => route::<spoken::ReadPerson>(|store, asked| {
            let person = store.who(asked.path)?.ok_or_else(|| none("person"))?;
            Ok(person.into())
        }),
        Call::ListResults => {
            route::<spoken::ListResults>(|store, asked| Ok(results(store, asked.query)?.into()))
        }
        Call::ReadResult => route::<spoken::ReadResult>(|store, asked| {
            Ok(store.whole_result(asked.path)?.ok_or_else(|| none("result"))?.into())
        }),
        Call::ListSessions => {
            route::<spoken::ListSessions>(|store, asked| Ok(sessions(store, &asked.query)?.into()))
        }
        Call::ReadSession => {
            route::<spoken::ReadSession>(|store, asked| Ok(session(store, asked.path)?.into()))
        }
        Call::WhoAmI => route::<spoken::WhoAmI>(|store, asked| {
            let club = store.club();
            Ok(Myself {
                role: asked.asker.role,
                person: asked.asker.person,
                coach: asked.asker.coach.map(|coach| coach.name),
                club: club.name.clone(),
                zone: club.zone.name().to_owned(),
            }
            .into())
        }),
        Call::OwnResults => route::<spoken::OwnResults>(own_results),
        Call::OwnResult => route::<spoken::OwnResult>(|store, asked| {
            let own = asked.asker.person.map(|person| person.person.to_string());
            let result = store.whole_result(asked.path)?;
            // Somebody else's is as if it were not there.
            let result = result.filter(|result| own.is_some() && result.line.person == own);
            Ok(result.ok_or_else(|| none("result"))?.into())
        }),
    }
}

fn none(what: &str) -> Problem {
    let says = format!("There is no such {what}; lists have the identities of all.");
    Problem::of(ProblemKind::NotThere, says)
}

fn own_results(
    store: &mut Store,
    asked: Asked<spoken::OwnResults>,
) -> Result<Answer<Results>, Problem> {
    let own = asked.asker.person.map(|person| person.person);
    let own = own.ok_or_else(|| none("person"))?;
    // Whatever else is asked for, nobody else's.
    let wanted = ResultsAsked { name: None, person: Some(own), ..asked.query };
    Ok(results(store, wanted)?.into())
}

fn results(store: &Store, asked: ResultsAsked) -> Result<Results, Problem> {
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
    };
    let mut results = store.results(&wanted)?;
    let has_more = cut(&mut results, most);
    let last = results.last().filter(|_| has_more);
    let next = last.map(|last| format!("{}.{}", last.day, last.result));
    Ok(Results { results, next })
}

fn sessions(store: &Store, asked: &SessionsAsked) -> Result<Sessions, Problem> {
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

fn session(store: &Store, session: SessionId) -> Result<WholeSession, Problem> {
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
fn many(most: Option<u32>) -> Result<u32, Problem> {
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
fn cut<T>(lines: &mut Vec<T>, most: u32) -> bool {
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

fn nowhere(after: &str) -> Problem {
    let says = format!("{after:?} is no place in this list: send the `next` of the answer before.");
    Problem::of(ProblemKind::Malformed, says)
}
