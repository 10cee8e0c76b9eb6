//! Notes of coaches. Who reads which, `thole_club::note` says.

use rusqlite::{Connection, OptionalExtension, Row, params};
use serde_json::Value;
use thole_club::{
    ClubDay, DeedKind, Doer, Done, PersonId,
    note::{Asking, Written, checked_words, fits},
};
use thole_protocol::{
    club::{NewNote, Note, NoteAbout, NoteId, NoteReaders},
    ids::{CoachId, SessionId},
};

use super::{
    ClubError, Store,
    deeds::{About, GroupOf, Recorder},
    kept_rows::NOTE,
    queries,
    seats::is_here,
    writing,
};
use crate::secret::random_uuid;

/// Notes about one person, group or session, at most; years of them.
const NOTES_MAX: usize = 1_000;

/// A note, and by whom it may be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptNote {
    /// As it is read.
    pub note: Note,
    by: Option<String>,
    author_has_left: bool,
    group_coach: Option<String>,
}

impl KeptNote {
    /// Whose it is.
    #[must_use]
    pub fn written(&self) -> Written<'_> {
        let is_about_group = matches!(self.note.about, NoteAbout::Group(_));
        Written {
            readers: self.note.readers,
            by: self.by.as_deref(),
            author_has_left: self.author_has_left,
            group: is_about_group.then_some(self.group_coach.as_deref()),
        }
    }
}

impl Store {
    /// Those notes about something that a coach or assistant may read, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn notes(&self, about: &NoteAbout, who: Asking<'_>) -> Result<Vec<Note>, ClubError> {
        let all = self.notes_about(about)?.into_iter();
        Ok(all.filter(|kept| kept.written().is_read_by(who)).map(|kept| kept.note).collect())
    }

    /// Notes that are meant for somebody, newest first: about them, and about groups that they are in on this day.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn notes_for(&self, person: PersonId, on: &ClubDay) -> Result<Vec<Note>, ClubError> {
        let about_them = self.notes_about(&NoteAbout::Person(person))?.into_iter();
        let is_for_them = |note: &Note| note.readers == NoteReaders::Person;
        let mut all: Vec<Note> = about_them.map(|kept| kept.note).filter(is_for_them).collect();
        all.extend(self.notes_to_groups_of(person, on)?);
        newest_first(&mut all);
        Ok(all)
    }

    /// All notes about somebody, whoever reads them, and those to groups that they are in on this day, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn notes_of(&self, person: PersonId, on: &ClubDay) -> Result<Vec<Note>, ClubError> {
        let about_them = self.notes_about(&NoteAbout::Person(person))?.into_iter();
        let mut all: Vec<Note> = about_them.map(|kept| kept.note).collect();
        all.extend(self.notes_to_groups_of(person, on)?);
        newest_first(&mut all);
        Ok(all)
    }

    fn notes_to_groups_of(&self, person: PersonId, on: &ClubDay) -> Result<Vec<Note>, ClubError> {
        let mut all = Vec::new();
        for of in self.groups_of(person)? {
            let is_in = of.from <= *on && of.until.as_ref().is_none_or(|until| until >= on);
            if !is_in {
                continue;
            }
            let notes = self.notes_about(&NoteAbout::Group(of.group))?.into_iter();
            let is_for_them = |note: &Note| note.readers == NoteReaders::Person;
            all.extend(notes.map(|kept| kept.note).filter(is_for_them));
        }
        Ok(all)
    }

    /// One note.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn note(&self, note: NoteId) -> Result<Option<KeptNote>, ClubError> {
        let named = params![self.club.club.to_string(), note.to_string()];
        let mut select = self.connection.prepare_cached(queries::NOTE)?;
        select.query_row(named, |row| Ok(kept(row))).optional()?.transpose().map(Option::flatten)
    }

    /// Keeps a note of a coach; `None` for whoever has the head coach's link.
    ///
    /// # Errors
    /// It cannot be read by whom it is for, is about nobody who is here, there are too many, or it cannot be written.
    pub fn write_note(
        &mut self,
        new: &NewNote,
        coach: Option<CoachId>,
        doer: &Doer,
    ) -> Result<NoteId, ClubError> {
        let words = checked_words(&new.words).map_err(ClubError::Refused)?;
        fits(&new.about, new.readers).map_err(ClubError::Refused)?;
        let there = self.notes_about(&new.about)?.len();
        if there >= NOTES_MAX {
            return Err(ClubError::Refused(format!(
                "There are {NOTES_MAX} notes about this already: remove what nobody needs any more."
            )));
        }
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let (mut person, mut group, mut session) = (None, None, None);
        match new.about {
            NoteAbout::Person(who) => {
                is_here(&transaction, &club, &who.to_string())?;
                person = Some(who.to_string());
            }
            NoteAbout::Group(which) => group = Some(which.to_string()),
            NoteAbout::Session(which) => session = Some(which.to_string()),
        }
        let note = NoteId(random_uuid());
        transaction.execute(
            queries::NEW_NOTE,
            params![
                club,
                note.to_string(),
                coach.map(|coach| coach.to_string()),
                person,
                group,
                session,
                words,
                word(new.readers),
                doer.at_unix_ms.cast_signed(),
            ],
        )?;
        transaction.commit()?;
        Ok(note)
    }

    /// Removes a note; undone it is there again.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn remove_note(&mut self, kept: &KeptNote, doer: &Doer) -> Result<Done, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let (mut people, mut group) = (Vec::new(), None);
        match kept.note.about {
            NoteAbout::Person(person) => people.push(person.to_string()),
            NoteAbout::Group(of) => group = Some(of.to_string()),
            NoteAbout::Session(_) => {}
        }
        let mut recorder = Recorder::new(&transaction, &club);
        if let Some(group) = &group {
            recorder.is_about(GroupOf { group, to_coach: None });
        }
        let key = [Value::from(kept.note.note.to_string())];
        recorder.remember(NOTE, &key)?;
        NOTE.remove(&transaction, &club, &key)?;
        let deed = recorder.close(&About {
            kind: DeedKind::NoteRemoved,
            doer,
            people,
            result: None,
            reason: None,
        })?;
        transaction.commit()?;
        Ok(Done { deed, results: 0 })
    }

    fn notes_about(&self, about: &NoteAbout) -> Result<Vec<KeptNote>, ClubError> {
        let (sql, of) = match about {
            NoteAbout::Person(person) => (queries::NOTES_ABOUT_PERSON, person.to_string()),
            NoteAbout::Group(group) => (queries::NOTES_ABOUT_GROUP, group.to_string()),
            NoteAbout::Session(session) => (queries::NOTES_ABOUT_SESSION, session.to_string()),
        };
        all(&self.connection, sql, &self.club.club.to_string(), &of)
    }
}

