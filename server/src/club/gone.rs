//! What is gone for good: a list outside the club's file, so that no older copy of that brings back who was deleted, or lets in whose
//! key was ended. It has identities, which are random, and days; nothing in it says whose they were.

use std::{
    collections::BTreeMap,
    fmt,
    fs::{self, File, OpenOptions},
    io::{self, Read, Seek, SeekFrom, Write},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use thole_club::{ClubDay, PersonId, ResultId};
use thole_protocol::{
    club::KeyId,
    ids::{AthleteId, SessionId},
};
use uuid::Uuid;

use crate::backup;

/// The first line, by which such a list is known.
const HEAD: &str = "thole gone 1";

/// One thing that is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum GoneId {
    /// A person was deleted.
    Person(PersonId),
    /// What a session's journal had of an athlete was erased.
    Athlete(SessionId, AthleteId),
    /// A result was deleted with its person.
    Result(ResultId),
    /// A key or a card was ended, or a card was used.
    Key(KeyId),
    /// A consent was withdrawn.
    Consent(Uuid),
}

impl fmt::Display for GoneId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            GoneId::Person(person) => write!(f, "person {person}"),
            GoneId::Athlete(session, athlete) => write!(f, "athlete {session} {athlete}"),
            GoneId::Result(result) => write!(f, "result {result}"),
            GoneId::Key(key) => write!(f, "key {key}"),
            GoneId::Consent(consent) => write!(f, "consent {consent}"),
        }
    }
}

impl GoneId {
    /// As a line has it; `None` for what is none, such as a line that was half written when the process ended.
    fn read(words: &[&str]) -> Option<GoneId> {
        match words {
            ["person", person] => Some(GoneId::Person(person.parse().ok()?)),
            ["athlete", session, athlete] => Some(GoneId::Athlete(
                SessionId(session.parse().ok()?),
                AthleteId(athlete.parse().ok()?),
            )),
            ["result", result] => Some(GoneId::Result(result.parse().ok()?)),
            ["key", key] => Some(GoneId::Key(key.parse().ok()?)),
            ["consent", consent] => Some(GoneId::Consent(consent.parse().ok()?)),
            _ => None,
        }
    }
}

/// All that is gone, each with the day.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gone(BTreeMap<GoneId, ClubDay>);

/// The list in the folder of the journal.
#[must_use]
pub fn file(data: &Path) -> PathBuf {
    data.join("gone")
}

impl Gone {
    /// Reads a list; `None` where there is none.
    ///
    /// # Errors
    /// It cannot be read, or is another kind of file.
    pub fn read(file: &Path) -> io::Result<Option<Gone>> {
        let text = match fs::read_to_string(file) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            read => read?,
        };
        let mut lines = text.lines();
        if !text.is_empty() && lines.next() != Some(HEAD) {
            let why = "it is no list of what is gone";
            return Err(io::Error::new(io::ErrorKind::InvalidData, why));
        }
        let mut gone = Gone::default();
        for line in lines {
            let mut words = line.split(' ');
            let day = words.next().and_then(|day| day.parse().ok());
            let what = GoneId::read(&words.collect::<Vec<&str>>());
            if let (Some(day), Some(what)) = (day, what) {
                gone.0.entry(what).or_insert(day);
            }
        }
        Ok(Some(gone))
    }

    /// Whether this is gone.
    #[must_use]
    pub fn has(&self, what: GoneId) -> bool {
        self.0.contains_key(&what)
    }

    /// All of it, with the days.
    pub fn all(&self) -> impl Iterator<Item = (GoneId, &ClubDay)> {
        self.0.iter().map(|(what, day)| (*what, day))
    }

    /// With all that another list has.
    #[must_use]
    pub fn and(mut self, other: Gone) -> Gone {
        self.0.extend(other.0);
        self
    }

    /// Writes all of it into a new file.
    ///
    /// # Errors
    /// There is a file already, or it cannot be written.
    pub fn write_new(&self, file: &Path) -> Result<(), String> {
        backup::own_file(file)?;
        let mut text = format!("{HEAD}\n");
        for (what, day) in &self.0 {
            text.push_str(&format!("{day} {what}\n"));
        }
        let written = OpenOptions::new().write(true).open(file).and_then(|mut out| {
            out.write_all(text.as_bytes())?;
            out.sync_all()
        });
        written
            .and_then(|()| backup::sync_folder(file))
            .map_err(|error| format!("{} cannot be written ({error}).", file.display()))
    }
}

