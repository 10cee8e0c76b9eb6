//! Any bytes whatever: read as messages, tables, recordings, machine records, or as the life of a session. Nothing
//! may panic, and what was understood must mean the same when it is written and read again.
//!
//! The random tests of the suite and of the core, the fuzz targets and the corpus all come through here.

use thole::{
    ftms::{Joiner, counters::Counters, read_part},
    recording, roster, wording,
};
use thole_piece::{Input, Output, Session, session::Viewer};
use thole_protocol::{
    ClientMsg, ServerMsg,
    club::PersonId,
    ids::{AthleteId, CallId, CommandId, EventNo, PieceNo, RunId},
    order::Order,
    results_table::results_table,
    sample::{Reading, Sample},
    spec::{
        Aim, AthleteSpec, Audience, CallSpec, CallText, Extent, PieceSpec, Plan, Point, Repeat,
        RepeatStart, RosterEntry, SessionSettings, SheetCall, Span, StartClock, Target,
    },
    standing::{AthleteResult, Outcome},
    total::Total,
    units::{At, Bpm, Decimetres, Millis},
};
use uuid::Uuid;

/// A text that a client may send, or a server.
///
/// # Panics
/// When a message that was understood is a different one once it is written and read again.
pub fn message(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    if let Ok((msg, _)) = ClientMsg::read(text) {
        let written = serde_json::to_string(&msg).unwrap_or_default();
        assert_eq!(ClientMsg::read(&written), Ok((msg, 0)), "{text}");
    }
    if let Ok(msg) = serde_json::from_str::<ServerMsg>(text) {
        let written = serde_json::to_string(&msg).unwrap_or_default();
        assert_eq!(serde_json::from_str::<ServerMsg>(&written).ok(), Some(msg), "{text}");
    }
    if let Ok(input) = serde_json::from_str::<Input>(text) {
        let written = serde_json::to_string(&input).unwrap_or_default();
        assert_eq!(serde_json::from_str::<Input>(&written).ok(), Some(input), "{text}");
    }
}

/// A table of athletes, and whatever else people type.
///
/// # Panics
/// When an athlete of the table cannot be sent.
pub fn typed(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Ok(read) = roster::roster(&text, &[roster::By::Distance, roster::By::Time]) {
        for entry in read.entries {
            let written = serde_json::to_string(&entry).unwrap_or_default();
            assert_eq!(serde_json::from_str::<RosterEntry>(&written).ok(), Some(entry), "{text}");
        }
    }
    for line in text.lines() {
        drop((wording::duration(line), wording::distance(line), wording::past(line)));
        drop((wording::target(line), wording::plan(line), wording::sheet::call(line)));
        drop((thole_protocol::typed::piece::extent(line), wording::sheet_call(line)));
        if let Ok(repeats) = wording::repeats(line) {
            let written = wording::repeats_text(&repeats);
            assert_eq!(wording::repeats(&written), Ok(repeats), "{line} is written {written}");
        }
    }
}

/// A file of recorded pieces, packed or not, or the lines of a bridge.
pub fn recorded(bytes: &[u8]) {
    for recording in recording::read_from(bytes, "the recording").into_iter().flatten() {
        let repeats = recording.repeats();
        drop((recording.aim(), recording.rows(&repeats)));
    }
    for line in String::from_utf8_lossy(bytes).lines() {
        drop(recording::BridgeLine::read(line).map(|line| line.sample(0)));
    }
}

/// Records of a machine over Bluetooth: each is a length followed by that many bytes.
pub fn bluetooth(bytes: &[u8]) {
    let (mut joiner, mut counters, mut at) = (Joiner::default(), Counters::default(), At(0));
    let mut rest = bytes;
    while let Some((length, behind)) = rest.split_first() {
        let (value, behind) = behind.split_at(behind.len().min(usize::from(*length % 40)));
        rest = behind;
        at = at + Millis(250);
        if let Some(rowed) = read_part(value).ok().and_then(|part| joiner.take(part)) {
            let sample = counters.take(&rowed, at);
            assert!(sample.is_none_or(|sample| sample.distance_dm >= 0), "{value:?}");
        }
        assert!(counters.standing(at).is_none_or(|sample| sample.distance_dm >= 0), "{value:?}");
    }
}

