//! Results of pieces, as sessions hand them on and as journals have them.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;
use thole_club::{ComesFrom, Handed, LastingResult, PersonId, Zone, person::folded};
use thole_protocol::{
    ids::{PieceNo, SessionId},
    shown::repeats_text,
};

use super::{ClubError, Store, deeds::follow, queries, sessions, writing};
use crate::club::reading::Reading;

/// Where a record stands in its session's journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Positions {
    /// Behind the record of a piece before it: whoever has taken all up to there misses nothing when this one is taken.
    pub before: u64,
    /// Its own.
    pub at: u64,
}

/// What came of reading a session anew.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Replaced {
    /// Results that were put.
    pub put: usize,
    /// Results that were there and that the journal does not have.
    pub removed: usize,
}

impl Store {
    /// Takes what a session has handed on, all of it or nothing. The same once more changes nothing, and neither does what an older
    /// record said.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn take(&mut self, handed: &Handed, positions: Positions) -> Result<(), ClubError> {
        self.refresh()?;
        let Club { club, zone } = self.of();
        let transaction = writing(&mut self.connection)?;
        let session = handed.session.to_string();
        put_newer(&transaction, &club, handed, &zone)?;
        sessions::put(&transaction, &club, &session, &handed.title, &zone)?;
        let taken = position(&transaction, &club, &session)?;
        if taken >= positions.before && taken <= positions.at {
            set_position(&transaction, &club, &session, positions.at + 1)?;
        }
        Ok(transaction.commit()?)
    }

    /// Puts the results of a session as its journal has them. Where that is whole, it is all there is: results of pieces that it
    /// does not have go. Where something of it is lost, what the club has stays.
    ///
    /// # Errors
    /// It cannot be written; then nothing was.
    pub fn replace(&mut self, session: SessionId, read: &Reading) -> Result<Replaced, ClubError> {
        self.refresh()?;
        let Club { club, zone } = self.of();
        let transaction = writing(&mut self.connection)?;
        let replaced = replaced(&transaction, &club, &zone, session, read)?;
        transaction.commit()?;
        Ok(replaced)
    }

    /// The same of many sessions at once: all of them or none. A session that the club has taken further meanwhile is read again.
    ///
    /// # Errors
    /// It cannot be written, or not be read again; then nothing was changed.
    pub fn replace_all(
        &mut self,
        all: Vec<(SessionId, Reading)>,
        mut again: impl FnMut(SessionId) -> Result<Reading, String>,
    ) -> Result<Replaced, ClubError> {
        self.refresh()?;
        let Club { club, zone } = self.of();
        let transaction = writing(&mut self.connection)?;
        let mut sum = Replaced::default();
        for (session, mut read) in all {
            if position(&transaction, &club, &session.to_string())? > read.next {
                read = again(session).map_err(ClubError::Store)?;
            }
            let of_session = replaced(&transaction, &club, &zone, session, &read)?;
            sum.put += of_session.put;
            sum.removed += of_session.removed;
        }
        transaction.commit()?;
        Ok(sum)
    }

    /// How far each session was taken, in the life of this journal. Positions of another life mean nothing: then all is to be
    /// taken anew.
    ///
    /// # Errors
    /// It cannot be read or written.
    pub fn positions(&mut self, epoch: &str) -> Result<BTreeMap<SessionId, u64>, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let known: Option<String> =
            transaction.query_row(queries::EPOCH, [&club], |row| row.get(0))?;
        if known.as_deref() != Some(epoch) {
            transaction.execute(queries::NOTHING_TAKEN, [&club])?;
            transaction.execute(queries::SET_EPOCH, params![epoch, club])?;
        }
        let mut positions = BTreeMap::new();
        {
            let mut select = transaction.prepare_cached(queries::POSITIONS)?;
            let mut rows = select.query([&club])?;
            while let Some(row) = rows.next()? {
                let session: String = row.get(0)?;
                let session = session.parse().map(SessionId);
                let session =
                    session.map_err(|error| ClubError::Store(format!("a session: {error}")))?;
                positions.insert(session, row.get::<_, i64>(1)?.cast_unsigned());
            }
        }
        transaction.commit()?;
        Ok(positions)
    }

    fn of(&self) -> Club {
        Club { club: self.club.club.to_string(), zone: self.club.zone.clone() }
    }
}

