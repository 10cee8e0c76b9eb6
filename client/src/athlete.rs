//! An athlete's place in a session: what the machine says is recorded here, kept, and sent until the server
//! has it for good.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{AimAt, Consent, HeartRate, Ready, Role},
    event::{Event, Happening},
    ids::{AthleteId, CommandId, DeviceId, PieceNo, RunId},
    sample::{Reading, RefusedSample, Sample},
    server_msg::Welcome,
    spec::Today,
    standing::{Own, Phase},
    units::At,
};
use tokio::time::sleep;
use uuid::Uuid;

use crate::{
    clock::{SessionClock, in_life},
    kept::{BATCH_MAX, Kept, Next, Resumed},
    link::{Link, LinkConfig, LinkNews},
    mirror::go_of,
    own_aim::{Aiming, OwnAim},
    socket::{Dial, Ended},
};

/// Version of the wording under which heart rate is passed on (`cautions::HEART_RATE`).
const CONSENT_WORDING: u16 = 1;
/// Heart-rate readings that wait while there is no connection: half an hour at one every three seconds.
const READINGS_MAX: usize = 600;
/// When a link is too busy to take a message, it is tried again after this long.
const BUSY: Duration = Duration::from_millis(20);
/// Longest sleep without looking at what is due.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Who rows, and what they have agreed to.
#[derive(Clone, Debug)]
pub struct AthleteConfig {
    /// How the server is reached.
    pub dial: Dial,
    /// The athlete's secret.
    pub secret: String,
    /// Takes the seat even if another device is heard in it.
    pub take_seat: bool,
    /// How fast the session is assumed to run until the server has said.
    pub speed: u32,
    /// The cautions were read and accepted.
    pub cautions_read: bool,
    /// What machine is linked, in words.
    pub machine: Option<String>,
    /// Heart rate may be passed on to the coach.
    pub share_heart_rate: bool,
    /// The athlete's own target and plan.
    pub aim: OwnAim,
    /// How the athlete rows today; `None` leaves it as the server has it.
    pub today: Option<Today>,
    /// Seed of the jitter.
    pub seed: u64,
}

/// What an athlete is told.
#[derive(Clone, Debug)]
pub enum AthleteNews {
    /// Connected: everything now true, and how the recording was taken up again.
    Welcome(Box<Welcome>, Resumed),
    /// Something happened.
    Event(Event),
    /// The athlete's own standing.
    Own(Own),
    /// Samples that the server refused.
    RefusedSamples(Vec<RefusedSample>),
    /// Something else that was refused, in one sentence.
    Refused(String),
    /// The connection was lost; nothing is lost by that.
    Lost {
        /// Why.
        says: String,
        /// The close code; `None` when there was none.
        code: Option<u16>,
        /// When it is tried again, in real time.
        again_in: Duration,
    },
    /// The link has ended for good.
    Ended(Ended),
}

/// An athlete's place in a session.
#[derive(Debug)]
pub struct Athlete {
    link: Link,
    kept: Kept,
    config: AthleteConfig,
    connection: Option<u64>,
    you: Option<AthleteId>,
    /// What is to be said once on this connection, oldest first.
    to_say: VecDeque<ClientMsg>,
    /// What has not been answered yet: it is said again after a lost connection.
    unanswered: Vec<(CommandId, ClientMsg)>,
    readings: VecDeque<Reading>,
    told: VecDeque<AthleteNews>,
    aiming: Aiming,
    /// Which piece is on, and when its go is or was.
    rows: Option<(PieceNo, Option<At>)>,
    ended: bool,
}

impl Athlete {
    /// Starts connecting, with a new recording.
    #[must_use]
    pub fn open(config: AthleteConfig) -> Athlete {
        let run = RunId(Uuid::new_v4());
        let aiming = Aiming::new(config.aim.clone());
        let link = Link::open(LinkConfig {
            dial: config.dial.clone(),
            role: Role::Athlete,
            secret: config.secret.clone(),
            code: None,
            run: Some(run),
            device: Some(DeviceId(Uuid::new_v4())),
            take_seat: config.take_seat,
            speed: config.speed,
            seed: config.seed,
        });
        Athlete {
            link,
            kept: Kept::new(run),
            config,
            connection: None,
            you: None,
            to_say: VecDeque::new(),
            unanswered: Vec::new(),
            readings: VecDeque::new(),
            told: VecDeque::new(),
            aiming,
            rows: None,
            ended: false,
        }
    }

    /// Records what the machine said; it is sent once its instant has come, connected or not.
    pub fn record(&mut self, sample: Sample) {
        self.kept.record(sample);
    }

