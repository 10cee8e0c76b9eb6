//! Whose a seat of a session is, or one piece in it: given, taken back, exchanged, each to be undone.

use rusqlite::{Connection, OptionalExtension, params};
use serde_json::Value;
use thole_club::{DeedKind, Doer, Done, Person, PersonId, Reach};

use super::{
    ClubError, Store,
    deeds::{About, Recorder, follow},
    kept_rows::{GIVEN_PIECE, RESULT, SEAT},
    lists::Listed,
    queries, writing,
};

/// Where a result is, and so how it is given.
enum Place {
    /// In a seat of a session.
    Seat { session: String, seat: u32, piece: u16, is_given_alone: bool },
    /// Nowhere: somebody said it.
    Said { result: String },
}

/// A result with whoever has it now.
struct Owned {
    place: Place,
    owner: Option<String>,
}

impl Store {
    /// Gives a result to a person: of a seat, all that was rowed in it and what still will be, or this piece alone. `from` is whose
    /// it is until now, `None` for a guest's: so that nothing is taken from somebody whom nobody has thought of.
    ///
    /// # Errors
    /// It is another's than was said, or the person's already; or it cannot be written.
    pub fn give(
        &mut self,
        result: &Listed,
        person: &Person,
        from: Option<PersonId>,
        reach: Reach,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let (to, from) = (person.person.to_string(), from.map(|from| from.to_string()));
        let about = |owner: &Option<String>| {
            if *owner == Some(to.clone()) {
                return Err(format!("It is {}'s already.", person.called));
            }
            match (owner, &from) {
                (owner, from) if owner == from => Ok(()),
                (Some(_), None) => {
                    Err("It is somebody else's: take it back first, or say from whom it is given."
                        .to_owned())
                }
                (_, Some(_)) => Err("It is not theirs of whom you say so: look again.".to_owned()),
                (None, None) => Ok(()),
            }
        };
        self.pass(DeedKind::Gave, result, Some(&to), reach, doer, about)
    }

    /// It is a guest's again; how many results that are.
    ///
    /// # Errors
    /// They are nobody's, or it cannot be written.
    pub fn take_back(
        &mut self,
        result: &Listed,
        reach: Reach,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        self.pass(DeedKind::TookBack, result, None, reach, doer, |owner| match owner {
            Some(_) => Ok(()),
            None => Err("It is a guest's: there is nothing to take back.".to_owned()),
        })
    }

    fn pass(
        &mut self,
        kind: DeedKind,
        result: &Listed,
        to: Option<&str>,
        reach: Reach,
        doer: &Doer,
        may: impl FnOnce(&Option<String>) -> Result<(), String>,
    ) -> Result<Done, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        // As it is now: somebody else may have said something of it since it was shown.
        let owned = owned(&transaction, &club, result, reach)?;
        may(&owned.owner).map_err(ClubError::Refused)?;
        if let Some(to) = to {
            is_here(&transaction, &club, to)?;
        }
        let mut recorder = Recorder::new(&transaction, &club);
        let results = hand(&mut recorder, &owned.place, to, reach, doer.at_unix_ms)?;
        let people = owned.owner.into_iter().chain(to.map(str::to_owned)).collect();
        let result = Some(result.result.as_str());
        let deed = recorder.close(&About { kind, doer, people, result, reason: None })?;
        transaction.commit()?;
        Ok(Done { deed, results })
    }

    /// Exchanges two people's seats, or two results: each has what the other had.
    ///
    /// # Errors
    /// One of them is a guest's, both are one person's; or it cannot be written.
    pub fn swap(
        &mut self,
        one: &Listed,
        other: &Listed,
        reach: Reach,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let (first, second) =
            (owned(&transaction, &club, one, reach)?, owned(&transaction, &club, other, reach)?);
        let (Some(ones), Some(others)) = (&first.owner, &second.owner) else {
            return Err(ClubError::Refused(
                "One of the two is a guest's: give it to the person whose it is.".to_owned(),
            ));
        };
        if ones == others {
            return Err(ClubError::Refused("Both are one person's already.".to_owned()));
        }
        let mut recorder = Recorder::new(&transaction, &club);
        let at = doer.at_unix_ms;
        let results = hand(&mut recorder, &first.place, Some(others), reach, at)?
            + hand(&mut recorder, &second.place, Some(ones), reach, at)?;
        let about = About {
            kind: DeedKind::Swapped,
            doer,
            people: vec![ones.clone(), others.clone()],
            result: Some(&one.result),
            reason: None,
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Done { deed, results })
    }
}

