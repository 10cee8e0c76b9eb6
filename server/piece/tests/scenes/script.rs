//! A piece as text, rowed by the core alone: who did what and when, and what people then see, in words.
//!
//! The first line is the piece: `1700m`, `11:00`, `3 x 400m / 1:30`, and after a comma `own clock`, `own
//! rest`. Every other line has a time from the go, somebody's name or none, and what happened (`line.rs`
//! lists what can). What comes before the first `start` happens in the gathering.

mod line;
mod words;

use std::collections::BTreeMap;

use expect_test::Expect;
use thole_piece::{Input, Output, Session, output::Athletes};
use thole_protocol::{
    effect::Shift,
    event::{Event, Happening},
    ids::{AthleteId, CallId, CommandId, RunId},
    order::Order,
    sample::Sample,
    spec::{CallText, PieceSpec, SessionSettings, SheetCall},
    standing::AthleteResult,
    units::At,
};
use uuid::Uuid;

use line::{Line, What};

/// The go of the first start, in session time; before it people gather.
const GO: u64 = 60_000;
/// The countdown: a start is ordered this long before its go.
const COUNT: u64 = 10_000;

/// Rows the piece in `text` and compares what people see with what is expected.
#[expect(clippy::needless_pass_by_value, reason = "`check(…, expect![…])` reads best")]
pub(crate) fn check(text: &str, expected: Expect) {
    expected.assert_eq(&told(text));
}

/// What people see of the piece in `text`.
fn told(text: &str) -> String {
    let mut lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    let piece = lines.next().unwrap_or_else(|| panic!("the first line is the piece"));
    let mut spec =
        words::piece(piece).unwrap_or_else(|| panic!("nobody understands this piece: {piece}"));
    let lines: Vec<Line> = lines.map(Line::read).collect();
    let asks = lines.iter().any(|line| matches!(line.what, What::Show(_)));
    let mut scene = Scene::new();
    spec.call_sheet = lines.iter().filter_map(Scene::sheet_call).collect();
    scene.set_up(spec);
    let steps = scene.in_time(&lines);
    for (at, what) in steps {
        scene.pass_time_to(at);
        scene.happen(at, &what);
    }
    if !asks {
        scene.show("standings");
    }
    scene.told.join("\n")
}

/// A session with the people of one text.
struct Scene {
    session: Session,
    people: BTreeMap<String, AthleteId>,
    rowers: BTreeMap<String, Device>,
    sent: BTreeMap<String, CallId>,
    commands: u128,
    calls: Vec<String>,
    effects: Vec<String>,
    /// The results as the coach was told them, newest of each.
    results: BTreeMap<AthleteId, AthleteResult>,
    told: Vec<String>,
}

/// What one athlete's device knows.
#[derive(Default)]
struct Device {
    run: u128,
    seq: u32,
    /// The machine's counters as last reported.
    dm: i64,
    strokes: i64,
    /// Samples held back while the connection is lost.
    held: Option<Vec<Sample>>,
    last: Vec<Sample>,
}

/// One thing at one instant, a stretch of rowing split up into samples.
enum Step {
    Order(Order),
    Do { name: String, what: What },
    Sample { name: String, sample: Sample },
    Show(String),
}

impl Scene {
    fn new() -> Scene {
        Scene {
            session: Session::new(),
            people: BTreeMap::new(),
            rowers: BTreeMap::new(),
            sent: BTreeMap::new(),
            commands: 0,
            calls: Vec::new(),
            effects: Vec::new(),
            results: BTreeMap::new(),
            told: Vec::new(),
        }
    }

    fn set_up(&mut self, spec: PieceSpec) {
        let settings = SessionSettings::default();
        self.apply(At(0), &Input::Created { title: "A scene".to_owned(), settings, by: None });
        self.order(At(0), Order::SetPieces { pieces: vec![spec] });
    }