    /// Records heart rate; without consent it goes nowhere.
    pub fn record_heart(&mut self, reading: Reading) {
        if self.config.share_heart_rate {
            if self.readings.len() == READINGS_MAX {
                self.readings.pop_front();
            }
            self.readings.push_back(reading);
        }
    }

    /// Says what machine is linked now, in words; `None` while there is none.
    pub fn link_machine(&mut self, machine: Option<String>) {
        if self.config.machine != machine {
            self.config.machine = machine;
            if self.connection.is_some() {
                self.say_ready();
            }
        }
    }

    /// Says that this athlete stops rowing the piece; it is heard once the connection is there.
    pub fn stop_rowing(&mut self) {
        self.ask(|command| ClientMsg::StopRowing { command });
    }

    /// Samples that are not known to be durable yet.
    #[must_use]
    pub fn pending(&self) -> u32 {
        self.kept.pending()
    }

    /// Everything this device has of the recording, durable or not.
    pub fn samples(&self) -> impl Iterator<Item = &Sample> {
        self.kept.samples()
    }

    /// The session's clock.
    #[must_use]
    pub fn clock(&self) -> &SessionClock {
        self.link.clock()
    }

    /// Who this is, once the server has said so.
    #[must_use]
    pub fn you(&self) -> Option<AthleteId> {
        self.you
    }

    /// Drops the connection for this long, in real time: for rehearsal.
    pub fn leave(&mut self, life: Duration) {
        if self.link.leave(life).is_ok() {
            self.connection = None;
        }
    }

    /// Sends what is due and waits for news; `None` after `AthleteNews::Ended`. Nothing is lost when the wait
    /// is given up.
    pub async fn next(&mut self) -> Option<AthleteNews> {
        loop {
            if let Some(told) = self.told.pop_front() {
                return Some(told);
            }
            if self.ended {
                return None;
            }
            let wait = self.send_due();
            tokio::select! {
                news = self.link.next() => match news {
                    Some(news) => self.hear(news),
                    None => self.ended = true,
                },
                () = sleep(wait) => {}
            }
        }
    }

    /// Sends what is due; returns how long to wait before looking again, in real time.
    fn send_due(&mut self) -> Duration {
        let Some(connection) = self.connection else { return LOOK_EVERY };
        while let Some(msg) = self.to_say.front() {
            if self.link.say(connection, msg.clone()).is_err() {
                return BUSY;
            }
            self.to_say.pop_front();
        }
        if !self.readings.is_empty() {
            let batch = self.readings.len().min(BATCH_MAX);
            let readings: Vec<Reading> = self.readings.iter().take(batch).copied().collect();
            if self.link.say(connection, ClientMsg::HeartRate(HeartRate { readings })).is_err() {
                return BUSY;
            }
            self.readings.drain(..batch);
        }
        let clock = self.link.clock().clone();
        let Some(past) = clock.surely_past() else { return LOOK_EVERY };
        let now_ms = clock.local_ms();
        while let Some(next) = self.kept.next(past, now_ms) {
            let msg = match next {
                Next::Samples(samples) => ClientMsg::Samples(samples),
                Next::Skip(skip) => ClientMsg::Skip(skip),
            };
            if self.link.say(connection, msg).is_err() {
                self.kept.unsent();
                return BUSY;
            }
        }
        let resend = self
            .kept
            .resend_at_ms()
            .map(|at| in_life(Duration::from_millis(at.saturating_sub(now_ms) + 1), clock.speed()));
        let unsent = self.kept.next_unsent().and_then(|at| {
            let bound = clock.bound()?;
            clock.until(at + bound)
        });
        [resend, unsent].into_iter().flatten().fold(LOOK_EVERY, Duration::min)
    }

    fn hear(&mut self, news: LinkNews) {
        match news {
            LinkNews::Welcome { connection, welcome } => self.welcomed(connection, welcome),
            LinkNews::Said(msg) => self.said(msg),
            LinkNews::ClockSet => self.say_ready(),
            LinkNews::Lost { says, code, again_in } => {
                self.connection = None;
                self.told.push_back(AthleteNews::Lost { says, code, again_in });
            }
            LinkNews::Ended(ended) => {
                self.connection = None;
                self.ended = true;
                self.told.push_back(AthleteNews::Ended(ended));
            }
        }
    }

