//! Lists of people and results, as somebody has asked for them.

use std::{cmp::Reverse, collections::BTreeMap};

use rusqlite::{Row, params};
use thole_club::{ClubDay, Person, PersonId, person::folded};
pub use thole_protocol::club::{Listed, PersonLine};
use thole_protocol::{
    ids::SessionId,
    standing::Ruling,
    units::{Decimetres, Millis},
};

use super::{ClubError, Store, people, queries};

/// By whom results are to be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeenBy {
    /// By others, who see nothing of people who are to be deleted.
    Others,
    /// By those whose they are.
    Themselves,
}

impl SeenBy {
    pub(super) fn word(self) -> &'static str {
        match self {
            SeenBy::Others => "others",
            SeenBy::Themselves => "themselves",
        }
    }
}

/// Which results are wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// A part of the name, of a person or of a guest.
    pub name: Option<String>,
    /// This person's, and no other's; then no name is looked for.
    pub person: Option<PersonId>,
    /// Of this session.
    pub session: Option<SessionId>,
    /// As pieces are written, `6x350m/1:15`.
    pub work: Option<String>,
    /// The first day.
    pub from: ClubDay,
    /// The last.
    pub to: ClubDay,
    /// Only those that stand behind this day and this result.
    pub after: Option<(ClubDay, String)>,
    /// So many, the newest.
    pub most: u32,
    /// Those of a person: for whom.
    pub seen_by: SeenBy,
}

/// All of them.
impl Default for Wanted {
    fn default() -> Wanted {
        Wanted {
            name: None,
            person: None,
            session: None,
            work: None,
            from: ClubDay::first(),
            to: ClubDay::last(),
            after: None,
            most: u32::MAX,
            seen_by: SeenBy::Others,
        }
    }
}

/// Behind every identity.
const BEHIND_ALL: &str = "g";

/// More than these a beginning of an identity does not have to tell apart.
const ALIKE_MAX: u32 = 2;

impl Store {
    /// People whose name has these letters, by their names.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn people(&self, name: &str) -> Result<Vec<PersonLine>, ClubError> {
        let mut select = self.connection.prepare_cached(queries::PEOPLE)?;
        let club = self.club.club.to_string();
        let rows = select.query_map(params![club, containing(name)], |row| {
            Ok((people::person(row)?, row.get::<_, i64>(5)?, row.get(6)?))
        })?;
        let line = |row: rusqlite::Result<_>| {
            let (person, results, last_day): (Result<Person, ClubError>, i64, _) = row?;
            Ok(PersonLine { person: person?, results: results.cast_unsigned(), last_day })
        };
        rows.map(line).collect()
    }

    /// Somebody by their name or identity, or the beginning of one of the two.
    ///
    /// # Errors
    /// It is nobody's, or several people's; or it cannot be read.
    pub fn person(&self, said: &str) -> Result<Person, ClubError> {
        let all = self.people("")?;
        let wanted = folded(said);
        let is_called = |line: &&PersonLine| folded(&line.person.called) == wanted;
        let mut called = all.iter().filter(is_called);
        // Of two people of one name neither is meant by it.
        if let (Some(line), None) = (called.next(), called.next()) {
            return Ok(line.person.clone());
        }
        let begins = |line: &&PersonLine| {
            folded(&line.person.called).starts_with(&wanted)
                || line.person.person.to_string().starts_with(&wanted)
        };
        let found: Vec<_> = all.iter().filter(begins).collect();
        match found.as_slice() {
            _ if wanted.is_empty() => Err(ClubError::Refused("Say whom.".to_owned())),
            [one] => Ok(one.person.clone()),
            [] => Err(ClubError::Refused(format!(
                "There is nobody called {said} in the club; `club people` lists everybody."
            ))),
            [..] => Err(ClubError::Refused(format!(
                "Several people of the club are called {said}: say the whole name, or what stands before it in `club people`."
            ))),
        }
    }

    /// Results, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn results(&self, wanted: &Wanted) -> Result<Vec<Listed>, ClubError> {
        let club = self.club.club.to_string();
        let Wanted { name, person, session, work, from, to, after, most, seen_by } = wanted;
        let last = (to.clone(), BEHIND_ALL.to_owned());
        let (to, behind) = after.clone().map_or(last.clone(), |after| after.min(last));
        let (from, to) = (from.as_str(), to.as_str());
        let session = session.map(|session| session.to_string()).unwrap_or_default();
        let work = work.as_deref().unwrap_or_default();
        let of_person = |person: &str| {
            let theirs =
                params![club, person, from, to, behind, work, session, seen_by.word(), most];
            self.listed(queries::BY_PERSON, theirs)
        };
        match (name, person) {
            (_, Some(person)) => of_person(&person.to_string()),
            (None, None) if !session.is_empty() => self
                .listed(queries::BY_SESSION, params![club, session, from, to, behind, work, most]),
            (None, None) if work.is_empty() => {
                self.listed(queries::BY_DAY, params![club, from, to, behind, most])
            }
            (None, None) => {
                self.listed(queries::BY_WORK, params![club, work, from, to, behind, most])
            }
            (Some(name), None) => {
                let like = containing(name);
                let guests = params![club, like, from, to, behind, work, session, most];
                let mut all = self.listed(queries::BY_GUEST, guests)?;
                for line in self.people(name)? {
                    all.extend(of_person(&line.person.person.to_string())?);
                }
                all.sort_by(|a, b| (&b.day, &b.result).cmp(&(&a.day, &a.result)));
                all.truncate(usize::try_from(*most).unwrap_or(usize::MAX));
                Ok(all)
            }
        }
    }

    /// Which pieces there are of what is wanted, whatever the piece, and how many results each has: most often rowed first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn works(&self, wanted: &Wanted) -> Result<Vec<(String, u32)>, ClubError> {
        let mut works: BTreeMap<String, u32> = BTreeMap::new();
        for of in self.results(&Wanted { work: None, most: u32::MAX, ..wanted.clone() })? {
            *works.entry(of.work).or_default() += 1;
        }
        let mut works: Vec<(String, u32)> = works.into_iter().collect();
        works.sort_by_key(|(_, results)| Reverse(*results));
        Ok(works)
    }

    /// The one result whose identity begins so.
    ///
    /// # Errors
    /// It is none's, or several have it; or it cannot be read.
    pub fn result(&self, begins: &str) -> Result<Listed, ClubError> {
        let begins = begins.trim().to_lowercase();
        let none = || {
            ClubError::Refused(format!(
                "There is no result {begins}; `club results` lists them, each with its beginning."
            ))
        };
        if begins.is_empty() || !begins.chars().all(|c| c.is_ascii_hexdigit() || c == '-') {
            return Err(none());
        }
        let club = self.club.club.to_string();
        // Behind every digit that an identity may go on with.
        let to = format!("{begins}g");
        let found = self.listed(
            queries::BEGINS_WITH,
            params![club, begins, to, SeenBy::Others.word(), ALIKE_MAX],
        )?;
        match <[Listed; 1]>::try_from(found) {
            Ok([one]) => Ok(one),
            Err(found) if found.is_empty() => Err(none()),
            Err(_) => Err(ClubError::Refused(format!(
                "Several results begin with {begins}: say more of it, `--json` lists the whole."
            ))),
        }
    }

    pub(super) fn listed(
        &self,
        sql: &str,
        named: impl rusqlite::Params,
    ) -> Result<Vec<Listed>, ClubError> {
        let mut select = self.connection.prepare_cached(sql)?;
        let rows = select.query_map(named, |row| Ok(listed(row)))?;
        rows.map(|row| row?).collect()
    }
}

