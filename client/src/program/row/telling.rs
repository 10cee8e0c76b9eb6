//! What an athlete at the command line is told: countdown, calls, own standing, result.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write},
    path::{Path, PathBuf},
    time::Duration,
};

use serde_json::json;
use thole::{
    athlete::{Athlete, AthleteNews},
    clock::SessionClock,
    kept::Resumed,
    mirror::{Mirror, go_of},
    saved::{Saved, Whose, saved},
    socket::Ended,
    table::{margin_text, projected_text, result_text},
    wording::{pace_text, repeats_text, target_text},
};
use thole_protocol::{
    close::Close,
    event::{Event, Happening},
    ids::PieceNo,
    server_msg::Welcome,
    spec::Span,
    standing::{Doing, Outcome, Own, Phase},
    units::{At, Millis},
};

use crate::program::Common;

/// People are told their own standing no more often than this; scripts get every one.
const OWN_EVERY: Millis = Millis(10_000);
/// Nothing to count: look again after this long.
const IDLE: Duration = Duration::from_secs(3_600);
/// Seconds before the go that are announced.
const COUNTS: [u64; 6] = [10, 5, 4, 3, 2, 1];

/// When the program leaves by itself.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stays {
    /// When every piece of the session is over.
    AllPieces,
    /// After this many pieces.
    Pieces(u32),
    /// When the session closes.
    ToTheEnd,
}

impl Stays {
    pub(crate) fn of(pieces: Option<u32>, stay: bool) -> Stays {
        match pieces {
            _ if stay => Stays::ToTheEnd,
            Some(pieces) => Stays::Pieces(pieces),
            None => Stays::AllPieces,
        }
    }
}

/// A free file name is looked for among this many.
const FILES_MAX: u32 = 1_000;

/// A file of its own, which overwrites none.
fn write(folder: &Path, saved: &Saved) -> io::Result<PathBuf> {
    for nth in 1..FILES_MAX {
        let path = folder.join(format!("rowed-{nth}.jsonl"));
        match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(mut file) => {
                writeln!(file, "{}", serde_json::to_string(saved)?)?;
                file.sync_all()?;
                return Ok(path);
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::other(format!("{} is full of recordings", folder.display())))
}

/// Replaces what this program saved before; nothing of that is lost if the program ends in between.
fn write_anew(file: &Path, saved: &Saved) -> io::Result<()> {
    let next = file.with_extension("jsonl.next");
    fs::write(&next, format!("{}\n", serde_json::to_string(saved)?))?;
    fs::rename(next, file)
}

/// Reports what happens to an athlete.
pub(crate) struct Telling<'a> {
    common: &'a Common,
    stays: Stays,
    speed: u32,
    save_to: PathBuf,
    /// Where what was rowed has already been saved.
    saved_in: Option<PathBuf>,
    /// Why the connection was lost, as last reported; `None` until it is, and again after the next welcome.
    lost_by: Option<String>,
    mirror: Option<Mirror>,
    go: Option<At>,
    /// Which of `COUNTS` comes next.
    counted: usize,
    own_told: Option<At>,
    /// Pieces that are over for this athlete.
    over: Vec<PieceNo>,
    closed: bool,
}