    fn welcomed(&mut self, connection: u64, welcome: Box<Welcome>) {
        let resumed = self.kept.welcomed(&welcome.epoch, welcome.durable.as_ref());
        self.connection = Some(connection);
        self.you = welcome.you;
        let own = welcome.athletes.iter().find(|view| Some(view.athlete) == welcome.you);
        if self.config.share_heart_rate && !own.is_some_and(|view| view.heart_rate) {
            self.ask_anew(
                |msg| matches!(msg, ClientMsg::Consent(_)),
                |command| {
                    let wording = CONSENT_WORDING;
                    ClientMsg::Consent(Consent { heart_rate: true, wording, command })
                },
            );
        }
        if let Some(view) = welcome.pieces.iter().find(|view| view.piece == welcome.current) {
            self.rows(view.piece, view.phase);
        }
        // What waited for this connection, and what was lost with the one before.
        let unanswered = std::mem::take(&mut self.unanswered);
        self.to_say.retain(|msg| !unanswered.iter().any(|(_, asked)| asked == msg));
        self.to_say.extend(unanswered.iter().map(|(_, msg)| msg.clone()));
        self.unanswered = unanswered;
        if let Some(aim) = self.aiming.welcomed(&welcome) {
            self.aim(aim);
        }
        self.told.push_back(AthleteNews::Welcome(welcome, resumed));
    }

    /// Says something until it is answered.
    fn ask(&mut self, make: impl FnOnce(Option<CommandId>) -> ClientMsg) {
        let command = CommandId(Uuid::new_v4());
        let msg = make(Some(command));
        self.to_say.push_back(msg.clone());
        self.unanswered.push((command, msg));
    }

    /// A newer target takes the place of one that has not been answered.
    fn aim(&mut self, aim: AimAt) {
        let piece = aim.piece;
        self.ask_anew(
            |msg| matches!(msg, ClientMsg::Aim(of) if of.piece == piece),
            |command| ClientMsg::Aim(AimAt { command, ..aim }),
        );
    }

    /// Says something until it is answered, in place of anything of its kind that has not been answered yet.
    fn ask_anew(
        &mut self,
        is_older: impl Fn(&ClientMsg) -> bool,
        make: impl FnOnce(Option<CommandId>) -> ClientMsg,
    ) {
        self.unanswered.retain(|(_, msg)| !is_older(msg));
        self.to_say.retain(|msg| !is_older(msg));
        self.ask(make);
    }

    fn say_ready(&mut self) {
        let cautions_read = self.config.cautions_read;
        let machine = self.config.machine.clone();
        let today = self.config.today;
        let clock_bound_ms = self.link.clock().bound();
        self.ask_anew(
            |msg| matches!(msg, ClientMsg::Ready(_)),
            |command| {
                let on_board = None;
                ClientMsg::Ready(Ready {
                    cautions_read,
                    machine,
                    clock_bound_ms,
                    on_board,
                    today,
                    command,
                })
            },
        );
    }

    /// Which attempt at which piece is on. Whoever stopped in another one has not stopped in this one.
    fn rows(&mut self, piece: PieceNo, phase: Phase) {
        let go = go_of(phase);
        let before = self.rows.replace((piece, go));
        let is_other = before.is_some_and(|(of, at)| of != piece || at.is_some() && at != go);
        if is_other {
            let is_stop = |msg: &ClientMsg| matches!(msg, ClientMsg::StopRowing { .. });
            self.unanswered.retain(|(_, msg)| !is_stop(msg));
            self.to_say.retain(|msg| !is_stop(msg));
        }
    }

    fn said(&mut self, msg: ServerMsg) {
        if let ServerMsg::Ack(ack) = msg {
            let now_ms = self.link.clock().local_ms();
            self.kept.acknowledged(&ack.durable, now_ms);
            if !ack.refused.is_empty() {
                self.told.push_back(AthleteNews::RefusedSamples(ack.refused));
            }
            self.happened(ack.events);
            self.told.extend(ack.own.map(AthleteNews::Own));
        } else if let ServerMsg::Events { events } = msg {
            self.happened(events);
        } else if let ServerMsg::Own(own) = msg {
            self.told.push_back(AthleteNews::Own(own));
        } else if let ServerMsg::Done { command } = msg {
            self.unanswered.retain(|(asked, _)| *asked != command);
        } else if let ServerMsg::Refused { command, refusal } = msg {
            self.unanswered.retain(|(asked, _)| Some(*asked) != command);
            self.told.push_back(AthleteNews::Refused(refusal.says));
        }
    }

    fn happened(&mut self, events: Vec<Event>) {
        for event in events {
            if let Some(aim) = self.aiming.happened(&event.what) {
                self.aim(aim);
            }
            if let Happening::PhaseChanged { piece, phase } = event.what {
                self.rows(piece, phase);
            }
            self.told.push_back(AthleteNews::Event(event));
        }
    }

    /// The results up to this instant are final: their samples are no longer kept.
    pub fn forget(&mut self, through: At) {
        self.kept.forget(through);
    }
}