    /// Everything that happens, in time order; what is said before the first start happens in the gathering.
    fn in_time(&mut self, lines: &[Line]) -> Vec<(At, Step)> {
        let mut steps = Vec::new();
        let (mut gathering, mut armed) = (true, false);
        for line in lines {
            let at = GO + line.ms;
            match &line.what {
                What::Start => {
                    gathering = false;
                    if !std::mem::replace(&mut armed, false) {
                        steps.push((At(at - COUNT), Step::Order(Order::Arm)));
                    }
                    steps.push((At(at - COUNT), Step::Order(Order::Start)));
                }
                What::Order(order) => {
                    armed |= *order == Order::FalseStart;
                    let at = if gathering { at - 2 * COUNT } else { at };
                    steps.push((At(at), Step::Order(order.clone())));
                }
                What::Show(what) => steps.push((At(at), Step::Show(what.clone()))),
                What::SheetCall(_) => {}
                What::Rows { per_500m_ms, until, pause_ms } => {
                    let name = line.name.clone();
                    let row = Stretch { at, until: GO + until, per_500m_ms: *per_500m_ms };
                    self.row(&name, &row, *pause_ms, &mut steps);
                }
                What::Sample { dm, strokes, rate } => {
                    let device = self.rowers.entry(line.name.clone()).or_default();
                    device.dm = *dm;
                    let sample = device.report(at, *strokes, *rate);
                    steps.push((At(at), Step::Sample { name: line.name.clone(), sample }));
                }
                what => {
                    if let What::Resets = what {
                        let device = self.rowers.entry(line.name.clone()).or_default();
                        (device.dm, device.strokes) = (0, 0);
                    }
                    let at = if gathering { at - 2 * COUNT } else { at };
                    let step = Step::Do { name: line.name.clone(), what: what.clone() };
                    steps.push((At(at), step));
                }
            }
        }
        steps.sort_by_key(|(at, _)| *at);
        steps
    }

    fn row(&mut self, name: &str, row: &Stretch, pause: u64, steps: &mut Vec<(At, Step)>) {
        let device = self.rowers.entry(name.to_owned()).or_default();
        let from = device.dm;
        let mut at = row.at;
        while at <= row.until {
            device.dm = from + row.dm_at(at);
            if row.per_500m_ms > 0 && at > row.at {
                device.strokes += 1;
            }
            let strokes = device.strokes;
            let rate = i64::try_from(120_000 / pause).ok().filter(|_| row.per_500m_ms > 0);
            let sample = device.report(at, Some(strokes), rate);
            steps.push((At(at), Step::Sample { name: name.to_owned(), sample }));
            at += pause;
        }
    }

    fn pass_time_to(&mut self, at: At) {
        while let Some(deadline) = self.session.deadline().filter(|deadline| *deadline <= at) {
            self.apply(deadline.max(self.session.now()), &Input::Deadline);
        }
    }

    fn happen(&mut self, at: At, step: &Step) {
        match step {
            Step::Order(order) => self.order(at, order.clone()),
            Step::Show(what) => self.show(what),
            Step::Sample { name, sample } => self.sample(at, name, *sample),
            Step::Do { name, what } => self.deed(at, name, what),
        }
    }

    fn order(&mut self, at: At, order: Order) {
        self.commands += 1;
        let command = CommandId(Uuid::from_u128(self.commands));
        self.apply(at, &Input::Ordered { command, order, by: None });
    }

    fn sample(&mut self, at: At, name: &str, sample: Sample) {
        let athlete = self.person(at, name);
        let device = self.rowers.entry(name.to_owned()).or_default();
        if let Some(held) = &mut device.held {
            held.push(sample);
            return;
        }
        device.last = vec![sample];
        let run = device.run_id(athlete);
        self.apply(at, &Input::Samples { athlete, run, samples: vec![sample] });
    }

