//! Results as a table: what was rowed, by whom, on which day. Plans, calls and how it felt are not in it; `club export` has all.

use thole_piece::{limits::Measure, standings};
use thole_protocol::{
    shown::{distance_text, repeats_text, total_text},
    spec::{PieceSpec, Repeat},
    standing::{Mark, Outcome, Split, Unplaced},
    total::{Certainty, Gap, Margin, Total},
    units::{Decimetres, HalfSpm, Millis, nearest, ppm},
};

use super::{
    cells::written,
    figures::{
        exact, exact_total, from_word, instant_text, metres, read_amounts, read_day, read_instant,
        read_marks, read_rate, read_splits, seconds, some, splits_text, tenths, thousandths, whole,
        word,
    },
    people::read_id,
};
use crate::{
    AllOut, PersonId, ResultId,
    day::ClubDay,
    deed::checked_reason,
    person::checked_name,
    rowed::{checked_machine, checked_title, read_piece, read_total},
};

/// How many columns there are.
pub const COLUMNS_MANY: usize = 29;

/// The columns, in their order; `name`, `day`, `piece` and `result` have to be there.
pub const COLUMNS: [&str; COLUMNS_MANY] = [
    "name",
    "day",
    "piece",
    "result",
    "machine",
    "title",
    "outcome",
    "place",
    "team",
    "target",
    "rate",
    "metres",
    "seconds",
    "within_metres",
    "within_seconds",
    "strokes",
    "splits",
    "all_out",
    "ranked",
    "official",
    "no_place",
    "marks",
    "rowed_as",
    "at",
    "source",
    "corrected_from",
    "reason",
    "result_id",
    "person_id",
];

/// What a file can say of a result.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ResultRow {
    /// Which; `None` where the file does not know the club's identities.
    pub result: Option<ResultId>,
    /// Whose; `None` of a guest, and until it is known.
    pub person: Option<PersonId>,
    /// The name of whoever it is.
    pub name: Option<String>,
    /// The name that it was rowed under.
    pub called: Option<String>,
    /// The club's day.
    pub day: ClubDay,
    /// The instant of the go.
    pub at_unix_ms: Option<u64>,
    /// What was rowed.
    pub repeats: Vec<Repeat>,
    /// How it came about.
    pub outcome: Outcome,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// How sure that is.
    pub sure: Certainty,
    /// Place in that piece.
    pub place: Option<u32>,
    /// For which team.
    pub team: Option<String>,
    /// Their own target.
    pub target: Option<Total>,
    /// On which kind of machine.
    pub machine: Option<String>,
    /// What the piece was called.
    pub title: String,
    /// Mean rate.
    pub rate_half_spm: Option<HalfSpm>,
    /// Own strokes in the work.
    pub strokes: Option<u32>,
    /// Quarters of a single stretch, repeats of an interval piece.
    pub splits: Vec<Split>,
    /// Whether it was all they had.
    pub all_out: AllOut,
    /// Of a typed or imported one: a coach has ranked it.
    pub is_ranked: bool,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// Where it came from at first: `piece`, `typed` or `imported`.
    pub source: Source,
    /// What it was before it was put right.
    pub corrected_from: Option<String>,
    /// Why.
    pub reason: Option<String>,
    /// A coach has made it official.
    pub is_official: bool,
    /// Why it has no place though it might.
    pub unplaced: Option<Unplaced>,
}

/// Where a result came from at first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A session.
    Piece,
    /// Somebody's word.
    Typed,
    /// A file, of which no more is known.
    Imported,
}

impl Source {
    /// As it is kept.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Source::Piece => "piece",
            Source::Typed => "typed",
            Source::Imported => "imported",
        }
    }

    /// The other way round.
    #[must_use]
    pub fn of(word: &str) -> Option<Source> {
        [Source::Piece, Source::Typed, Source::Imported].into_iter().find(|of| of.word() == word)
    }
}

