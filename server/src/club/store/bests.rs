//! What somebody has rowed best.

use rusqlite::params;
use thole_club::{Best, Candidate, Person, ResultId, best::bests};
use thole_protocol::standing::Unplaced;

use super::{
    ClubError, Store,
    lists::{json, ruling},
    queries,
};

impl Store {
    /// The best that a person has rowed of each piece on each kind of machine.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn bests(&self, person: &Person) -> Result<Vec<Best>, ClubError> {
        let (club, id) = (self.club.club.to_string(), person.person.to_string());
        let mut select = self.connection.prepare_cached(queries::CANDIDATES)?;
        let mut rows = select.query(params![club, id])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let unread =
                |error: &dyn std::fmt::Display| ClubError::Store(format!("a result: {error}"));
            let result: String = row.get(0)?;
            let day: String = row.get(3)?;
            let outcome: String = row.get(4)?;
            let shown: Option<String> = row.get(5)?;
            all.push(Candidate {
                result: result.parse::<ResultId>().map_err(|error| unread(&error))?,
                work: row.get(1)?,
                machine: row.get(2)?,
                day: day.parse().map_err(|error| unread(&error))?,
                outcome: json(&format!("{outcome:?}"))?,
                shown: shown.map(|shown| json(&shown)).transpose()?,
                marks: json(&row.get::<_, String>(6)?)?,
                is_said: row.get::<_, String>(7)? != "piece",
                is_excluded: ruling(row.get(8)?)?.unplaced == Some(Unplaced::Excluded),
            });
        }
        Ok(bests(all))
    }
}