/// Which club is written, and what its days go by.
struct Club {
    club: String,
    zone: Zone,
}

fn replaced(
    connection: &Connection,
    club: &str,
    zone: &Zone,
    session: SessionId,
    read: &Reading,
) -> Result<Replaced, ClubError> {
    let mut done = Replaced::default();
    let name = session.to_string();
    if read.is_whole {
        let mut stays = BTreeSet::new();
        for handed in &read.pieces {
            for result in handed.results(zone) {
                if put(connection, club, &result)? {
                    stays.insert(result.result.to_string());
                    done.put += 1;
                }
            }
        }
        let there = ids(connection, queries::OF_SESSION, params![club, name])?;
        for result in there.into_iter().filter(|result| !stays.contains(result)) {
            done.removed += connection.execute(queries::REMOVE_RESULT, params![club, result])?;
        }
    } else {
        for handed in &read.pieces {
            done.put += put_newer(connection, club, handed, zone)?;
        }
    }
    sessions::put(connection, club, &name, &read.title, zone)?;
    set_position(connection, club, &name, read.next)?;
    Ok(done)
}

/// Puts the results of a piece unless a record as new as this was taken before. Whoever is not in the newest record of a piece any
/// more has no result in it.
fn put_newer(
    connection: &Connection,
    club: &str,
    handed: &Handed,
    zone: &Zone,
) -> Result<usize, ClubError> {
    let (session, PieceNo(piece)) = (handed.session.to_string(), handed.settled.piece);
    let newest: Option<u32> = connection
        .prepare_cached(queries::NEWEST_REVISION)?
        .query_row(params![club, session, piece], |row| row.get(0))?;
    if newest.is_some_and(|newest| newest >= handed.settled.revision) {
        return Ok(0);
    }
    let mut stays = BTreeSet::new();
    for result in handed.results(zone) {
        if put(connection, club, &result)? {
            stays.insert(result.result.to_string());
        }
    }
    let there = ids(connection, queries::OF_PIECE, params![club, session, piece])?;
    for result in there.into_iter().filter(|result| !stays.contains(result)) {
        connection.execute(queries::REMOVE_RESULT, params![club, result])?;
    }
    Ok(stays.len())
}

/// Who had a seat.
#[derive(Default)]
struct Sat {
    /// As the session has it.
    athlete: Option<String>,
    /// Whose a piece rowed there is now; `None` of a guest.
    person: Option<String>,
    /// Whoever had it is gone.
    is_gone: bool,
}

/// Nobody yet, of a seat that the club does not know.
fn sat(
    connection: &Connection,
    (club, session, seat, piece): (&str, &str, u32, u16),
) -> Result<Sat, ClubError> {
    let mut select = connection.prepare_cached(queries::SEAT)?;
    let found = select.query_row(params![piece, club, session, seat], |row| {
        let is_given: bool = row.get(2)?;
        let (athlete, person) = (row.get(0)?, row.get(if is_given { 3 } else { 1 })?);
        let tombstone: Option<String> = row.get(4)?;
        Ok(Sat { athlete, person, is_gone: tombstone.is_some() })
    });
    Ok(found.optional()?.unwrap_or_default())
}

/// The entry of a person that is theirs now; `None` of somebody whom the club does not know any more.
fn here(
    connection: &Connection,
    club: &str,
    person: PersonId,
) -> Result<Option<String>, ClubError> {
    let mut is_person = connection.prepare_cached(queries::IS_PERSON)?;
    let mut person = person.to_string();
    loop {
        let merged = is_person.query_row(params![club, person], |row| row.get(0)).optional()?;
        match merged {
            None => return Ok(None),
            Some(None) => return Ok(Some(person)),
            Some(Some(into)) => person = into,
        }
    }
}

