//! One gathering under one join code: its roster, its pieces in their order, and what everybody may see.

mod contact;
mod damage;
mod effects;
mod follows;
mod kept;
mod lists;
mod news;
mod orders;
mod people;
mod programme;
mod questions;
mod rowing;
mod ruling;
mod seats;
mod settling;
mod timers;
mod today;
mod view;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CoachId, CommandId, DeviceId, PieceNo, RunId},
    question::Question,
    refusal::{Refusal, Why},
    sample::Durable,
    spec::{Aim, CallText, PastResult, SessionSettings},
    standing::{Calibration, Notice, Own},
    units::{At, Millis},
};

use crate::{
    aim,
    calls::Calls,
    input::Input,
    limits, name,
    notice::urgency,
    output::{Output, To},
    piece::{Look, Piece},
    plan::Course,
    projection::{Count, Forecast, Model, Width},
    roster::Athlete,
    rower::Rower,
    rulings::{self, OrderGiven},
};

pub use damage::Loss;
use effects::CallWatch;
use news::{Kept, News};
use people::People;
use programme::Programme;
use seats::Seats;
pub use seats::{CoachLink, Way};
use timers::{Timers, When};
pub use view::{View, Viewer};

/// Standings, details and notices are published this often while a piece is rowed.
const PUBLISH_EVERY: Millis = Millis(1_000);
/// Changes of the roster are told together after this long.
const ROSTER_TOLD_AFTER: Millis = Millis(250);
/// At most this many athletes in one event about the roster, so that no message grows without limit.
const ATHLETES_AN_EVENT: usize = 200;

/// A session as a pure, deterministic state machine: the same inputs give the same state to the bit.
///
/// It never fails: what makes no sense is refused by an output and changes nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Session {
    title: String,
    settings: SessionSettings,
    closed: bool,
    /// Strokes are kept no longer: pieces are what their records say.
    strokes_let_go: bool,
    now: At,
    people: People,
    programme: Programme,
    prepared: Vec<CallText>,
    calls: Calls,
    /// Calls whose effect has not been told yet.
    watch: CallWatch,
    /// Orders that were carried out, so that none is carried out twice.
    commands: BTreeSet<CommandId>,
    /// How people come to their seats.
    seats: Seats,
    /// The device of the coach that led last.
    leader: Option<DeviceId>,
    /// Which coach of the club made it; `None` while that is not known.
    made_by: Option<CoachId>,
    news: News,
    notices: Vec<Notice>,
    timers: Timers,
    /// What projects the next piece.
    forecast: Forecast,
    /// How projections have turned out on this server.
    count: Count,
    /// What the coach was last asked about targets of the current piece.
    questions: BTreeMap<AthleteId, Question>,
    /// What the journal has lost.
    damage: Vec<damage::Lost>,
}

impl Session {
    /// A session before its first input.
    #[must_use]
    pub fn new() -> Session {
        Session::default()
    }