impl<'a> Telling<'a> {
    pub(crate) fn new(
        common: &'a Common,
        stays: Stays,
        speed: u32,
        save_to: PathBuf,
    ) -> Telling<'a> {
        Telling {
            common,
            stays,
            speed,
            save_to,
            saved_in: None,
            lost_by: None,
            mirror: None,
            go: None,
            counted: 0,
            own_told: None,
            over: Vec::new(),
            closed: false,
        }
    }

    /// Whether nothing more is rowed here.
    pub(crate) fn may_leave(&self) -> bool {
        let over = u32::try_from(self.over.len()).unwrap_or(u32::MAX);
        let pieces = self.mirror.as_ref().map_or(0, |mirror| mirror.now().pieces.len());
        self.closed
            || match self.stays {
                Stays::ToTheEnd => false,
                Stays::Pieces(pieces) => over >= pieces,
                Stays::AllPieces => pieces > 0 && self.over.len() >= pieces,
            }
    }

    /// Whether it stays although nothing more comes from the machine.
    pub(crate) fn stays(&self) -> bool {
        self.stays == Stays::ToTheEnd
    }

    /// How long to wait for the next number of the countdown, in real time.
    pub(crate) fn next_count(&self, clock: &SessionClock) -> Duration {
        let next = || {
            let go = self.go?;
            let left = COUNTS.get(self.counted).copied().unwrap_or(0);
            clock.until(At(go.0.saturating_sub(left * 1_000)))
        };
        next().unwrap_or(IDLE)
    }

    /// Says the number whose instant has come, and at the end the go.
    pub(crate) fn count(&mut self, clock: &SessionClock) {
        let (Some(go), Some(now)) = (self.go, clock.now()) else { return };
        let left_ms = go.since(now).0;
        if left_ms == 0 {
            self.go = None;
            self.common.tell(json!({"event": "go", "go_at_ms": go}), || Some("Go.".into()));
            return;
        }
        let due = |left: &u64| go.0.saturating_sub(left * 1_000) <= now.0;
        let Some(said) = COUNTS.iter().rposition(due) else { return };
        if said >= self.counted {
            self.counted = said + 1;
            let left = COUNTS.get(said).copied().unwrap_or(0);
            self.common
                .tell(json!({"event": "count", "left_s": left}), || Some(format!("{left} …")));
        }
    }

    pub(crate) fn told(&mut self, told: &AthleteNews, pending: u32) {
        match told {
            AthleteNews::Welcome(welcome, resumed) => {
                self.lost_by = None;
                self.welcome(welcome, *resumed, pending);
            }
            AthleteNews::Event(event) => self.event(event),
            AthleteNews::Own(own) => self.own(own),
            AthleteNews::RefusedSamples(refused) => {
                let says = refused.first().map_or("", |first| first.refusal.says.as_str());
                self.common.tell(json!({"event": "refused_samples", "refused": refused}), || {
                    Some(match refused.len() {
                        1 => format!("A sample was refused: {says}"),
                        many => format!("{many} samples were refused: {says}"),
                    })
                });
            }
            AthleteNews::Refused(says) => {
                self.common.tell(json!({"event": "refused", "says": says}), || Some(says.clone()));
            }
            AthleteNews::Lost { says, again_in, .. } => {
                let again_in_ms = u64::try_from(again_in.as_millis()).unwrap_or(u64::MAX);
                let line = json!({"event": "lost", "says": says, "again_in_ms": again_in_ms});
                // A server that is away for an hour is asked hundreds of times: a person is told once.
                let is_new = self.lost_by.replace(says.clone()).as_ref() != Some(says);
                self.common.tell(line, || {
                    is_new.then(|| format!("{says} Row on: everything is kept and sent later."))
                });
            }
            AthleteNews::Ended(_) => {}
        }
    }

    pub(crate) fn ended(&self, ended: &Ended) -> Result<(), String> {
        if ended.code == Some(Close::SessionClosed.code()) {
            self.common
                .tell(json!({"event": "session_closed"}), || Some("The session is closed.".into()));
            return Ok(());
        }
        if ended.code == Some(Close::SeatTaken.code()) {
            return Err(format!("{} To take the seat, add --take-seat.", ended.says));
        }
        Err(ended.says.clone())
    }

    /// Saves what was rowed when the server knows nothing of it any more, or has not heard all of it: when this program
    /// ends, it would be gone.
    pub(crate) fn save(&mut self, ended: &Ended, athlete: &Athlete) {
        let is_unknown = ended.code == Some(Close::WrongSecret.code());
        if is_unknown || athlete.pending() > 0 {
            self.keep(athlete);
        }
    }

    /// The same while it goes on, each time the server says that it has lost records: nobody knows whether they will come
    /// back, nor how this program ends.
    pub(crate) fn save_what_is_lost(&mut self, told: &AthleteNews, athlete: &Athlete) {
        if let AthleteNews::Lost { code: Some(code), .. } = told
            && *code == Close::RecordsLost.code()
        {
            self.keep(athlete);
        }
    }

    fn keep(&mut self, athlete: &Athlete) {
        let Some(saved) = saved(&self.whose(), athlete.samples()) else { return };
        if saved.metres() <= 0.0 {
            return;
        }
        let is_new = self.saved_in.is_none();
        let written = match self.saved_in.take() {
            Some(file) => write_anew(&file, &saved).map(|()| file),
            None => write(&self.save_to, &saved),
        };
        match written {
            Ok(file) => {
                if is_new {
                    self.tell_saved(&file, saved.metres());
                }
                self.saved_in = Some(file);
            }
            Err(error) => eprintln!("What you rowed could not be saved: {error}."),
        }
    }

    fn tell_saved(&self, file: &Path, metres: f64) {
        let file = file.display().to_string();
        self.common.tell(json!({"event": "saved", "file": file, "metres": metres}), || {
            Some(format!(
                "What you rowed ({metres:.0} m) is saved in {file}. Ask your coach for a new link; if the server has \
                 lost it, it can be rowed again: thole row --from {file} --link LINK"
            ))
        });
    }

    fn whose(&self) -> Whose {
        let Some(now) = self.mirror.as_ref().map(Mirror::now) else { return Whose::default() };
        let you = now.athletes.iter().find(|view| Some(view.athlete) == now.you);
        let piece = self.mirror.as_ref().and_then(Mirror::current);
        Whose {
            id: you.map_or("athlete", |view| &view.spec.name).to_owned(),
            group: now.code.as_str().chars().filter(char::is_ascii_alphabetic).collect(),
            repeats: piece.map_or(Vec::new(), |piece| piece.spec.repeats.clone()),
            target: you.and_then(|view| view.aim.target),
            go_at_ms: piece.and_then(|piece| go_of(piece.phase)),
        }
    }

    fn welcome(&mut self, welcome: &Welcome, resumed: Resumed, pending: u32) {
        let first = self.mirror.is_none();
        self.mirror = Some(Mirror::of(welcome.clone()));
        let (server_lost, new_journal) = match resumed {
            Resumed::GoesOn { .. } => (0, false),
            Resumed::ServerLost { lost } => (lost, false),
            Resumed::NewJournal { .. } => (0, true),
        };
        let line = json!({
            "event": if first { "welcome" } else { "back" },
            "title": welcome.title, "at_ms": welcome.at_ms, "speed": welcome.speed,
            "pending": pending, "server_lost": server_lost, "new_journal": new_journal,
        });
        self.common.tell(line, || {
            Some(match resumed {
                _ if first => format!("{}: {}", welcome.title, self.piece_words()),
                Resumed::GoesOn { behind: 0 } => "Connected again.".into(),
                Resumed::GoesOn { behind: 1 } => "Connected again; 1 sample follows.".into(),
                Resumed::GoesOn { behind } => {
                    format!("Connected again; {behind} samples follow.")
                }
                Resumed::ServerLost { .. } => {
                    "Connected again; the server has lost samples that it had, and gets all of them again.".into()
                }
                Resumed::NewJournal { .. } => {
                    "Connected again; the server starts afresh and gets all samples again.".into()
                }
            })
        });
        if first && welcome.speed != 1 {
            self.rehearsal(welcome.speed);
        }
        if first && self.speed != welcome.speed && self.speed != 1 {
            eprintln!(
                "The server runs {} times as fast as real time, not {} times; its speed is used.",
                welcome.speed, self.speed
            );
        }
        if let Some(phase) = self.mirror.as_ref().and_then(Mirror::current).map(|p| p.phase) {
            self.phase(welcome.current, phase, first);
        }
        if let Some(own_result) = self.own_result_of_welcome(welcome) {
            self.over_for_me(own_result);
        }
        if welcome.closed && !self.closed {
            self.closed = true;
            self.words("The session is closed; nothing more is rowed in it.");
        }
    }

    fn rehearsal(&self, speed: u32) {
        let says = format!("REHEARSAL: this session runs {speed} times faster than real time.");
        self.common.tell(json!({"event": "rehearsal", "speed": speed}), || Some(says));
    }

    fn piece_words(&self) -> String {
        let Some(mirror) = &self.mirror else { return String::new() };
        let own = mirror.now().you.and_then(|you| mirror.athlete(you));
        let target = own.and_then(|view| view.aim.target);
        let piece = mirror
            .current()
            .map_or("no piece yet".into(), |piece| repeats_text(&piece.spec.repeats));
        match target {
            Some(target) => format!("{piece}, your target {}.", target_text(target)),
            None => format!("{piece}, without a target."),
        }
    }

    /// The piece whose own result came with the welcome, if it is over.
    fn own_result_of_welcome(&self, welcome: &Welcome) -> Option<PieceNo> {
        let piece = welcome.pieces.get(usize::from(welcome.current.0))?;
        let own = piece.results.iter().find(|result| Some(result.athlete) == welcome.you)?;
        (own.outcome == Outcome::Finished).then_some(piece.piece)
    }

    fn event(&mut self, event: &Event) {
        let aimed = self.piece_words();
        let new = self.mirror.as_mut().is_some_and(|mirror| mirror.take(event));
        if matches!(event.what, Happening::AthletesChanged { .. }) && aimed != self.piece_words() {
            self.words(&self.piece_words());
        }
        if self.common.json() {
            self.common.tell(json!({"event": "happened", "happened": event}), || None);
        }
        match &event.what {
            Happening::PhaseChanged { piece, phase } if new => self.phase(*piece, *phase, true),
            Happening::FalseStart { .. } if !event.late => {
                self.go = None;
                self.words("False start: back to the start, the coach will start again.");
            }
            Happening::Call { text, span, .. } => {
                let stands = match span {
                    Span::Strokes { strokes } => format!(" ({strokes} strokes)"),
                    Span::Time { time_ms } => format!(" ({} s)", time_ms.0 / 1_000),
                    Span::Next => String::new(),
                };
                let spoken = if text.spoken.is_empty() {
                    String::new()
                } else {
                    format!(": {}", text.spoken)
                };
                let late = if event.late { "Call while you were away: " } else { ">> " };
                self.words(&format!("{late}{}{stands}{spoken}", text.shown));
            }
            Happening::CallTakenBack { .. } => self.words("The call was taken back."),
            Happening::Results { piece, results, .. } => {
                let you = self.mirror.as_ref().and_then(|mirror| mirror.now().you);
                if let Some(result) = results.iter().find(|r| Some(r.athlete) == you) {
                    let names = self.mirror.as_ref().map(Mirror::names).unwrap_or_default();
                    let ranking =
                        self.mirror.as_ref().map(|m| m.now().settings.ranking).unwrap_or_default();
                    let text = result_text(result, &names, ranking);
                    let open = result.outcome == Outcome::Finished && result.place.is_none();
                    let later = if open && result.margin.is_some() {
                        "   (places are given when the piece is over)"
                    } else {
                        ""
                    };
                    self.words(&format!("{text}{later}"));
                    if result.outcome == Outcome::Finished {
                        self.over_for_me(*piece);
                    }
                }
            }
            Happening::SessionClosed => {
                self.closed = true;
                self.words("The session is closed.");
            }
            Happening::PhaseChanged { .. }
            | Happening::FalseStart { .. }
            | Happening::PiecesSet { .. }
            | Happening::SettingsChanged { .. }
            | Happening::AthletesChanged { .. }
            | Happening::AthletesRemoved { .. }
            | Happening::CallsPrepared { .. }
            | Happening::CallArmed { .. }
            | Happening::CallSent(_)
            | Happening::CallEnded { .. }
            | Happening::Ruled { .. }
            | Happening::Calibrated { .. }
            | Happening::Damaged(_)
            | Happening::SecondDevice { .. }
            | Happening::LooksLike { .. }
            | Happening::ClockSet { .. }
            | Happening::CallEffect(_)
            | Happening::Unknown => {}
        }
    }

    fn phase(&mut self, piece: PieceNo, phase: Phase, aloud: bool) {
        let words = match phase {
            Phase::Gathering => format!("{} The coach gets everybody ready.", self.piece_words()),
            Phase::Armed => "Sit ready: the coach may start at any moment.".into(),
            Phase::Counting { go_at_ms } => {
                (self.go, self.counted) = (Some(go_at_ms), 0);
                return;
            }
            Phase::Rowing { repeat: 0, .. } | Phase::Closing { .. } => return,
            Phase::Rowing { repeat, .. } => format!("Repeat {}: go.", repeat + 1),
            Phase::Resting { next_repeat, .. } => {
                format!("Rest; repeat {} comes next.", next_repeat + 1)
            }
            Phase::Finished { .. } => {
                self.over_for_me(piece);
                "The piece is over.".into()
            }
            Phase::Stopped { .. } => {
                self.go = None;
                self.over_for_me(piece);
                "The coach has stopped the piece; what you rowed is kept.".into()
            }
        };
        if aloud {
            self.words(&words);
        }
    }

    fn own(&mut self, own: &Own) {
        if self.common.json() {
            self.common.tell(json!({"event": "own", "own": own}), || None);
            return;
        }
        let elapsed = At(u64::from(own.elapsed_ms.0));
        let due =
            self.own_told.is_none_or(|told| elapsed < told || elapsed.since(told) >= OWN_EVERY);
        // Somebody who has stopped is not shown what would be enough.
        if own.doing != Doing::Rowing || !due || own.elapsed_ms.0 == 0 {
            return;
        }
        self.own_told = Some(elapsed);
        let ranking = self.mirror.as_ref().map(|m| m.now().settings.ranking).unwrap_or_default();
        let parts = [
            Some(format!("{:>5} m", own.done_dm.0 / 10)),
            own.pace_per_500m_ms.map(pace_text),
            own.enough_per_500m_ms.map(|pace| format!("enough {}", pace_text(pace))),
            own.projected.map(|projected| format!("heading for {}", projected_text(projected))),
            own.margin.map(|margin| margin_text(margin, ranking)),
            own.place.map(|place| format!("place {place}")),
        ];
        self.words(&parts.into_iter().flatten().collect::<Vec<_>>().join("   "));
    }

    fn over_for_me(&mut self, piece: PieceNo) {
        if !self.over.contains(&piece) {
            self.over.push(piece);
        }
    }

    fn words(&self, words: &str) {
        if !self.common.json() {
            self.common.tell(json!({}), || Some(words.to_owned()));
        }
    }
}