/// Puts a result of a piece; false when its seat is known to be somebody else's, for nobody is given what another has rowed, and when
/// whoever had it is gone.
fn put(connection: &Connection, club: &str, of: &LastingResult) -> Result<bool, ClubError> {
    let ComesFrom::Piece { session, piece, seat, revision } = of.from else { return Ok(false) };
    let (session, result) = (session.to_string(), of.result.to_string());
    let athlete = of.athlete.map(|athlete| athlete.to_string());
    let of_seat = (club, session.as_str(), seat.0, piece.0);
    let before = sat(connection, of_seat)?;
    if before.is_gone {
        return Ok(false);
    }
    if let (Some(sat), Some(athlete)) = (&before.athlete, &athlete)
        && sat != athlete
    {
        tracing::error!(
            session,
            seat = seat.0,
            "a seat is somebody else's in the club than in the journal; this result of it is not taken"
        );
        return Ok(false);
    }
    let came_as = of.came_as.map(|person| here(connection, club, person)).transpose()?.flatten();
    connection
        .prepare_cached(queries::PUT_SEAT)?
        .execute(params![club, session, seat.0, athlete, came_as])?;
    let person = sat(connection, of_seat)?.person;
    if person != before.person {
        // What was rowed there before it was known who it is.
        follow(connection, club, &session, Some(i64::from(seat.0)))?;
    }
    let mut put = connection.prepare_cached(queries::PUT_RESULT)?;
    put.execute(params![
        club,
        result,
        person,
        of.called,
        of.called.as_deref().map(folded).unwrap_or_default(),
        "piece",
        session,
        piece.0,
        seat.0,
        revision,
        of.day.as_str(),
        of.at_unix_ms.map(u64::cast_signed),
        of.title,
        repeats_text(&of.repeats),
        json(&of.repeats)?,
        word(&of.outcome)?,
        of.place,
        of.team,
        of.time_ms.0,
        of.distance_dm.0,
        of.sure.ms().map(|sure| sure.0),
        of.sure.dm().map(|sure| sure.0),
        of.shown.as_ref().map(json).transpose()?,
        of.aim.as_ref().map(json).transpose()?,
        json(&of.plan)?,
        of.target.as_ref().map(json).transpose()?,
        of.margin.as_ref().map(json).transpose()?,
        of.strokes,
        json(&of.marks)?,
        json(&of.calls)?,
        of.official.is_some(),
        of.official.as_ref().map(json).transpose()?,
        (!of.ruling.is_none()).then(|| json(&of.ruling)).transpose()?,
        json(&of.corrections)?,
        of.corrected_from(),
        of.reason(),
    ])?;
    connection.prepare_cached(queries::REMOVE_SPLITS)?.execute(params![club, result])?;
    let mut put = connection.prepare_cached(queries::PUT_SPLIT)?;
    for (nth, split) in of.splits.iter().enumerate() {
        let nth = u32::try_from(nth + 1).unwrap_or(u32::MAX);
        put.execute(params![club, result, nth, split.distance_dm.0, split.time_ms.0])?;
    }
    Ok(true)
}

fn position(connection: &Connection, club: &str, session: &str) -> Result<u64, ClubError> {
    let mut select = connection.prepare_cached(queries::POSITION)?;
    let taken = select.query_row(params![club, session], |row| row.get::<_, i64>(0)).optional()?;
    Ok(taken.unwrap_or(0).cast_unsigned())
}

fn set_position(
    connection: &Connection,
    club: &str,
    session: &str,
    to: u64,
) -> Result<(), ClubError> {
    let mut put = connection.prepare_cached(queries::SET_POSITION)?;
    put.execute(params![club, session, to.cast_signed()])?;
    Ok(())
}

/// The first column of what is found.
pub(super) fn ids(
    connection: &Connection,
    sql: &str,
    named: impl rusqlite::Params,
) -> Result<Vec<String>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let rows = select.query_map(named, |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

fn json(value: &impl Serialize) -> Result<String, ClubError> {
    serde_json::to_string(value).map_err(|error| ClubError::Store(error.to_string()))
}

/// The one word that a value without fields is in JSON.
fn word(value: &impl Serialize) -> Result<String, ClubError> {
    Ok(json(value)?.trim_matches('"').to_owned())
}