    fn deed(&mut self, at: At, name: &str, what: &What) {
        let athlete = self.person(at, name);
        let input = match what {
            What::Call(call) => {
                let mut call = (**call).clone();
                let id = CallId(Uuid::from_u128(900 + self.sent.len() as u128));
                self.sent.insert(call.text.shown.clone(), id);
                call.call = id;
                if let thole_protocol::spec::Audience::Picked { athletes } = &mut call.audience {
                    *athletes = line::picked(athletes, |name| self.person(at, name));
                }
                return self.order(at, Order::Call { call });
            }
            What::TakeBack(shown) => {
                let call = *self.sent.get(shown).unwrap_or_else(|| panic!("no call {shown:?}"));
                return self.order(at, Order::TakeBack { call });
            }
            What::Aims(aim) => {
                let piece = self.session.view(thole_piece::session::Viewer::Coach).current;
                Input::Aimed { athlete, piece, aim: aim.clone() }
            }
            What::Team(team, limit) => {
                let spec = thole_protocol::spec::AthleteSpec {
                    name: name.to_owned(),
                    team: team.clone(),
                    heart_limit_bpm: *limit,
                };
                return self.order(at, Order::ChangeAthlete { athlete, spec });
            }
            What::Restart => Input::Reopened,
            What::Joins => Input::Heard { athlete },
            What::Silent => Input::NotHeard { athlete, since: at },
            What::Today(today) => Input::Ready {
                athlete,
                cautions_read: true,
                machine: None,
                clock_bound_ms: None,
                on_board: None,
                today: Some(*today),
            },
            What::StopsRowing => Input::StopRowing { athlete },
            What::RowsOn => Input::RowOn { athlete },
            What::Consents => Input::Consent { athlete, heart_rate: true, wording: 1 },
            What::Heart(heart_bpm) => {
                let heard_ms = at.0.cast_signed();
                let readings =
                    vec![thole_protocol::sample::Reading { heard_ms, heart_bpm: *heart_bpm }];
                Input::HeartRate { athlete, readings }
            }
            What::Resets => return,
            What::Holds => {
                self.rowers.entry(name.to_owned()).or_default().held = Some(Vec::new());
                Input::NotHeard { athlete, since: at }
            }
            What::Forgets => {
                let device = self.rowers.entry(name.to_owned()).or_default();
                let run = device.run_id(athlete);
                let gone = device.held.take().unwrap_or_default();
                let seqs = gone.first().zip(gone.last()).map(|(first, last)| (first.seq, last.seq));
                let (from_seq, to_seq) = seqs.unwrap_or_else(|| panic!("{name} has nothing kept"));
                Input::Skipped { athlete, run, from_seq, to_seq }
            }
            What::Delivers { backwards } => return self.deliver(at, name, athlete, *backwards),
            What::Again => {
                let device = self.rowers.entry(name.to_owned()).or_default();
                let (run, samples) = (device.run_id(athlete), device.last.clone());
                Input::Samples { athlete, run, samples }
            }
            What::Start
            | What::Order(_)
            | What::Show(_)
            | What::SheetCall(_)
            | What::Rows { .. }
            | What::Sample { .. } => return,
        };
        self.apply(at, &input);
    }

    /// Everything that was held, in one batch or sample by sample from the last to the first.
    fn deliver(&mut self, at: At, name: &str, athlete: AthleteId, backwards: bool) {
        let device = self.rowers.entry(name.to_owned()).or_default();
        let mut samples = device.held.take().unwrap_or_default();
        let run = device.run_id(athlete);
        self.apply(at, &Input::Heard { athlete });
        if backwards {
            samples.reverse();
            for sample in samples {
                self.apply(at, &Input::Samples { athlete, run, samples: vec![sample] });
            }
        } else {
            self.apply(at, &Input::Samples { athlete, run, samples });
        }
    }

    /// Who has this name; new names join.
    fn person(&mut self, at: At, name: &str) -> AthleteId {
        if let Some(athlete) = self.people.get(name) {
            return *athlete;
        }
        let athlete = AthleteId(Uuid::from_u128(1 + self.people.len() as u128));
        if !name.is_empty() {
            self.people.insert(name.to_owned(), athlete);
            self.apply(at, &Input::Joined { athlete, name: name.to_owned(), join: None });
            self.apply(at, &Input::Heard { athlete });
        }
        athlete
    }

    fn name(&self, athlete: AthleteId) -> &str {
        self.session.name(athlete).unwrap_or("nobody")
    }

    fn sheet_call(line: &Line) -> Option<SheetCall> {
        let What::SheetCall(call) = &line.what else { return None };
        Some((**call).clone())
    }

    fn apply(&mut self, at: At, input: &Input) {
        for output in self.session.apply(at, input) {
            let time = words::clock(at, GO);
            match output {
                Output::Event { to, event } => {
                    if let (true, Happening::Results { results, .. }) = (to.coach, &event.what) {
                        self.results.extend(results.iter().map(|r| (r.athlete, r.clone())));
                    }
                    self.note(&time, &to.athletes, &event);
                }
                Output::Ack { athlete, refused, .. } => {
                    for refused in refused {
                        let why = words::snake(&refused.refusal.why);
                        let name = self.name(athlete);
                        self.told.push(format!("{time} {name}'s sample refused: {why}"));
                    }
                }
                Output::OrderRefused { refusal, .. } => {
                    self.told.push(format!("{time} refused: {}", refusal.says));
                }
                Output::Refused { athlete, refusal } => {
                    let name = self.name(athlete);
                    self.told.push(format!("{time} {name} refused: {}", refusal.says));
                }
                Output::Published
                | Output::OwnChanged { .. }
                | Output::Counted { .. }
                | Output::SettledDiffers { .. }
                | Output::Done { .. } => {}
            }
        }
    }

