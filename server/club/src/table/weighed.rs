//! Results of a file, each weighed against what the club has and what anybody rows.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};
use thole_piece::question::{Middle, question};
use thole_protocol::{
    spec::{Aim, PastResult, PieceSpec},
    total::Total,
    units::{Decimetres, Millis},
};
use uuid::Builder;

use super::{
    judged::{ClubNow, KnownPerson, KnownResult, Line, Looked, looked_results},
    near::Names,
    results::{COLUMNS, COLUMNS_MANY, ResultRow},
    sheet::{Row, Sheet},
};
use crate::{
    PersonId, ResultId,
    person::folded,
    plausible::{Claim, Unlikely, odd_day, unlikely},
    rowed::total_words,
};

/// Looks at a file of results: what each line would come to, and what people see of it.
///
/// # Errors
/// One sentence: why nothing of it can be read.
pub fn judge_results(
    bytes: &[u8],
    club: &ClubNow,
) -> Result<(Looked, Vec<Line<ResultRow>>), String> {
    let sheet = Sheet::read(bytes)?;
    for needed in ["name", "day", "piece", "result"] {
        if !sheet.heading.iter().any(|column| column == needed) {
            return Err(format!(
                "There is no column \"{needed}\" in the heading; results need name, day, piece and result."
            ));
        }
    }
    let (columns, unread) = (sheet.columns(COLUMNS), sheet.others(&COLUMNS));
    let mut weighing = Weighing::of(club);
    let lines: Vec<_> = sheet.rows.into_iter().map(|row| weighing.line(row, columns)).collect();
    Ok((looked_results(unread, &lines), lines))
}

/// Whose a result is: a person's, or a guest's by the name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Whose {
    Person(PersonId),
    Guest(String),
}

/// A piece that somebody rows on one day.
type Occasion = (Whose, String, String);

struct Weighing<'a> {
    club: &'a ClubNow,
    by_id: BTreeMap<PersonId, &'a KnownPerson>,
    by_name: BTreeMap<String, Vec<&'a KnownPerson>>,
    everybody: Vec<&'a KnownPerson>,
    names: Names,
    results: BTreeMap<ResultId, &'a KnownResult>,
    occasions: BTreeMap<Occasion, Vec<&'a KnownResult>>,
    /// What somebody has rowed of a piece.
    past: BTreeMap<(Whose, String), Vec<Total>>,
    /// On which line of the file it stands first.
    here: BTreeMap<(Occasion, Millis, Decimetres), u32>,
    given: BTreeMap<ResultId, u32>,
}

