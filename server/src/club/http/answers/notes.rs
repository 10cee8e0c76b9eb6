//! Notes of coaches.

use thole_protocol::club::{
    Done, Note, NoteAbout, Notes, NotesAsked, Problem, ProblemKind, spoken,
};

use super::{
    Asked,
    deeds::told,
    groups::{asking, coach, one, theirs},
    keys, none, refused,
};
use crate::club::store::Store;

pub(super) fn list(store: &mut Store, asked: Asked<spoken::ListNotes>) -> Result<Notes, Problem> {
    let NotesAsked { person, group, session } = asked.query;
    let about = match (person, group, session) {
        (Some(person), None, None) => NoteAbout::Person(person),
        (None, Some(group), None) => NoteAbout::Group(group),
        (None, None, Some(session)) => NoteAbout::Session(session),
        _ => return Err(refused("Say one of `person`, `group` and `session`.")),
    };
    is_there(store, &about, asked.at_unix_ms)?;
    let who = coach(&asked.asker).map(|coach| coach.to_string());
    Ok(Notes { notes: store.notes(&about, asking(&asked.asker, who.as_deref()))? })
}

pub(super) fn write(store: &mut Store, asked: Asked<spoken::WriteNote>) -> Result<Note, Problem> {
    is_there(store, &asked.body.about, asked.at_unix_ms)
        .map_err(|problem| refused(problem.detail))?;
    if let NoteAbout::Group(group) = asked.body.about {
        theirs(store, group, &asked.asker, asked.at_unix_ms)?;
    }
    let note = store.write_note(&asked.body, coach(&asked.asker), &asked.doer())?;
    Ok(store.note(note)?.ok_or_else(|| none("note"))?.note)
}

pub(super) fn remove(store: &mut Store, asked: Asked<spoken::RemoveNote>) -> Result<Done, Problem> {
    let kept = store.note(asked.path)?.ok_or_else(|| none("note"))?;
    is_there(store, &kept.note.about, asked.at_unix_ms).map_err(|_| none("note"))?;
    let who = coach(&asked.asker).map(|coach| coach.to_string());
    let who = asking(&asked.asker, who.as_deref());
    if !kept.written().is_read_by(who) {
        // What they may not read is as if it were not there.
        return Err(none("note"));
    }
    if !kept.written().is_removed_by(who) {
        let says = "This is for whoever wrote it, the coach who has the group, and the head coach.";
        return Err(Problem::of(ProblemKind::NotYours, says));
    }
    let doer = asked.doer();
    let done = store.remove_note(&kept, &doer)?;
    told(store, done, &doer)
}

pub(super) fn own(store: &mut Store, asked: Asked<spoken::OwnNotes>) -> Result<Notes, Problem> {
    let today = store.club().zone.day(asked.at_unix_ms);
    Ok(Notes { notes: store.notes_for(keys::own(&asked.asker)?, &today)? })
}

/// Refuses what nobody finds in a list.
fn is_there(store: &Store, about: &NoteAbout, now_unix_ms: u64) -> Result<(), Problem> {
    match *about {
        NoteAbout::Person(person) => {
            store.who(person)?.ok_or_else(|| none("person"))?;
        }
        NoteAbout::Group(group) => {
            one(store, group, now_unix_ms)?;
        }
        NoteAbout::Session(session) => {
            store.session(session)?.ok_or_else(|| none("session"))?;
        }
    }
    Ok(())
}