/// Adds to a list what it does not have yet; it is on the disk when this returns.
///
/// # Errors
/// It cannot be read or written.
pub fn add(file: &Path, day: &ClubDay, what: impl IntoIterator<Item = GoneId>) -> io::Result<()> {
    let there = Gone::read(file)?.unwrap_or_default();
    let new: Vec<GoneId> = what.into_iter().filter(|what| !there.has(*what)).collect();
    if new.is_empty() {
        return Ok(());
    }
    let mut out = OpenOptions::new().read(true).append(true).create(true).mode(0o600).open(file)?;
    let mut text = match last_byte(&mut out)? {
        None => format!("{HEAD}\n"),
        Some(b'\n') => String::new(),
        // A process has ended in the middle of a line, and has done nothing of what it was about to say.
        Some(_) => "\n".to_owned(),
    };
    for what in new {
        text.push_str(&format!("{day} {what}\n"));
    }
    out.write_all(text.as_bytes())?;
    out.sync_all()?;
    backup::sync_folder(file)
}

fn last_byte(file: &mut File) -> io::Result<Option<u8>> {
    if file.metadata()?.len() == 0 {
        return Ok(None);
    }
    file.seek(SeekFrom::End(-1))?;
    let mut last = [0];
    file.read_exact(&mut last)?;
    Ok(last.first().copied())
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    fn key(number: u128) -> GoneId {
        GoneId::Key(Uuid::from_u128(number).to_string().parse().unwrap())
    }

    #[test]
    fn a_list_grows_at_its_end_and_has_each_thing_once() {
        let folder = tempfile::tempdir().unwrap();
        let (file, day) = (file(folder.path()), "2026-12-01".parse().unwrap());
        assert_eq!(Gone::read(&file).unwrap(), None);
        add(&file, &day, [key(1), key(2)]).unwrap();
        let before = fs::read_to_string(&file).unwrap();
        add(&file, &day, [key(2)]).unwrap();
        assert_eq!(fs::read_to_string(&file).unwrap(), before);
        let athlete = GoneId::Athlete(SessionId(Uuid::from_u128(3)), AthleteId(Uuid::from_u128(4)));
        add(&file, &day, [key(1), athlete]).unwrap();
        let after = fs::read_to_string(&file).unwrap();
        assert!(after.starts_with(&before) && after.lines().count() == 4, "{after}");
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        let gone = Gone::read(&file).unwrap().unwrap();
        assert!(gone.has(athlete) && gone.has(key(2)) && !gone.has(key(3)));
        let copy = folder.path().join("copy");
        gone.write_new(&copy).unwrap();
        assert_eq!(Gone::read(&copy).unwrap().unwrap(), gone);
        assert!(gone.write_new(&copy).is_err());
    }

    #[test]
    fn wherever_a_line_breaks_off_the_others_are_read_and_the_next_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let (file, day) = (file(folder.path()), "2026-12-01".parse().unwrap());
        add(&file, &day, [key(1), key(2)]).unwrap();
        let whole = fs::read(&file).unwrap();
        for end in 0..=whole.len() {
            fs::write(&file, &whole[..end]).unwrap();
            // Less than the first line is no list; it is never that short, for it is written at once.
            if end > 0 && end < HEAD.len() {
                assert!(Gone::read(&file).is_err(), "{end}");
                continue;
            }
            add(&file, &day, [key(3)]).unwrap();
            let gone = Gone::read(&file).unwrap().unwrap();
            let has_first = end >= HEAD.len() + 1 + 51;
            assert!(gone.has(key(3)) && gone.has(key(1)) == has_first, "{end}: {gone:?}");
        }
    }
}