fn listed(row: &Row<'_>) -> Result<Listed, ClubError> {
    let (known, called): (Option<String>, Option<String>) = (row.get(2)?, row.get(3)?);
    let at: Option<i64> = row.get(10)?;
    let outcome: String = row.get(13)?;
    let all_out: String = row.get(22)?;
    let read = |text: Option<String>| text.map(|text| json(&text)).transpose();
    Ok(Listed {
        result: row.get(0)?,
        person: row.get(1)?,
        name: known.or_else(|| called.clone()),
        called,
        source: row.get(4)?,
        session: row.get(5)?,
        piece: row.get(6)?,
        seat: row.get(7)?,
        revision: row.get(8)?,
        day: row.get(9)?,
        at_unix_ms: at.map(i64::cast_unsigned),
        title: row.get(11)?,
        work: row.get(12)?,
        outcome: json(&format!("{outcome:?}"))?,
        place: row.get(14)?,
        team: row.get(15)?,
        time_ms: Millis(row.get(16)?),
        distance_dm: Decimetres(row.get(17)?),
        shown: read(row.get(18)?)?,
        target: read(row.get(19)?)?,
        margin: row.get::<_, Option<String>>(20)?.map(|text| json(&text)).transpose()?,
        marks: json(&row.get::<_, String>(21)?)?,
        all_out: json(&format!("{all_out:?}"))?,
        is_official: row.get(23)?,
        official: row.get::<_, Option<String>>(24)?.map(|text| json(&text)).transpose()?,
        ruling: ruling(row.get(25)?)?,
        corrections: json(&row.get::<_, String>(26)?)?,
        felt: row.get(27)?,
    })
}

/// What stands in the column; nothing of most results.
pub(super) fn ruling(column: Option<String>) -> Result<Ruling, ClubError> {
    column.map_or_else(|| Ok(Ruling::default()), |text| json(&text))
}

pub(super) fn json<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, ClubError> {
    serde_json::from_str(text).map_err(|error| ClubError::Store(format!("a result: {error}")))
}

/// What LIKE finds these letters by, wherever in a name they stand.
fn containing(name: &str) -> String {
    let mut like = String::from("%");
    for letter in folded(name).chars() {
        if matches!(letter, '%' | '_' | '!') {
            like.push('!');
        }
        like.push(letter);
    }
    like.push('%');
    like
}