fn owned(
    connection: &Connection,
    club: &str,
    result: &Listed,
    reach: Reach,
) -> Result<Owned, ClubError> {
    let gone = || ClubError::Refused("This result is not there any more.".to_owned());
    let (Some(session), Some(seat), Some(piece)) = (&result.session, result.seat, result.piece)
    else {
        let said = params![club, result.result];
        let owner = connection.query_row(queries::RESULT_OWNER, said, |row| row.get(0));
        let place = Place::Said { result: result.result.clone() };
        return Ok(Owned { place, owner: owner.optional()?.ok_or_else(gone)? });
    };
    let of = params![piece, club, session, seat];
    let found = connection.query_row(queries::SEAT, of, |row| {
        Ok((row.get::<_, Option<String>>(1)?, row.get::<_, bool>(2)?, row.get(3)?))
    });
    let (of_seat, is_given_alone, of_piece) = found.optional()?.ok_or_else(gone)?;
    if is_given_alone && reach == Reach::Seat {
        return Err(ClubError::Refused(
            "This piece was given alone: say that this one alone is meant, or another piece of that seat.".to_owned(),
        ));
    }
    let place = Place::Seat { session: session.clone(), seat, piece, is_given_alone };
    Ok(Owned { place, owner: if is_given_alone { of_piece } else { of_seat } })
}

/// Makes it theirs; how many results that are.
fn hand(
    recorder: &mut Recorder<'_>,
    place: &Place,
    to: Option<&str>,
    reach: Reach,
    at_unix_ms: u64,
) -> Result<usize, ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let (session, seat, piece, is_given_alone) = match place {
        Place::Said { result } => {
            recorder.remember(RESULT, &[Value::from(result.as_str())])?;
            return Ok(connection.execute(queries::GIVE_RESULT, params![to, club, result])?);
        }
        Place::Seat { session, seat, piece, is_given_alone } => {
            (session, *seat, *piece, *is_given_alone)
        }
    };
    let key = [Value::from(session.as_str()), Value::from(seat), Value::from(piece)];
    if reach == Reach::Piece || is_given_alone {
        recorder.remember(GIVEN_PIECE, &key)?;
        connection.execute(queries::GIVE_PIECE, params![club, session, seat, piece, to])?;
        follow(connection, club, session, Some(i64::from(seat)))?;
        return Ok(1);
    }
    let given = to.map(|_| at_unix_ms.cast_signed());
    let [session_key, seat_key, _] = key;
    recorder.remember(SEAT, &[session_key, seat_key])?;
    connection.execute(queries::GIVE_SEAT, params![to, given, club, session, seat])?;
    follow(connection, club, session, Some(i64::from(seat)))
}

/// Refuses somebody who is not in the club, is there under another entry, or is to be deleted.
pub(super) fn is_here(connection: &Connection, club: &str, person: &str) -> Result<(), ClubError> {
    does_not_go(connection, club, person)?;
    match merged_into(connection, club, person)? {
        Some((None, _)) => Ok(()),
        Some((Some(_), _)) => Err(ClubError::Refused(
            "This entry was merged with another one of the same person: take that one.".to_owned(),
        )),
        None => Err(ClubError::Refused("This person is not in the club any more.".to_owned())),
    }
}

/// Refuses somebody who is to be deleted.
pub(super) fn does_not_go(
    connection: &Connection,
    club: &str,
    person: &str,
) -> Result<(), ClubError> {
    match merged_into(connection, club, person)? {
        Some((_, true)) => Err(ClubError::Refused(
            "This person is to be deleted: take that back first.".to_owned(),
        )),
        Some((_, false)) | None => Ok(()),
    }
}

/// Into whom somebody was merged, and whether they are to be deleted; `None` for nobody.
fn merged_into(
    connection: &Connection,
    club: &str,
    person: &str,
) -> Result<Option<(Option<String>, bool)>, ClubError> {
    let mut select = connection.prepare_cached(queries::IS_PERSON)?;
    let found = select.query_row(params![club, person], |row| Ok((row.get(0)?, row.get(1)?)));
    Ok(found.optional()?)
}