    /// Calls as their athletes hear them; a false start and a phase as everybody does.
    fn note(&mut self, time: &str, to: &Athletes, event: &Event) {
        let who = match to {
            Athletes::These(these) => {
                let names: Vec<&str> = these.iter().map(|id| self.name(*id)).collect();
                names.join(", ")
            }
            Athletes::All => "all".to_owned(),
            Athletes::None => "screens".to_owned(),
        };
        let late = if event.late { " late" } else { "" };
        let words = |text: &CallText| text.shown.clone();
        let note = match &event.what {
            Happening::Call { text, .. } => format!("{who} hears '{}'{late}", words(text)),
            Happening::CallArmed { text, .. } => format!("'{}' waits", words(text)),
            Happening::CallEnded { call } => format!("{who}: '{}' is over", self.call_text(*call)),
            Happening::CallTakenBack { call } => {
                format!("{who}: '{}' is taken back", self.call_text(*call))
            }
            Happening::CallSent(sent) if !sent.replaced.is_empty() => {
                let ended: Vec<&str> = sent.replaced.iter().map(|id| self.name(*id)).collect();
                format!("'{}' ended another call of {}", words(&sent.text), ended.join(", "))
            }
            Happening::CallEffect(effect) => {
                let shift = |best: f64, half: f64| format!("{best:+.1} ± {half:.1}");
                let none = || "-".to_owned();
                let speed = effect.speed.map_or_else(none, |Shift { best_ppm, half_ppm }| {
                    shift(f64::from(best_ppm) / 1e4, f64::from(half_ppm) / 1e4)
                });
                let rate = effect.rate.map_or_else(none, |rate| {
                    shift(
                        f64::from(rate.best_milli_spm) / 1e3,
                        f64::from(rate.half_milli_spm) / 1e3,
                    )
                });
                self.effects.push(format!(
                    "{time} {who}: '{}' speed {speed} %, rate {rate}, {} of {} faster, against {}",
                    self.call_text(effect.call),
                    effect.faster,
                    effect.of,
                    effect.against
                ));
                return;
            }
            _ => return,
        };
        self.calls.push(format!("{time} {note}"));
    }

    fn call_text(&self, call: CallId) -> String {
        let text = self.sent.iter().find(|(_, id)| **id == call).map(|(text, _)| text.clone());
        text.unwrap_or_else(|| "the sheet's".to_owned())
    }

    fn show(&mut self, what: &str) {
        let lines = match what {
            "calls" => std::mem::take(&mut self.calls),
            "effects" => std::mem::take(&mut self.effects),
            "told results" => {
                let results: Vec<AthleteResult> = self.results.values().cloned().collect();
                words::results(&self.session, results)
            }
            what => words::view(&self.session, what, GO),
        };
        self.told.extend(lines);
    }
}

/// Steady rowing from one instant to another; no pace means standing still.
struct Stretch {
    at: u64,
    until: u64,
    per_500m_ms: u64,
}

impl Stretch {
    fn dm_at(&self, at: u64) -> i64 {
        if self.per_500m_ms == 0 {
            return 0;
        }
        ((at - self.at) * 5_000 / self.per_500m_ms).cast_signed()
    }
}

impl Device {
    fn report(&mut self, at: u64, strokes: Option<i64>, rate_half_spm: Option<i64>) -> Sample {
        self.seq += 1;
        let heard_ms = at.cast_signed();
        let (seq, distance_dm) = (self.seq, self.dm);
        Sample { seq, heard_ms, distance_dm, strokes, rate_half_spm, ..Sample::default() }
    }

    fn run_id(&self, athlete: AthleteId) -> RunId {
        RunId(Uuid::from_u128(athlete.0.as_u128() * 1_000 + self.run))
    }
}