    /// Applies one input. Never fails: what makes no sense is refused by an output.
    ///
    /// # Panics
    /// When `at` is earlier than that of an input before it: the shell hands them over in time order.
    pub fn apply(&mut self, at: At, input: &Input) -> Vec<Output> {
        assert!(self.now <= at, "the shell hands over inputs in time order");
        self.now = at;
        let mut out = Vec::new();
        self.pass_time(&mut out);
        match input {
            Input::Created { title, settings, by } => {
                self.made_by = by.as_ref().map(|by| by.coach);
                self.title.clone_from(title);
                self.settings = *settings;
            }
            Input::NamesBySight => self.people.go_by_sight(),
            Input::Projecting { model, aim_ppm, so_far } => {
                // The shell has read this model; one that cannot be used leaves the one before in force.
                if let Ok(model) = Model::of(model) {
                    self.forecast = Forecast { model: Arc::new(model), width: Width::of(*aim_ppm) };
                }
                self.count = *so_far;
            }
            Input::AthletesAdded { command, athletes } => {
                if self.has_done(*command) {
                    out.push(Output::Done { command: *command });
                } else {
                    let done = self.add_athletes(athletes, &mut out);
                    if done.is_ok() {
                        self.seats.added(*command, athletes.iter().map(|(id, _)| *id).collect());
                    }
                    self.answer(*command, done, &mut out);
                }
            }
            Input::Joined { athlete, name, join } => {
                self.join(*athlete, name, join.as_deref(), &mut out)
            }
            Input::LetIn { command, athlete, name, join } => {
                if !self.has_done(*command) {
                    self.join(*athlete, name, Some(join), &mut out);
                }
                self.answer(*command, Ok(()), &mut out);
            }
            Input::Renewed { command, whose } => {
                self.commands.insert(*command);
                self.seats.renewed(whose);
            }
            Input::CoachLinkUsed => self.seats.coach_link_used(),
            Input::AtHall { athlete, device } => {
                if self.knows(*athlete) {
                    self.seats.sits_at_hall(*athlete, *device);
                    self.roster_changed(*athlete);
                }
            }
            Input::CameByKey { athlete, person } => {
                // Whoever the coach has removed in the meantime has no seat that could be somebody's.
                if self.knows(*athlete) {
                    self.seats.came(*athlete, *person);
                }
            }
            Input::SecondDevice { athlete } => {
                let athlete = *athlete;
                self.emit(To::COACH, Happening::SecondDevice { athlete }, &mut out);
            }
            Input::Heard { athlete } => self.hear(*athlete),
            Input::NotHeard { athlete, since } => self.lose(*athlete, *since),
            Input::Reopened => self.lose_all(),
            Input::ClockSet { by_ms, devices } => self.clock_set(*by_ms, *devices, &mut out),
            Input::Samples { athlete, run, samples } => {
                self.samples(*athlete, *run, samples, &mut out);
            }
            Input::Skipped { athlete, run, from_seq, to_seq } => {
                self.skip(*athlete, *run, *from_seq, *to_seq, &mut out);
            }
            Input::HeartRate { athlete, readings } => self.feel(*athlete, readings, &mut out),
            Input::Consent { athlete, heart_rate, wording: _ } => {
                self.change(*athlete, |athlete| athlete.consent(*heart_rate));
            }
            Input::Ready { athlete, cautions_read, machine, clock_bound_ms, on_board, today } => {
                self.change(*athlete, |athlete| {
                    athlete.cautions_read = *cautions_read;
                    athlete.machine = machine.as_ref().map(|name| shortened(name));
                    athlete.clock_bound_ms = *clock_bound_ms;
                    athlete.on_board = on_board.unwrap_or(athlete.on_board);
                });
                if let Some(today) = today {
                    self.row_today(*athlete, *today, &mut out);
                }
            }
            Input::Aimed { athlete, piece, aim } => {
                // Past results are known only to those who typed them: an athlete who says nothing about them
                // leaves them as they are.
                let mut aim = aim.clone();
                if aim.history.is_empty() {
                    aim.history = self.history(*athlete, *piece);
                }
                if let Err(refusal) = self.aim(*athlete, *piece, &aim) {
                    out.push(Output::Refused { athlete: *athlete, refusal });
                }
            }
            Input::StopRowing { athlete } => self.stop_rowing(*athlete, &mut out),
            Input::RowOn { athlete } => self.row_on(*athlete, &mut out),
            Input::TookCommand { device, by: _ } => self.leader = Some(*device),
            Input::Ordered { command, order, by } => {
                if self.has_done(*command) {
                    out.push(Output::Done { command: *command });
                } else {
                    let given = OrderGiven { command: *command, by: by.clone(), at };
                    let done = self.order(given, order, &mut out);
                    self.answer(*command, done, &mut out);
                }
            }
            Input::Deadline => {}
            Input::Damaged(damaged) => self.damaged(damaged, &mut out),
            Input::StrokesLetGo => self.strokes_let_go = true,
            Input::Acknowledged { athlete, run, through_seq } => {
                self.acknowledged(*athlete, *run, *through_seq, &mut out);
            }
            Input::Settled { settled } => self.keep_settled(settled, &mut out),
        }
        self.follow_rowers(&mut out);
        self.count_finishes(&mut out);
        self.settle();
        out
    }

    /// Learns from a piece that is over how wide its intervals should have been.
    fn count_finishes(&mut self, out: &mut Vec<Output>) {
        let Session { programme, now, forecast, count, .. } = self;
        let Some(piece) = programme.current_mut() else { return };
        let Some((of_piece, width)) = piece.count_finishes(*now, forecast.width) else { return };
        forecast.width = width;
        *count = count.and(of_piece);
        out.push(Output::Counted { count: of_piece, width });
        self.emit(To::COACH, Happening::Calibrated { calibration: self.calibration() }, out);
    }