impl ResultRow {
    /// The time of a piece by distance, the distance of a piece by time; `None` of one that was not rowed to its end.
    #[must_use]
    pub fn total(&self) -> Option<Total> {
        let is_finished = self.outcome == Outcome::Finished;
        let measure = Measure::of(&PieceSpec::of(self.repeats.clone()))?;
        is_finished.then_some(match measure {
            Measure::Distance(_) => Total::Time { finish_ms: self.time_ms },
            Measure::Time(_) => Total::Distance { distance_dm: self.distance_dm },
        })
    }

    /// The finish as it is shown and ranked.
    #[must_use]
    pub fn shown(&self) -> Option<Total> {
        self.total().map(standings::as_shown)
    }

    /// Against the target; plus is ahead.
    #[must_use]
    pub fn margin(&self) -> Option<Margin> {
        let (shown, target) = (self.shown()?, self.target?);
        let ahead = match (shown, target) {
            (Total::Time { .. }, Total::Time { .. }) => target.amount() - shown.amount(),
            (Total::Distance { .. }, Total::Distance { .. }) => shown.amount() - target.amount(),
            (Total::Time { .. }, Total::Distance { .. })
            | (Total::Distance { .. }, Total::Time { .. }) => return None,
        };
        let gap = match target {
            Total::Time { .. } => Gap::Time(nearest(ahead * 1e3)),
            Total::Distance { .. } => Gap::Distance(nearest(ahead * 1e1)),
        };
        Some(Margin { margin_ppm: ppm(ahead / target.amount()), gap })
    }

    /// As pieces are written.
    #[must_use]
    pub fn work(&self) -> String {
        repeats_text(&self.repeats)
    }

    pub(super) fn short(&self) -> String {
        let name = self.name.as_deref().unwrap_or("somebody");
        let rowed = self.shown().map_or_else(
            || format!("{} in {}", distance_text(self.distance_dm), exact(self.time_ms)),
            total_text,
        );
        format!("{name}, {}, {} {rowed}", self.day, self.work())
    }

    fn cells(&self) -> [String; COLUMNS_MANY] {
        let text = |of: &Option<String>| of.as_deref().unwrap_or_default().trim().to_owned();
        let number = |of: Option<u32>| of.map(|of| of.to_string()).unwrap_or_default();
        let called = self.called.as_deref().filter(|_| self.called != self.name);
        [
            text(&self.name),
            self.day.to_string(),
            self.work(),
            self.shown().map(total_text).unwrap_or_default(),
            text(&self.machine),
            self.title.trim().to_owned(),
            if self.outcome == Outcome::Finished { String::new() } else { word(&self.outcome) },
            number(self.place),
            text(&self.team),
            self.target.map(exact_total).unwrap_or_default(),
            self.rate_half_spm.map(|rate| tenths(u32::from(rate.0) * 5)).unwrap_or_default(),
            tenths(self.distance_dm.0),
            thousandths(self.time_ms),
            self.sure.dm().map(|sure| tenths(sure.0)).unwrap_or_default(),
            self.sure.ms().map(thousandths).unwrap_or_default(),
            number(self.strokes),
            splits_text(&self.splits),
            if self.all_out == AllOut::Unknown { String::new() } else { word(&self.all_out) },
            if self.is_ranked { "yes".to_owned() } else { String::new() },
            if self.is_official { "yes".to_owned() } else { String::new() },
            self.unplaced.as_ref().map(word).unwrap_or_default(),
            self.marks.iter().map(word).collect::<Vec<_>>().join(" "),
            called.unwrap_or_default().trim().to_owned(),
            self.at_unix_ms.map(instant_text).unwrap_or_default(),
            self.source.word().to_owned(),
            text(&self.corrected_from),
            text(&self.reason),
            self.result.map(|result| result.to_string()).unwrap_or_default(),
            self.person.map(|person| person.to_string()).unwrap_or_default(),
        ]
    }

