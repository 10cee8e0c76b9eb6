//! An evening as a journal has it: people come, row 300 m as often as a test likes, and each piece is settled.

use std::path::Path;

use thole_piece::{Input, Session};
use thole_protocol::{
    club::PersonId,
    ids::{AthleteId, CoachId, CommandId, JoinCode, RunId, SessionId},
    order::{GivenBy, Order},
    sample::{Reading, Sample},
    spec::{AthleteSpec, Extent, PieceSpec, Repeat, RosterEntry, SessionSettings},
    units::{At, Decimetres, Millis},
};
use thole_server::journal::{Append, Journal, Record, SessionRow, sqlite::SqliteJournal};
use uuid::Uuid;

/// Made at 18:00 in UTC on 2026-11-30, and each a day after the one before it.
const FIRST_MS: u64 = 1_796_061_600_000;
const DAY_MS: u64 = 86_400_000;

pub(crate) struct Evening {
    no: u128,
    core: Session,
    said: Vec<Record>,
    /// So many strokes each has had so far.
    strokes: u32,
    people: u128,
    pieces: u32,
    orders: u128,
    written: u64,
    /// When it was made, if not on the day of its number.
    made_ms: Option<u64>,
}

impl Evening {
    /// With these people; nothing has been rowed.
    pub(crate) fn of(no: u128, names: &[&str]) -> Evening {
        let people = names.len() as u128;
        let (core, said) = (Session::new(), Vec::new());
        let mut evening = Evening {
            no,
            core,
            said,
            strokes: 0,
            people,
            pieces: 0,
            orders: 0,
            written: 0,
            made_ms: None,
        };
        let settings = SessionSettings::default();
        evening.say(0, Input::Created { title: "An evening".to_owned(), settings, by: None });
        let work = Extent::Distance { distance_dm: Decimetres(3_000) };
        let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
        evening.order(Order::SetPieces { pieces: vec![piece; 6] });
        let entry = |(who, name): (u128, &&str)| {
            let spec = AthleteSpec { name: (*name).to_owned(), ..AthleteSpec::default() };
            (evening.athlete(who), RosterEntry { spec, aims: Vec::new() })
        };
        let athletes = (1..).zip(names).map(entry).collect();
        let command = CommandId(Uuid::from_u128(2));
        evening.say(0, Input::AthletesAdded { command, athletes });
        evening
    }

    /// It was made at this instant.
    pub(crate) fn made_at(&mut self, unix_ms: u64) -> &mut Evening {
        self.made_ms = Some(unix_ms);
        self
    }

    pub(crate) fn made_ms(&self) -> u64 {
        self.made_ms.unwrap_or(FIRST_MS + DAY_MS * u64::try_from(self.no).unwrap())
    }

    /// Somebody passes on their heart rate from now on, or not any more.
    pub(crate) fn consents(&mut self, who: u128, heart_rate: bool) -> &mut Evening {
        let athlete = self.athlete(who);
        self.say(1, Input::Consent { athlete, heart_rate, wording: 1 });
        self
    }

    /// What somebody's strap has said since the last record, one beat a second.
    pub(crate) fn beats(&mut self, who: u128, beats: &[i64]) -> &mut Evening {
        let now = i64::try_from(self.core.now().0).unwrap();
        let reading = |(nth, heart_bpm): (i64, &i64)| Reading {
            heard_ms: now + 1_007 * nth,
            heart_bpm: *heart_bpm,
        };
        let readings: Vec<Reading> = (1..).zip(beats).map(reading).collect();
        self.say(9_000, Input::HeartRate { athlete: self.athlete(who), readings });
        self
    }

    pub(crate) fn session(&self) -> SessionId {
        SessionId(Uuid::from_u128(self.no))
    }

    /// How many have come.
    pub(crate) fn people(&self) -> u128 {
        self.people
    }

    pub(crate) fn athlete(&self, who: u128) -> AthleteId {
        AthleteId(Uuid::from_u128(self.no * 1_000 + who))
    }

    fn say(&mut self, after: u64, input: Input) {
        let at = At(self.core.now().0 + after);
        self.core.apply(at, &input);
        self.said.push(Record { at, input });
    }

    pub(crate) fn order(&mut self, order: Order) {
        self.orders += 1;
        let command = CommandId(Uuid::from_u128(1_000 + self.orders));
        self.given(command, order, None);
    }

    /// Rosa, a coach of the club, gives an order; its record follows.
    pub(crate) fn rules(&mut self, order: Order) -> CommandId {
        self.orders += 1;
        let command = CommandId(Uuid::from_u128(1_000 + self.orders));
        let rosa = GivenBy { coach: CoachId(Uuid::from_u128(70)), name: "Rosa".to_owned() };
        self.given(command, order, Some(rosa));
        self.settle();
        command
    }

    fn given(&mut self, command: CommandId, order: Order, by: Option<GivenBy>) {
        self.say(1, Input::Ordered { command, order, by });
        assert!(self.core.has_done(command), "an order of the evening was refused");
    }

    /// Somebody comes by the code, and rows from the next piece on.
    pub(crate) fn joins(&mut self, name: &str) -> &mut Evening {
        self.people += 1;
        let (athlete, name) = (self.athlete(self.people), name.to_owned());
        self.say(1, Input::Joined { athlete, name, join: None });
        self
    }

    /// One of them comes with a key of a person of the club.
    pub(crate) fn comes_by_key(&mut self, who: u128, person: PersonId) -> &mut Evening {
        self.say(1, Input::CameByKey { athlete: self.athlete(who), person });
        self
    }

