//! People as a table: `name, born, spoken, language, units, hall_name, person_id`.

use std::collections::BTreeMap;

use super::{
    cells::written,
    judged::{ClubNow, KnownPerson, Line, Looked, looked_people},
    near::Names,
    sheet::{Row, Sheet},
};
use crate::{
    PersonId,
    person::{checked_born_year, checked_name, folded},
};

/// The columns, in their order; only `name` has to be there.
pub const COLUMNS: [&str; 7] =
    ["name", "born", "spoken", "language", "units", "hall_name", "person_id"];

/// Characters of a language or of a kind of units, which are words of programs.
const WORD_MAX: usize = 20;

/// What a file can say of somebody; `None` where it says nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PersonRow {
    /// Who; `None` where the file does not know the club's identities.
    pub person: Option<PersonId>,
    /// As the club calls them.
    pub called: String,
    /// Year of birth.
    pub born_year: Option<u16>,
    /// The name as it is spoken.
    pub spoken: Option<String>,
    /// Their language.
    pub language: Option<String>,
    /// Their units.
    pub units: Option<String>,
    /// Their name in the hall.
    pub hall_name: Option<String>,
}

impl PersonRow {
    fn cells(&self) -> [String; 7] {
        let text = |of: &Option<String>| of.clone().unwrap_or_default();
        [
            self.called.clone(),
            self.born_year.map(|year| year.to_string()).unwrap_or_default(),
            text(&self.spoken),
            text(&self.language),
            text(&self.units),
            text(&self.hall_name),
            self.person.map(|person| person.to_string()).unwrap_or_default(),
        ]
    }

    pub(super) fn short(&self) -> String {
        let born = self.born_year.map(|year| format!(", born {year}")).unwrap_or_default();
        format!("{}{born}", self.called)
    }

    /// What it says that another one says otherwise, or not at all.
    fn differs(&self, from: &PersonRow) -> Vec<&'static str> {
        let mut differs = Vec::new();
        let mut look = |name, is_other: bool| differs.extend(is_other.then_some(name));
        look("name", self.called != from.called);
        look("born", self.born_year.is_some() && self.born_year != from.born_year);
        look("spoken", self.spoken.is_some() && self.spoken != from.spoken);
        look("language", self.language.is_some() && self.language != from.language);
        look("units", self.units.is_some() && self.units != from.units);
        look("hall_name", self.hall_name.is_some() && self.hall_name != from.hall_name);
        differs
    }
}

/// Everybody, as a file that spreadsheets read.
#[must_use]
pub fn people_table<'a>(people: impl Iterator<Item = &'a PersonRow>) -> String {
    written(COLUMNS, people.map(PersonRow::cells))
}

/// Looks at a file of people: what each line would come to, and what people see of it.
///
/// # Errors
/// One sentence: why nothing of it can be read.
pub fn judge_people(
    bytes: &[u8],
    club: &ClubNow,
) -> Result<(Looked, Vec<Line<PersonRow>>), String> {
    let sheet = Sheet::read(bytes)?;
    let columns = sheet.columns(COLUMNS);
    if columns.first().copied().flatten().is_none() {
        return Err(format!(
            "There is no column \"name\" in the heading; the columns of people are {}.",
            COLUMNS.join(", ")
        ));
    }
    let unread = sheet.others(&COLUMNS);
    let mut judge = Judge::of(club);
    let lines: Vec<_> = sheet.rows.into_iter().map(|row| judge.line(row, columns)).collect();
    Ok((looked_people(unread, &lines), lines))
}

struct Judge<'a> {
    by_id: BTreeMap<PersonId, &'a KnownPerson>,
    by_name: BTreeMap<String, Vec<&'a KnownPerson>>,
    all: Vec<&'a KnownPerson>,
    names: Names,
    /// On which line of the file a name or an identity stands first.
    named: BTreeMap<String, (u32, Option<PersonId>)>,
    given: BTreeMap<PersonId, (u32, PersonRow)>,
}