    /// How projections have turned out, as the coach is told.
    #[must_use]
    pub fn calibration(&self) -> Calibration {
        self.count.told(self.forecast.width, self.forecast.model.name())
    }

    /// The model in force from the next piece on.
    #[must_use]
    pub fn model(&self) -> &Model {
        &self.forecast.model
    }

    /// When the shell is to come back with `Input::Deadline`; `None` if only when something happens.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        let phase_turns = self.piece().and_then(Piece::deadline);
        let call_goes = self.calls.deadline();
        let effect_is_told = self.watch.deadline();
        [phase_turns, call_goes, effect_is_told, self.timers.next()].into_iter().flatten().min()
    }

    /// The instant of the last input.
    #[must_use]
    pub fn now(&self) -> At {
        self.now
    }

    /// Whether the coach has ended the session.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Whether the strokes of this session are kept no longer: its results stand as they were recorded.
    #[must_use]
    pub fn has_let_strokes_go(&self) -> bool {
        self.strokes_let_go
    }

    /// Whether this order has been carried out before.
    #[must_use]
    pub fn has_done(&self, command: CommandId) -> bool {
        self.commands.contains(&command)
    }

    /// The device of the coach that led last, if it named itself.
    #[must_use]
    pub fn leader(&self) -> Option<DeviceId> {
        self.leader
    }

    /// Which coach of the club has made it; `None` of a session that was made without a key of theirs.
    #[must_use]
    pub fn made_by(&self) -> Option<CoachId> {
        self.made_by
    }

    /// Whether this athlete is in the roster.
    #[must_use]
    pub fn knows(&self, athlete: AthleteId) -> bool {
        self.people.roster().contains_key(&athlete)
    }

    /// The name of an athlete of the roster.
    #[must_use]
    pub fn name(&self, athlete: AthleteId) -> Option<&str> {
        self.people.get(athlete).map(|athlete| athlete.spec.name.as_str())
    }

    /// How many athletes the roster has.
    #[must_use]
    pub fn athletes(&self) -> usize {
        self.people.roster().len()
    }

    /// How far a recording is durable.
    #[must_use]
    pub fn durable(&self, athlete: AthleteId, run: RunId) -> Durable {
        let nothing = || Durable { run, through_seq: 0, beyond: Vec::new() };
        self.people.get(athlete).map_or_else(nothing, |athlete| athlete.recording.durable(run))
    }

    /// An athlete's own standing in the current piece; `None` before it has begun, or for a stranger.
    #[must_use]
    pub fn own(&self, athlete: AthleteId) -> Option<Own> {
        let piece = self.piece()?;
        let known = self.people.get(athlete)?;
        let own = piece.rowers.get(&athlete)?.own(piece.no, known, piece.rule(), self.now);
        let is_ruled = piece.ruled.is_about(athlete) || piece.ruled.frozen().is_some();
        let result = piece.result_of(athlete, self.now, self.people.roster());
        Some(match result.filter(|_| is_ruled) {
            Some(result) => rulings::own(own, &result),
            None => own,
        })
    }

    fn piece(&self) -> Option<&Piece> {
        self.programme.current()
    }

    fn piece_mut(&mut self) -> Option<&mut Piece> {
        self.programme.current_mut()
    }

    fn answer(&mut self, command: CommandId, done: Result<(), Refusal>, out: &mut Vec<Output>) {
        out.push(match done {
            Ok(()) => {
                self.commands.insert(command);
                Output::Done { command }
            }
            Err(refusal) => Output::OrderRefused { command, refusal },
        });
    }

    fn emit(&mut self, to: To, what: Happening, out: &mut Vec<Output>) {
        self.emit_late(to, false, what, out);
    }

    /// The same, for something that was heard too late to be news.
    fn emit_late(&mut self, to: To, late: bool, what: Happening, out: &mut Vec<Output>) {
        let event = self.news.say(to.clone(), self.now, late, what);
        out.push(Output::Event { to, event });
    }

    fn emit_phase(&mut self, out: &mut Vec<Output>) {
        if let Some(piece) = self.piece() {
            let (piece, phase) = (piece.no, piece.phase());
            self.emit(To::EVERYBODY, Happening::PhaseChanged { piece, phase }, out);
        }
        self.publish_now(out);
    }

    /// Does everything whose time has come.
    fn pass_time(&mut self, out: &mut Vec<Output>) {
        let now = self.now;
        while self.piece_mut().is_some_and(|piece| piece.pass_time(now)) {
            self.emit_phase(out);
        }
        self.pass_calls(out);
        self.tell_effects(out);
        self.hear_out(out);
        if self.timers.take_due(When::TellRoster, now) {
            self.tell_roster(out);
        }
        if self.timers.take_due(When::Publish, now) {
            self.publish_now(out);
        }
    }

    /// Publishes standings, details and notices, and whatever else screens are told along with them.
    fn publish_now(&mut self, out: &mut Vec<Output>) {
        let Session { people, programme, settings, now, timers, .. } = self;
        let Some(piece) = programme.current_mut() else { return };
        let Look { mut notices, home, past_call } = piece.publish(*now, settings, people.roster());
        timers.set(When::Publish, piece.is_rowed().then(|| *now + PUBLISH_EVERY));
        notices.sort_by_key(|notice| (urgency(&notice.about), notice.since_ms, notice.athlete));
        self.notices = notices;
        out.push(Output::Published);
        self.tell_sheet(&past_call, out);
        self.tell_finishes(&home, out);
    }

    fn follow_rowers(&mut self, out: &mut Vec<Output>) {
        let Session { people, programme, now, .. } = self;
        let Some(piece) = programme.current_mut() else { return };
        if piece.follow_rowers(*now, people.roster()) {
            let over = piece.is_over();
            self.emit_phase(out);
            if over {
                self.end_piece(out);
            }
        }
    }

    fn change(&mut self, id: AthleteId, change: impl FnOnce(&mut Athlete)) {
        if let Some(athlete) = self.people.get_mut(id) {
            change(athlete);
            self.roster_changed(id);
        }
    }

    fn aim(&mut self, id: AthleteId, piece: PieceNo, aim: &Aim) -> Result<(), Refusal> {
        let Some(athlete) = self.people.get_mut(id) else { return unknown("athlete") };
        let Some(planned) = self.programme.get_mut(usize::from(piece.0)) else {
            return unknown("piece");
        };
        Course::of(&planned.spec, aim)
            .map_err(|refusal| of_athlete(&athlete.spec.name, refusal))?;
        let has_begun = planned.has_begun();
        if has_begun {
            // Somebody who joined after the start may still state a target until the first stroke.
            let rowed = planned.rowers.get(&id).is_none_or(Rower::has_rowed);
            if planned.is_over() || rowed {
                return refused(Why::NotNow, "The piece has begun: targets stay as they are.");
            }
        }
        athlete.aims.insert(piece, aim::with_target(&planned.spec, aim));
        athlete.left_out.remove(&piece);
        planned.admit_again(id, athlete);
        if has_begun {
            self.advance_again(id, &mut Vec::new());
        }
        self.roster_changed(id);
        Ok(())
    }

    /// What is known of an athlete's past in a piece.
    fn history(&self, id: AthleteId, piece: PieceNo) -> Vec<PastResult> {
        let aim = self.people.get(id).and_then(|athlete| athlete.aims.get(&piece));
        aim.map_or_else(Vec::new, |aim| aim.history.clone())
    }

    fn roster_changed(&mut self, id: AthleteId) {
        self.news.there_is([id]);
        self.timers.set_by(When::TellRoster, self.now + ROSTER_TOLD_AFTER);
    }
}

/// A name without what does not tell people apart: capitals, and spaces around it.
#[must_use]
pub fn folded(name: &str) -> String {
    name.trim().to_lowercase()
}

fn shortened(machine: &str) -> String {
    // It appears on the coach's list beside names: nothing in it may reverse their direction.
    let shown = machine.chars().filter(|c| !c.is_control() && !name::is_ignorable(*c));
    shown.take(limits::NAME_MAX).collect()
}

fn of_athlete(name: &str, refusal: Refusal) -> Refusal {
    Refusal { says: format!("{name}: {}", refusal.says), ..refusal }
}

fn refused<T>(why: Why, says: &str) -> Result<T, Refusal> {
    Err(Refusal { why, says: says.to_owned() })
}

fn unknown<T>(what: &str) -> Result<T, Refusal> {
    refused(Why::Unknown, &format!("There is no such {what} in this session."))
}