    /// Everybody rows 300 m, the first in 60 s, each after that four seconds slower.
    pub(crate) fn row(&mut self, is_first: bool) -> &mut Evening {
        if !is_first {
            self.order(Order::NextPiece);
        }
        self.order(Order::Arm);
        self.stroke(0);
        self.order(Order::Start);
        while let Some(due) = self.core.deadline().filter(|_| !self.core_rows()) {
            let after = due.0.saturating_sub(self.core.now().0);
            self.say(after, Input::Deadline);
        }
        for second in 1..=60 + 4 * u32::try_from(self.people).unwrap() {
            self.stroke(second);
        }
        self.pieces += 1;
        if self.core.to_settle().is_none() {
            self.order(Order::Close);
        }
        self
    }

    fn core_rows(&self) -> bool {
        let view = self.core.view(thole_piece::session::Viewer::Coach);
        let rows = |piece: &thole_protocol::standing::PieceView| {
            matches!(piece.phase, thole_protocol::standing::Phase::Rowing { .. })
        };
        view.pieces.iter().any(rows)
    }

    /// What everybody's machine says at a second of the piece.
    fn stroke(&mut self, second: u32) {
        self.strokes += 1;
        let heard_ms = i64::try_from(self.core.now().0 + 1_000).unwrap();
        for who in 1..=self.people {
            let slower = 4 * u32::try_from(who - 1).unwrap();
            // Machines count on from piece to piece.
            let distance_dm = i64::from(10_000 * self.pieces + 3_000 * second / (60 + slower));
            let sample = Sample { seq: self.strokes, heard_ms, distance_dm, ..Sample::default() };
            let after = if who == 1 { 1_000 } else { 0 };
            let (athlete, run) = (self.athlete(who), RunId(Uuid::from_u128(who)));
            self.say(after, Input::Samples { athlete, run, samples: vec![sample] });
        }
    }

    /// The record of the piece that is over.
    pub(crate) fn settle(&mut self) -> &mut Evening {
        let settled = self.core.to_settle().expect("a piece is over").clone();
        self.say(0, Input::Settled { settled: Box::new(settled) });
        self
    }

    /// After the last piece somebody rows on, and all of it comes at once.
    pub(crate) fn rows_on(&mut self, who: u128) -> &mut Evening {
        let heard_ms = i64::try_from(self.core.now().0).unwrap();
        let from = i64::from(10_000 * self.pieces);
        let samples = (1..=20).map(|nth| {
            let distance_dm = from + 31 * i64::from(nth) + i64::from(nth * nth);
            let heard_ms = heard_ms + 1_013 * i64::from(nth);
            Sample { seq: self.strokes + nth, heard_ms, distance_dm, ..Sample::default() }
        });
        let (athlete, run) = (self.athlete(who), RunId(Uuid::from_u128(who)));
        let samples = samples.collect();
        self.say(25_000, Input::Samples { athlete, run, samples });
        self
    }

    /// Its coach closes it, and all that comes after that by itself has come.
    pub(crate) fn closes(&mut self) -> &mut Evening {
        self.order(Order::CloseSession);
        while let Some(due) = self.core.deadline() {
            let after = due.0.saturating_sub(self.core.now().0);
            self.say(after, Input::Deadline);
            if self.core.to_settle().is_some() {
                self.settle();
            }
        }
        assert!(self.core.is_settled(), "something of a closed evening is left to be settled");
        self
    }

    /// As the list of sessions has it.
    pub(crate) fn session_row(&self) -> SessionRow {
        SessionRow {
            session: self.session(),
            code: JoinCode::from_random(u64::try_from(self.no).unwrap()),
            created_unix_ms: self.made_ms(),
            closed_unix_ms: None,
        }
    }

    /// Writes what has not been written yet.
    pub(crate) async fn write(&mut self, journal: &SqliteJournal) {
        let append = Append {
            session: self.session(),
            create: (self.written == 0).then(|| self.session_row()),
            tenure: 0,
            first: self.written,
            records: std::mem::take(&mut self.said).into(),
            revoke: Vec::new(),
            grant: Vec::new(),
            closed_unix_ms: self.core.is_closed().then_some(match self.made_ms {
                Some(made) => made + DAY_MS / 8,
                None => FIRST_MS + DAY_MS * 100,
            }),
            reckoned: None,
        };
        self.written = journal.append(append).await.unwrap();
    }
}

/// The journal of a folder. A process that another test is just beginning has all open files for a moment, and with them a lock
/// that was given up here.
pub(crate) fn opened(data: &Path) -> SqliteJournal {
    const TRIES: u32 = 1_000_000;
    let is_held = |said: &str| said.contains("another server is using this folder");
    for _ in 0..TRIES {
        match SqliteJournal::open(data) {
            Err(error) if is_held(&error.to_string()) => std::thread::yield_now(),
            opened => return opened.unwrap(),
        }
    }
    panic!("{} stays locked", data.display());
}

/// A folder with a journal of so many evenings of two pieces each, all settled.
pub(crate) async fn evenings(data: &Path, many: u128, names: &[&str]) {
    let journal = opened(data);
    for no in 1..=many {
        let mut evening = Evening::of(no, names);
        evening.row(true).settle().row(false).settle();
        evening.write(&journal).await;
    }
}

/// The same, and each is closed.
pub(crate) async fn closed_evenings(data: &Path, many: u128, names: &[&str]) {
    let journal = opened(data);
    for no in 1..=many {
        let mut evening = Evening::of(no, names);
        evening.row(true).settle().row(false).settle().closes();
        evening.write(&journal).await;
    }
}