impl<'a> Judge<'a> {
    fn of(club: &'a ClubNow) -> Judge<'a> {
        let all: Vec<&KnownPerson> =
            club.people.iter().filter(|known| known.merged_into.is_none()).collect();
        let mut by_name: BTreeMap<String, Vec<&KnownPerson>> = BTreeMap::new();
        for known in &all {
            by_name.entry(folded(&known.row.called)).or_default().push(known);
        }
        let names = Names::of(all.iter().map(|known| known.row.called.as_str()));
        let mut by_id: BTreeMap<PersonId, &KnownPerson> =
            all.iter().map(|known| (known.person, *known)).collect();
        for merged in club.people.iter() {
            if let Some(kept) = merged.merged_into.and_then(|kept| by_id.get(&kept).copied()) {
                by_id.insert(merged.person, kept);
            }
        }
        let (named, given) = (BTreeMap::new(), BTreeMap::new());
        Judge { by_id, by_name, all, names, named, given }
    }

    fn line(&mut self, row: Row, columns: [Option<usize>; 7]) -> Line<PersonRow> {
        let line = row.line;
        let read = row.cells.and_then(|cells| read(&cells, columns));
        match read {
            Ok(row) => self.judged(line, row),
            Err(says) => Line::wrong(line, says),
        }
    }

    fn judged(&mut self, line: u32, row: PersonRow) -> Line<PersonRow> {
        if let Some(id) = row.person {
            if let Some((first, before)) = self.given.get(&id) {
                let says = format!("The identity of line {first} stands here with another person.");
                return if *before == row { Line::known(line) } else { Line::wrong(line, says) };
            }
            self.given.insert(id, (line, row.clone()));
            if let Some(known) = self.by_id.get(&id).copied() {
                return changed(line, row, known);
            }
        }
        let name = folded(&row.called);
        let before = self.named.get(&name).copied();
        self.named.entry(name.clone()).or_insert((line, row.person));
        if let Some((first, other)) = before {
            // Two identities are two people, whatever they are called.
            let are_two = other.is_some() && row.person.is_some();
            if !are_two {
                let says = format!("The same name stands on line {first}: is it somebody else?");
                return Line::doubtful(line, says, row);
            }
        }
        match self.by_name.get(&name).map(Vec::as_slice) {
            Some([known]) if row.person.is_none() => {
                let other_year = row.born_year.is_some() && known.row.born_year.is_some();
                if other_year && row.born_year != known.row.born_year {
                    return namesake(line, row, known);
                }
                let same = PersonRow { called: known.row.called.clone(), ..row };
                changed(line, same, known)
            }
            Some([known, ..]) => {
                let is_same = |known: &&KnownPerson| row.differs(&known.row).is_empty();
                let is_known = self.by_name.get(&name).is_some_and(|all| all.iter().any(is_same));
                if is_known && row.person.is_none() {
                    Line::known(line)
                } else {
                    namesake(line, row, known)
                }
            }
            Some([]) | None => self.unknown(line, row),
        }
    }

    fn unknown(&self, line: u32, row: PersonRow) -> Line<PersonRow> {
        let near = self.names.near(&row.called).and_then(|nth| usize::try_from(nth).ok());
        match near.and_then(|nth| self.all.get(nth)) {
            None => Line::new(line, row),
            Some(known) => {
                let says =
                    format!("{} is nearly {}, who is in the club.", row.called, known.row.called);
                let meant = format!("{}, who is there already", known.row.called);
                Line::doubtful(line, says, row).meaning(meant, None)
            }
        }
    }
}

/// Of somebody who is there: the same, or what would be another.
fn changed(line: u32, row: PersonRow, known: &KnownPerson) -> Line<PersonRow> {
    let differs = row.differs(&known.row);
    if differs.is_empty() {
        return Line::known(line);
    }
    let says = format!(
        "{} is in the club with another {}: stored, it is what stands here.",
        known.row.called,
        differs.join(", ")
    );
    Line::doubtful(line, says, PersonRow { person: Some(known.person), ..row })
}

fn namesake(line: u32, row: PersonRow, known: &KnownPerson) -> Line<PersonRow> {
    let says = format!(
        "Somebody called {} is in the club: stored, there are two people of one name.",
        known.row.short()
    );
    let meant = format!("{}, who is there already", known.row.short());
    Line::doubtful(line, says, row).meaning(meant, None)
}

fn read(cells: &[String], columns: [Option<usize>; 7]) -> Result<PersonRow, String> {
    let cell = |at: Option<usize>| at.and_then(|at| cells.get(at)).map_or("", String::as_str);
    let [name, born, spoken, language, units, hall_name, person] = columns.map(cell);
    if name.is_empty() {
        return Err("The name is missing.".to_owned());
    }
    let called = checked_name(name)?;
    let text = |cell: &str| {
        if cell.is_empty() { Ok(None) } else { checked_name(cell).map(Some) }
    };
    Ok(PersonRow {
        person: read_id(person)?.map(PersonId),
        called,
        born_year: read_year(born)?,
        spoken: text(spoken)?,
        language: read_word(language)?,
        units: read_word(units)?,
        hall_name: text(hall_name)?,
    })
}

pub(super) fn read_id(cell: &str) -> Result<Option<uuid::Uuid>, String> {
    if cell.is_empty() {
        return Ok(None);
    }
    let wrong =
        |_| format!("\"{cell}\" is no identity: leave the cell as it was exported, or empty.");
    uuid::Uuid::try_parse(cell).map(Some).map_err(wrong)
}

fn read_year(cell: &str) -> Result<Option<u16>, String> {
    if cell.is_empty() {
        return Ok(None);
    }
    let wrong = || format!("\"{cell}\" is no year of birth: write it as 2009, or leave it out.");
    let year: u16 = cell.parse().map_err(|_| wrong())?;
    checked_born_year(year).map(Some).map_err(|_| wrong())
}

fn read_word(cell: &str) -> Result<Option<String>, String> {
    let is_word = cell.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_'));
    if !is_word || cell.len() > WORD_MAX {
        return Err(format!(
            "\"{cell}\" is no word of the club's: leave the cell as it was exported, or empty."
        ));
    }
    Ok((!cell.is_empty()).then(|| cell.to_owned()))
}