/// The life of a session; returns how many finishes there were.
///
/// # Panics
/// When the journal, replayed, gives a different session, or when what it shows cannot be.
pub fn session(bytes: &[u8]) -> usize {
    let mut chance = Bytes(bytes);
    let (mut session, mut journal, mut at) = (Session::new(), Vec::new(), 0);
    let mut todo = chance.beginning();
    todo.reverse();
    while let Some((later, input)) = todo.pop().or_else(|| chance.step()) {
        at = wake(&mut session, &mut journal, at + later);
        let input = input.unwrap_or_else(|| chance.input(at));
        let stored = serde_json::to_string(&input).unwrap_or_default();
        assert_eq!(serde_json::from_str::<Input>(&stored).ok().as_ref(), Some(&input));
        told(&session.apply(At(at), &input), &session);
        journal.push((At(at), input));
    }
    wake(&mut session, &mut journal, at + 40_000);
    let mut again = Session::new();
    for (at, input) in &journal {
        again.apply(*at, input);
    }
    assert!(again == session, "a replay is another session: {journal:?}");
    shown(&session);
    session.finishes().count()
}

/// How often it may wake for one instant: what is decided then may be told at once, and so may what follows
/// from it.
const WAKES_MAX: u32 = 4;

/// Lets time pass as the shell does, up to this instant; returns which instant it is.
fn wake(session: &mut Session, journal: &mut Vec<(At, Input)>, until: u64) -> u64 {
    let (mut last, mut wakes) = (None, 0);
    while let Some(deadline) = session.deadline().filter(|deadline| deadline.0 <= until) {
        let at = deadline.max(session.now());
        session.apply(at, &Input::Deadline);
        journal.push((at, Input::Deadline));
        wakes = if last == Some(at) { wakes + 1 } else { 1 };
        last = Some(at);
        assert!(wakes <= WAKES_MAX, "it wakes for nothing at {at:?}, for {:?}", session.deadline());
    }
    until
}

/// What goes out is for somebody who is there, and is numbered consecutively.
fn told(outputs: &[Output], session: &Session) {
    for output in outputs {
        if let Output::Ack { athlete, durable, .. } = output {
            assert!(session.knows(*athlete));
            let mut last = durable.through_seq;
            for (first, through) in &durable.beyond {
                assert!(*first > last && through >= first, "{durable:?}");
                last = *through;
            }
        }
    }
}

/// Results, standings and calls as all three kinds of screens see them.
fn shown(session: &Session) {
    let overview = session.overview();
    for call in &overview.standings.calls {
        assert!(call.athletes > 0 && call.athletes as usize <= session.athletes(), "{call:?}");
    }
    let places: Vec<u32> = overview.standings.lines.iter().filter_map(|line| line.place).collect();
    assert!(places.is_sorted() && places.first().is_none_or(|first| *first == 1), "{places:?}");
    for viewer in [Viewer::Coach, Viewer::Board, Viewer::Athlete(athlete(0))] {
        let view = session.view(viewer);
        let results = || view.pieces.iter().flat_map(|piece| &piece.results);
        results().for_each(adds_up);
        let rows: usize = results().map(|result| 1 + result.splits.len()).sum();
        assert!(results_table(&view.pieces, &view.athletes).lines().count() > rows, "{view:?}");
        let numbers: Vec<EventNo> =
            session.events_after(EventNo(0), viewer).iter().map(|event| event.event).collect();
        assert!(numbers.is_sorted_by(|a, b| a < b), "{viewer:?}: {numbers:?}");
        assert!(numbers.last().is_none_or(|last| *last <= view.last_event));
    }
}