    /// What a line says, by its columns.
    ///
    /// # Errors
    /// One sentence: what is wrong with it.
    pub(super) fn read(
        cells: &[String],
        columns: [Option<usize>; COLUMNS_MANY],
    ) -> Result<ResultRow, String> {
        let cell = |name: &str| {
            let column = COLUMNS.iter().position(|column| *column == name);
            let at = column.and_then(|at| columns.get(at).copied().flatten());
            at.and_then(|at| cells.get(at)).map_or("", String::as_str)
        };
        let result = read_id(cell("result_id"))?.map(ResultId);
        let person = read_id(cell("person_id"))?.map(PersonId);
        let name = some(cell("name")).map(checked_name).transpose()?;
        if name.is_none() && result.is_none() {
            return Err("The name is missing.".to_owned());
        }
        let day = read_day(cell("day"))?;
        let repeats = read_piece(cell("piece"))?;
        let outcome = some(cell("outcome")).map_or(Ok(Outcome::Finished), |typed| {
            from_word(typed).ok_or_else(|| {
                format!(
                    "\"{typed}\" is no outcome: write finished, stopped, unfinished or unheard."
                )
            })
        })?;
        let (time_ms, distance_dm) =
            read_amounts(cell("result"), (cell("metres"), cell("seconds")), &repeats, outcome)?;
        let title = cell("title").to_owned();
        checked_title(&title)?;
        let machine = some(cell("machine")).map(str::to_owned);
        machine.as_deref().map(checked_machine).transpose()?;
        let sure = match (metres(cell("within_metres"))?, seconds(cell("within_seconds"))?) {
            (None, None) => Certainty::Unsaid,
            (None, Some(ms)) => Certainty::Time(ms),
            (Some(dm), None) => Certainty::Distance(dm),
            (Some(_), Some(_)) => {
                return Err("A result is sure within metres or within seconds.".to_owned());
            }
        };
        let is_said = |name: &str| match cell(name) {
            "" | "no" => Ok(false),
            "yes" => Ok(true),
            typed => Err(format!("\"{typed}\" is neither yes nor no.")),
        };
        Ok(ResultRow {
            result,
            person,
            called: some(cell("rowed_as")).map(checked_name).transpose()?.or_else(|| name.clone()),
            name,
            day,
            at_unix_ms: some(cell("at")).map(read_instant).transpose()?,
            target: some(cell("target")).map(|typed| read_total(typed, &repeats)).transpose()?,
            splits: read_splits(cell("splits"), repeats.len())?,
            repeats,
            outcome,
            time_ms,
            distance_dm,
            sure,
            place: whole(cell("place"), "place")?,
            team: some(cell("team")).map(checked_name).transpose()?,
            machine,
            title,
            rate_half_spm: read_rate(cell("rate"))?,
            strokes: whole(cell("strokes"), "number of strokes")?,
            all_out: some(cell("all_out")).map_or(Ok(AllOut::Unknown), |typed| {
                from_word(typed).ok_or_else(|| format!("\"{typed}\" is neither yes nor no."))
            })?,
            is_ranked: is_said("ranked")?,
            marks: read_marks(cell("marks"))?,
            source: some(cell("source")).map_or(Ok(Source::Imported), |typed| {
                let wrong = || {
                    format!(
                        "\"{typed}\" is no source: leave the cell as it was exported, or empty."
                    )
                };
                Source::of(typed).ok_or_else(wrong)
            })?,
            corrected_from: some(cell("corrected_from")).map(checked_reason).transpose()?,
            reason: some(cell("reason")).map(checked_reason).transpose()?,
            is_official: is_said("official")?,
            unplaced: some(cell("no_place")).map(unplaced).transpose()?,
        })
    }
}

fn unplaced(typed: &str) -> Result<Unplaced, String> {
    from_word(typed).ok_or_else(|| {
        format!("\"{typed}\" is no reason to have no place: write excluded or unranked.")
    })
}

/// Results, as a file that spreadsheets read.
#[must_use]
pub fn results_csv<'a>(results: impl Iterator<Item = &'a ResultRow>) -> String {
    written(COLUMNS, results.map(ResultRow::cells))
}