impl<'a> Weighing<'a> {
    fn of(club: &'a ClubNow) -> Weighing<'a> {
        let everybody: Vec<&KnownPerson> =
            club.people.iter().filter(|known| known.merged_into.is_none()).collect();
        let mut by_name: BTreeMap<String, Vec<&KnownPerson>> = BTreeMap::new();
        for known in &everybody {
            by_name.entry(folded(&known.row.called)).or_default().push(known);
        }
        let mut weighing = Weighing {
            club,
            by_id: club.people.iter().map(|known| (known.person, known)).collect(),
            by_name,
            names: Names::of(everybody.iter().map(|known| known.row.called.as_str())),
            everybody,
            results: BTreeMap::new(),
            occasions: BTreeMap::new(),
            past: BTreeMap::new(),
            here: BTreeMap::new(),
            given: BTreeMap::new(),
        };
        for known in &club.results {
            let whose = whose(&known.row);
            weighing.results.extend(known.row.result.map(|result| (result, known)));
            let past = weighing.past.entry((whose.clone(), known.row.work())).or_default();
            past.extend(known.row.shown());
            weighing.occasions.entry(occasion(whose, &known.row)).or_default().push(known);
        }
        weighing
    }

    fn line(&mut self, row: Row, columns: [Option<usize>; COLUMNS_MANY]) -> Line<ResultRow> {
        let line = row.line;
        match row.cells.and_then(|cells| ResultRow::read(&cells, columns)) {
            Ok(row) => self.weighed(line, row),
            Err(says) => Line::wrong(line, says),
        }
    }

    fn weighed(&mut self, line: u32, row: ResultRow) -> Line<ResultRow> {
        if let Some(result) = row.result {
            if let Some(first) = self.given.insert(result, line) {
                return Line::wrong(
                    line,
                    format!("The identity of line {first} stands here once more."),
                );
            }
            if let Some(known) = self.results.get(&result).copied() {
                return same_identity(line, row, known);
            }
        }
        let (row, doubt) = self.with_person(row);
        let occasion = occasion(whose(&row), &row);
        if let Some(there) = self.occasions.get(&occasion) {
            if there.iter().any(|known| known.row.shown() == row.shown() && row.total().is_some()) {
                return Line::known(line);
            }
            if row.result.is_none() {
                let has = there.first().and_then(|known| known.row.shown()).map(total_words);
                let says = format!(
                    "The club has {} for {} on that day: is it another one, or a slip?",
                    has.as_deref().unwrap_or("one that was not finished"),
                    row.work()
                );
                return Line::doubtful(line, says, self.named(row, line));
            }
        }
        let same = (occasion, row.time_ms, row.distance_dm);
        if row.result.is_none()
            && let Some(first) = self.here.get(&same).copied()
        {
            let says = format!("The same stands on line {first}: was it rowed twice?");
            return Line::doubtful(line, says, self.named(row, line));
        }
        self.here.entry(same).or_insert(line);
        let is_foreign = row.result.is_none();
        let row = self.named(row, 0);
        if let Some(says) = odd_day(&row.day, &self.club.today) {
            return Line::doubtful(line, says, row);
        }
        if let Some((says, meant)) = doubt {
            let line = Line::doubtful(line, says, row.clone());
            let Some(known) = meant else { return line };
            let words = known.row.called.clone();
            let as_meant =
                ResultRow { person: Some(known.person), name: Some(words.clone()), ..row };
            return line.meaning(words, Some(as_meant));
        }
        // What another club has exported was weighed when it came there.
        if is_foreign { self.plausible(line, row) } else { Line::new(line, row) }
    }

    /// The row with the person whose it is; or why that is not sure, and who is probably meant.
    fn with_person(
        &self,
        row: ResultRow,
    ) -> (ResultRow, Option<(String, Option<&'a KnownPerson>)>) {
        if let Some(id) = row.person {
            let known = self.by_id.get(&id).copied();
            let known = known.map(|known| known.merged_into.unwrap_or(known.person));
            if let Some(person) = known {
                return (ResultRow { person: Some(person), ..row }, None);
            }
            let says = "The person of this identity is not in the club: import people first, or it is a guest\u{2019}s.";
            return (ResultRow { person: None, ..row }, Some((says.to_owned(), None)));
        }
        let Some(name) = row.name.clone() else { return (row, None) };
        let is_guests = row.result.is_some();
        match self.by_name.get(&folded(&name)).map(Vec::as_slice) {
            Some([known]) if !is_guests => (ResultRow { person: Some(known.person), ..row }, None),
            Some([known]) => {
                let says =
                    format!("It is a guest\u{2019}s, and {} is in the club.", known.row.called);
                (row, Some((says, Some(known))))
            }
            Some([_, _, ..]) => {
                let says = format!(
                    "Several people are called {name}: write the identity of one in person_id, or it is a guest\u{2019}s."
                );
                (row, Some((says, None)))
            }
            Some([]) | None if is_guests => (row, None),
            Some([]) | None => {
                let near = self.names.near(&name).and_then(|nth| usize::try_from(nth).ok());
                let near = near.and_then(|nth| self.everybody.get(nth).copied());
                let nearly = near.map(|known| format!("{name} is nearly {}.", known.row.called));
                let says = nearly.unwrap_or_else(|| {
                    format!(
                        "There is nobody called {name} in the club: stored, it is a guest\u{2019}s."
                    )
                });
                (row, Some((says, near)))
            }
        }
    }

    /// With an identity that follows from what it says, so that the same file makes the same once more.
    fn named(&self, row: ResultRow, nth: u32) -> ResultRow {
        let result = row.result.unwrap_or_else(|| said_id(&row, nth));
        ResultRow { result: Some(result), ..row }
    }

    fn plausible(&self, line: u32, row: ResultRow) -> Line<ResultRow> {
        let Some(total) = row.total() else { return Line::new(line, row) };
        let claim = Claim {
            repeats: row.repeats.clone(),
            time_ms: row.time_ms,
            distance_dm: row.distance_dm,
        };
        if let Some(Unlikely { says, meant, .. }) = unlikely(&claim) {
            let meant = meant.map(|(words, claim)| (words, as_meant(&row, claim)));
            let doubtful = Line::doubtful(line, says, row);
            return match meant {
                Some((words, row)) => doubtful.meaning(words, Some(row)),
                None => doubtful,
            };
        }
        let past = self.past.get(&(whose(&row), row.work()));
        let history = past
            .into_iter()
            .flatten()
            .map(|total| PastResult { days_ago: 0, result: (*total).into() });
        let aim = Aim { target: Some(total.into()), history: history.collect(), ..Aim::default() };
        let piece = PieceSpec::of(row.repeats.clone());
        match question(&piece, &aim, Middle::default(), &[]) {
            // Its likely cause is in what it says.
            Some(asked) if !aim.history.is_empty() => Line::doubtful(line, asked.says, row),
            Some(_) | None => Line::new(line, row),
        }
    }
}

fn whose(row: &ResultRow) -> Whose {
    match row.person {
        Some(person) => Whose::Person(person),
        None => Whose::Guest(row.called.as_deref().map(folded).unwrap_or_default()),
    }
}

fn occasion(whose: Whose, row: &ResultRow) -> Occasion {
    (whose, row.day.to_string(), row.work())
}

/// A result of an identity that the club has: the same, or what would be another.
fn same_identity(line: u32, row: ResultRow, known: &KnownResult) -> Line<ResultRow> {
    let what = |of: &ResultRow| {
        (
            of.day.clone(),
            of.work(),
            of.time_ms,
            of.distance_dm,
            of.outcome,
            of.title.trim().to_owned(),
        )
    };
    if what(&row) == what(&known.row) {
        return Line::known(line);
    }
    if known.is_of_a_piece {
        return Line::wrong(
            line,
            "It was rowed in a session and says something else here: put it right there."
                .to_owned(),
        );
    }
    Line::wrong(
        line,
        "The club has this result with something else: put it right there, so that its reason is kept.".to_owned(),
    )
}

/// The row as it was probably meant; of another piece it is another result.
fn as_meant(row: &ResultRow, claim: Claim) -> ResultRow {
    let Claim { repeats, time_ms, distance_dm } = claim;
    let is_same_piece = repeats == row.repeats;
    let meant = ResultRow { repeats, time_ms, distance_dm, ..row.clone() };
    if is_same_piece {
        return meant;
    }
    let meant = ResultRow { result: None, ..meant };
    ResultRow { result: Some(said_id(&meant, 0)), ..meant }
}

/// The identity of a result that a file has without one (RFC 9562 version 8): whoever imports the file again gets the same.
fn said_id(row: &ResultRow, nth: u32) -> ResultId {
    let mut hash = Sha256::new();
    hash.update(b"result of a file");
    match whose(row) {
        Whose::Person(person) => hash.update(person.0.as_bytes()),
        Whose::Guest(name) => hash.update(name.as_bytes()),
    }
    for part in [row.day.as_str(), &row.work(), row.machine.as_deref().unwrap_or_default()] {
        hash.update([0]);
        hash.update(part.as_bytes());
    }
    hash.update(row.time_ms.0.to_be_bytes());
    hash.update(row.distance_dm.0.to_be_bytes());
    hash.update(nth.to_be_bytes());
    let hash: [u8; 32] = hash.finalize().into();
    let mut bytes = [0; 16];
    bytes.iter_mut().zip(hash).for_each(|(byte, of_hash)| *byte = of_hash);
    ResultId(Builder::from_custom_bytes(bytes).into_uuid())
}