fn all(
    connection: &Connection,
    sql: &str,
    club: &str,
    of: &str,
) -> Result<Vec<KeptNote>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let mut rows = select.query([club, of])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.extend(kept(row)?);
    }
    Ok(all)
}

fn newest_first(notes: &mut [Note]) {
    notes.sort_by(|a, b| (b.said_unix_ms, a.note).cmp(&(a.said_unix_ms, b.note)));
}

/// `None` of a note about something that nobody can ask for.
fn kept(row: &Row<'_>) -> Result<Option<KeptNote>, ClubError> {
    fn read<T: std::str::FromStr<Err: std::fmt::Display>>(text: &str) -> Result<T, ClubError> {
        text.parse().map_err(|error| ClubError::Store(format!("a note: {error}")))
    }
    let text = |at: usize| row.get::<_, Option<String>>(at);
    let about = match (text(1)?, text(2)?, text(3)?) {
        (Some(person), _, _) => NoteAbout::Person(read(&person)?),
        (None, Some(group), _) => NoteAbout::Group(read(&group)?),
        (None, None, Some(session)) => NoteAbout::Session(SessionId(read(&session)?)),
        (None, None, None) => return Ok(None),
    };
    let note = Note {
        note: read(&row.get::<_, String>(0)?)?,
        about,
        words: row.get(4)?,
        readers: readers(&row.get::<_, String>(5)?)?,
        by: text(8)?.unwrap_or_else(|| Doer::HEAD.to_owned()),
        said_unix_ms: row.get::<_, i64>(6)?.cast_unsigned(),
    };
    let (by, author_has_left, group_coach) = (row.get(7)?, row.get(9)?, row.get(10)?);
    Ok(Some(KeptNote { note, by, author_has_left, group_coach }))
}

fn word(readers: NoteReaders) -> &'static str {
    match readers {
        NoteReaders::Author => "author",
        NoteReaders::Group => "group",
        NoteReaders::Coaches => "coaches",
        NoteReaders::Person => "person",
    }
}

fn readers(word: &str) -> Result<NoteReaders, ClubError> {
    serde_json::from_value(Value::from(word))
        .map_err(|error| ClubError::Store(format!("a note: {error}")))
}