/// The splits of a finish are the finish.
fn adds_up(result: &AthleteResult) {
    if result.outcome != Outcome::Finished {
        assert_eq!(result.place, None, "{result:?}");
        return;
    }
    // Another finish was put in its place; the splits are as they were measured.
    if result.ruling.measured.is_some() {
        return;
    }
    let time: u64 = result.splits.iter().map(|split| u64::from(split.time_ms.0)).sum();
    let distance: u64 = result.splits.iter().map(|split| u64::from(split.distance_dm.0)).sum();
    assert_eq!(
        (time, distance),
        (u64::from(result.time_ms.0), u64::from(result.distance_dm.0)),
        "{result:?}"
    );
}

fn athlete(number: u64) -> AthleteId {
    AthleteId(Uuid::from_u128(1 + u128::from(number)))
}

/// Bytes decide what comes, one after the other, so that a fuzzer that changes one byte changes one thing.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&mut self) -> Option<u64> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(u64::from(*first))
    }

    /// One of this many; the first when nothing is left.
    fn below(&mut self, many: u64) -> u64 {
        self.byte().unwrap_or(0) % many
    }

    fn id(&mut self) -> Uuid {
        Uuid::from_u128(u128::from(self.below(6)))
    }

    /// Small, large, or far out of range.
    fn number(&mut self) -> u64 {
        match self.below(8) {
            0 => 0,
            1 => u64::from(u32::MAX),
            2 => 1_000 * self.below(256),
            _ => 100 * self.below(256),
        }
    }

    fn millis(&mut self) -> Millis {
        Millis(u32::try_from(self.number()).unwrap_or(u32::MAX))
    }

    fn metres(&mut self) -> Decimetres {
        Decimetres(self.millis().0)
    }

    /// In most cases somebody rows a piece, for otherwise little can happen.
    fn beginning(&mut self) -> Vec<(u64, Option<Input>)> {
        let created = Input::Created {
            title: "Any".to_owned(),
            settings: SessionSettings::default(),
            by: None,
        };
        let mut begun = vec![(0, Some(created))];
        if self.below(4) > 0 {
            let joined = (0..4).map(|nth| {
                let name = format!("Rower {nth}");
                (0, Some(Input::Joined { athlete: athlete(nth), name, join: None }))
            });
            let pieces = (0..1 + self.below(3)).map(|_| self.piece()).collect();
            let orders = [Order::SetPieces { pieces }, Order::Arm, Order::Start];
            let orders = (0..).zip(orders).map(|(nth, order)| {
                let command = CommandId(Uuid::from_u128(500 + nth));
                (1_000, Some(Input::Ordered { command, order, by: None }))
            });
            begun.extend(joined.chain(orders));
        }
        begun
    }

    /// How much later the next thing happens; `None` at the end.
    fn step(&mut self) -> Option<(u64, Option<Input>)> {
        let later = [0, 1, 250, 1_000, 2_500, 2_500, 10_000, 60_000];
        let later = later.get(usize::try_from(self.byte()? % 8).ok()?).copied()?;
        Some((later, None))
    }

    fn input(&mut self, now: u64) -> Input {
        let athlete = athlete(self.below(4));
        let run = RunId(Uuid::from_u128(athlete.0.as_u128() * 100 + u128::from(self.below(2))));
        match self.below(20) {
            0 => {
                let athletes = (0..self.below(3)).map(|_| self.entry()).collect();
                Input::AthletesAdded { command: CommandId(self.id()), athletes }
            }
            1 if now.is_multiple_of(3) => Input::CameByKey { athlete, person: PersonId(athlete.0) },
            1 => Input::Joined { athlete, name: self.name(), join: None },
            2 => Input::Heard { athlete },
            3 => Input::NotHeard { athlete, since: At(now.saturating_sub(self.number())) },
            4 if self.below(4) == 0 => Input::ClockSet {
                by_ms: (self.below(2) == 0).then(|| self.number().cast_signed()),
                devices: 3,
            },
            4 => Input::Reopened,
            5 => {
                let (from_seq, to_seq) = (self.millis().0, self.millis().0);
                Input::Skipped { athlete, run, from_seq, to_seq }
            }
            6 => {
                let (heard_ms, heart_bpm) = (now.cast_signed(), self.below(250).cast_signed());
                Input::HeartRate { athlete, readings: vec![Reading { heard_ms, heart_bpm }] }
            }
            7 => Input::Consent { athlete, heart_rate: self.below(2) == 0, wording: 1 },
            8 => {
                let piece = PieceNo(u16::try_from(self.below(3)).unwrap_or(0));
                Input::Aimed { athlete, piece, aim: self.aim() }
            }
            9 => Input::StopRowing { athlete },
            10 => Input::RowOn { athlete },
            11..=14 => Input::Ordered {
                command: CommandId(self.command(now)),
                order: self.order(),
                by: None,
            },
            _ => Input::Samples { athlete, run, samples: self.samples(now) },
        }
    }

    /// Usually new, now and then one that has occurred before.
    fn command(&mut self, now: u64) -> Uuid {
        if self.below(8) == 0 { self.id() } else { Uuid::from_u128(1_000 + u128::from(now)) }
    }

    /// A stretch of strokes up to now, mostly the kind that people row.
    fn samples(&mut self, now: u64) -> Vec<Sample> {
        let (first, many, pace) = (self.below(64), 1 + self.below(16), 20 + self.below(30));
        let odd = self.below(24);
        let sample = |nth: u64| {
            let seq = u32::try_from(1 + first * 4 + nth).unwrap_or(1);
            let ago = (many - nth) * 2_500;
            let heard = now.cast_signed() - ago.cast_signed();
            let distance = (now.saturating_sub(ago) * pace / 1_000).cast_signed();
            let mut sample = Sample {
                seq,
                heard_ms: heard,
                distance_dm: distance,
                elapsed_ms: (odd == 1).then_some(heard),
                strokes: (odd > 4).then(|| i64::from(seq)),
                rate_half_spm: (odd > 8).then_some(52),
                power_w: None,
            };
            match odd {
                2 => sample.distance_dm = i64::MIN,
                3 => sample.heard_ms = i64::MAX,
                4 => sample.distance_dm = nth.cast_signed(),
                _ => {}
            }
            sample
        };
        (0..many).map(sample).collect()
    }

    fn name(&mut self) -> String {
        let names = ["Ana", "ana ", "Bo", "Cy", "", "\u{200b}"];
        let name = names.get(usize::try_from(self.below(6)).unwrap_or(0));
        name.copied().unwrap_or_default().to_owned()
    }

    fn entry(&mut self) -> (AthleteId, RosterEntry) {
        let team = (self.below(2) == 0).then(|| self.name());
        let heart_limit_bpm = (self.below(2) == 0).then_some(Bpm(170));
        let spec = AthleteSpec { name: self.name(), team, heart_limit_bpm };
        (athlete(self.below(4)), RosterEntry { spec, aims: vec![self.aim()] })
    }

    fn aim(&mut self) -> Aim {
        let target = match self.below(5) {
            0 => None,
            1 => Some(Target::Pace { per_500m_ms: self.millis() }),
            2 => Some(Target::Distance { distance_dm: self.metres() }),
            3 => Some(Target::Pace { per_500m_ms: Millis(120_000) }),
            _ => Some(Target::Finish { finish_ms: self.millis() }),
        };
        let plan = [Plan::Even, Plan::FastStart, Plan::NegativeSplit];
        let plan = plan.get(usize::try_from(self.below(3)).unwrap_or(0)).cloned();
        Aim { target, plan: plan.unwrap_or_default(), history: Vec::new() }
    }

    fn piece(&mut self) -> PieceSpec {
        let work = match self.below(4) {
            0 => Extent::Time { time_ms: Millis(10_000 + self.millis().0 % 100_000) },
            1 => Extent::Distance { distance_dm: self.metres() },
            _ => Extent::Distance { distance_dm: Decimetres(1_000 + self.metres().0 % 5_000) },
        };
        let repeat = Repeat { work, rest_ms: Millis(5_000 + self.millis().0 % 60_000) };
        let many = usize::try_from(1 + self.below(3)).unwrap_or(1);
        let mut piece = PieceSpec::of(vec![repeat; many]);
        piece.count_ms = Millis(5_000);
        if self.below(3) == 0 {
            piece.clock = StartClock::OwnFirstStroke;
        }
        if self.below(3) == 0 {
            piece.repeat_start = RepeatStart::OwnRest;
        }
        if self.below(2) == 0 {
            let at = Point::DistanceDone { distance_dm: Decimetres(500) };
            let (text, audience, span) = (text(), self.audience(), self.span());
            piece.call_sheet = vec![SheetCall { at, text, audience, span }];
        }
        piece
    }

    fn audience(&mut self) -> Audience {
        match self.below(4) {
            0 => Audience::Behind,
            1 => Audience::Team { team: self.name() },
            2 => Audience::Picked { athletes: vec![athlete(self.below(4))] },
            _ => Audience::All,
        }
    }

    fn span(&mut self) -> Span {
        match self.below(3) {
            0 => Span::Next,
            1 => Span::Time { time_ms: self.millis() },
            _ => Span::Strokes { strokes: u16::try_from(self.below(40)).unwrap_or(1) },
        }
    }

    fn ruling(&mut self, athlete: AthleteId) -> Order {
        let piece = PieceNo(u16::try_from(self.below(3)).unwrap_or(0));
        let reason = "because".to_owned();
        match self.below(6) {
            0 => Order::MakeOfficial { piece },
            1 => Order::Reopen { piece, reason },
            2 => {
                let finish = Total::Time { finish_ms: self.millis() };
                Order::CorrectResult { piece, athlete, finish, reason }
            }
            3 => {
                let target = Some(Target::Finish { finish_ms: self.millis() });
                Order::CorrectTarget { piece, athlete, target, reason }
            }
            4 => Order::Exclude { piece, athlete, reason },
            _ => Order::Unrank { piece, athlete, reason },
        }
    }

    fn order(&mut self) -> Order {
        let athlete = athlete(self.below(4));
        match self.below(23) {
            20 | 21 => self.ruling(athlete),
            22 => Order::Undo { ruling: CommandId(self.id()) },
            0 | 1 => {
                let pieces = (0..1 + self.below(3)).map(|_| self.piece()).collect();
                Order::SetPieces { pieces }
            }
            2..=4 => Order::Arm,
            5 => Order::Disarm,
            6..=8 => Order::Start,
            9 => Order::FalseStart,
            10 => Order::NextRepeat,
            11 => Order::Stop,
            12 => Order::Close,
            13 => Order::NextPiece,
            14 => Order::RemoveAthlete { athlete },
            15 => Order::ChangeAthlete { athlete, spec: self.entry().1.spec },
            16 => Order::TakeBack { call: CallId(self.id()) },
            17 => {
                let grace_ms = self.millis();
                Order::Settings { settings: SessionSettings { grace_ms, ..Default::default() } }
            }
            18 if self.below(8) == 0 => Order::CloseSession,
            _ => {
                let (call, grace_ms) =
                    (CallId(self.id()), (self.below(2) == 0).then_some(Millis(0)));
                let (audience, span) = (self.audience(), self.span());
                Order::Call { call: CallSpec { call, text: text(), audience, span, grace_ms } }
            }
        }
    }
}

fn text() -> CallText {
    CallText { shown: "Sit tall".to_owned(), spoken: String::new() }
}
