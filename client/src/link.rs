//! A link to a session that holds: it comes back after every loss and says so.
//!
//! One task owns the connection. What is said is sent on the connection it was said for and on no other, so
//! that nobody accidentally repeats what a new connection has made wrong; whoever must be heard says it again
//! after `LinkNews::Welcome`.

use std::time::Duration;

use thole_protocol::{
    ClientMsg, ServerMsg, VERSION,
    client_msg::{ClockQuestion, Hello, Role},
    close::OnClose,
    event::Event,
    ids::{DeviceId, EventNo, JoinCode, RunId},
    server_msg::Welcome,
};
use tokio::{
    sync::{mpsc, watch},
    time::{sleep, timeout},
};

use crate::{
    backoff::Backoff,
    chance::Chance,
    clock::{ClockFilter, Estimate, Exchange, LocalClock, Reckoning, SessionClock, in_life},
    socket::{Dial, Ended, Heard, Socket},
};

/// Messages waiting to leave; beyond that, whoever says more is told to wait.
const SAY_MAX: usize = 64;
/// News waiting to be read; beyond that the connection is read no faster than they are.
const NEWS_MAX: usize = 256;
/// A heartbeat goes out when nothing else did for this long.
const HEARTBEAT_US: u64 = 1_000_000;
/// A connection that is silent for this long is abandoned.
const SILENCE_US: u64 = 6_000_000;
/// However fast the session runs, a busy machine gets this much real time to answer.
const SILENCE_LEAST: Duration = Duration::from_secs(2);
/// How long an answer to `hello` may take, in real time.
const WELCOME_LIMIT: Duration = Duration::from_secs(10);
/// Questions to the clock when a connection begins …
const QUESTIONS_AT_FIRST: u32 = 8;
/// … this far apart, a shortened form of RFC 5905's burst …
const QUESTION_APART_US: u64 = 60_000;
/// … and later one every so often.
const QUESTION_EVERY_US: u64 = 15_000_000;

/// Who connects, and how.
#[derive(Clone, Debug)]
pub struct LinkConfig {
    /// How the server is reached.
    pub dial: Dial,
    /// In which role.
    pub role: Role,
    /// The secret; of a coach with a code, their own key of the club also opens the session.
    pub secret: String,
    /// The join code of the session that a coach comes to, if the link has one.
    pub code: Option<JoinCode>,
    /// An athlete's recording.
    pub run: Option<RunId>,
    /// Which device this is; `None` for a board.
    pub device: Option<DeviceId>,
    /// Takes an athlete's seat even if another device is heard in it. Once let in it has the seat: should another device
    /// take it over, this one does not take it back by itself.
    pub take_seat: bool,
    /// How fast the session is assumed to run until the server has said.
    pub speed: u32,
    /// Seed of the jitter.
    pub seed: u64,
}

/// What a link tells.
#[derive(Clone, Debug)]
pub enum LinkNews {
    /// Connected: everything now true.
    Welcome {
        /// Counts connections: what is said for an older one is not sent.
        connection: u64,
        /// The message.
        welcome: Box<Welcome>,
    },
    /// The server said something; events are those that were not told before, in order.
    Said(ServerMsg),
    /// The clock has been asked often enough to be trusted.
    ClockSet,
    /// The connection was lost; the link comes back by itself.
    Lost {
        /// Why, in one sentence.
        says: String,
        /// The close code; `None` when there was none.
        code: Option<u16>,
        /// When it tries again, in real time.
        again_in: Duration,
    },
    /// The link has ended for good.
    Ended(Ended),
}

/// It cannot be said now: not connected, or too much is waiting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotNow;

enum Letter {
    Say(u64, ClientMsg),
    Leave(Duration),
    /// Used from the next connection on.
    Secret(String),
}

/// A link that holds. Dropping it says good-bye.
#[derive(Debug)]
pub struct Link {
    outgoing: mpsc::Sender<Letter>,
    news: mpsc::Receiver<LinkNews>,
    clock: SessionClock,
}

impl Link {
    /// Starts connecting.
    #[must_use]
    pub fn open(config: LinkConfig) -> Link {
        let (outgoing, said) = mpsc::channel(SAY_MAX);
        let (tell, news) = mpsc::channel(NEWS_MAX);
        let local = LocalClock::begin();
        let (reckoning, believed) =
            watch::channel(Reckoning { speed: config.speed.max(1), estimate: None });
        let keeper = Keeper {
            backoff: Backoff::new(Chance::seeded(config.seed)),
            config,
            said,
            tell,
            local,
            reckoning,
            filter: ClockFilter::default(),
            last_event: EventNo(0),
            acked: 0,
            epoch: None,
            connection: 0,
        };
        tokio::spawn(keeper.keep());
        Link { outgoing, news, clock: SessionClock::new(local, believed) }
    }

    /// Says something on the connection of this number.
    ///
    /// # Errors
    /// `NotNow` when too much is waiting; say it again later.
    pub fn say(&self, connection: u64, msg: ClientMsg) -> Result<(), NotNow> {
        self.outgoing.try_send(Letter::Say(connection, msg)).map_err(|_| NotNow)
    }

    /// Drops the connection for this long, as a phone in a lift does: for rehearsal.
    ///
    /// # Errors
    /// `NotNow` when too much is waiting.
    pub fn leave(&self, life: Duration) -> Result<(), NotNow> {
        self.outgoing.try_send(Letter::Leave(life)).map_err(|_| NotNow)
    }

    /// Uses another secret from the next connection on.
    ///
    /// # Errors
    /// `NotNow` when too much is waiting.
    pub fn comes_by(&self, secret: String) -> Result<(), NotNow> {
        self.outgoing.try_send(Letter::Secret(secret)).map_err(|_| NotNow)
    }

    /// Waits for the next news; `None` after `Ended`. Nothing is lost when the wait is given up.
    pub async fn next(&mut self) -> Option<LinkNews> {
        self.news.recv().await
    }

    /// The session's clock.
    #[must_use]
    pub fn clock(&self) -> &SessionClock {
        &self.clock
    }
}

/// Nobody holds the link any more.
struct NobodyHolds;

/// Why a connection is no longer used.
enum Over {
    Lost(Ended),
    /// Dropped on purpose, for this long.
    Left(Duration),
    Nobody,
}

impl From<Ended> for Over {
    fn from(ended: Ended) -> Over {
        Over::Lost(ended)
    }
}

impl From<NobodyHolds> for Over {
    fn from(_: NobodyHolds) -> Over {
        Over::Nobody
    }
}

/// Owns the connection of a link.
struct Keeper {
    config: LinkConfig,
    said: mpsc::Receiver<Letter>,
    tell: mpsc::Sender<LinkNews>,
    local: LocalClock,
    reckoning: watch::Sender<Reckoning>,
    filter: ClockFilter,
    backoff: Backoff,
    last_event: EventNo,
    /// The last sample of the recording that was acknowledged.
    acked: u32,
    epoch: Option<String>,
    connection: u64,
}

/// When what is due on one connection, on this device's own clock.
struct Due {
    heard_us: u64,
    sent_us: u64,
    question_us: u64,
    questions: u32,
    told_clock: bool,
    restart: Option<Duration>,
}

impl Keeper {
    async fn keep(mut self) {
        loop {
            let mut restart = None;
            let over = match self.connect().await {
                Ok((socket, welcome)) => self.hold(socket, welcome, &mut restart).await,
                Err(over) => over,
            };
            let (ended, again_in) = match over {
                Over::Nobody => return,
                Over::Left(life) => {
                    (Ended::without_code("The connection was dropped on purpose."), life)
                }
                Over::Lost(ended) => {
                    if ended.advice() == OnClose::Stop {
                        // If nobody is listening that is not a failure: there is nothing left to tell.
                        drop(self.tell.send(LinkNews::Ended(ended)).await);
                        return;
                    }
                    let wait = in_life(self.backoff.wait(), self.speed());
                    (ended, wait + restart.unwrap_or_default())
                }
            };
            let lost = LinkNews::Lost { says: ended.says, code: ended.code, again_in };
            if self.tell.send(lost).await.is_err() || self.wait(again_in).await.is_err() {
                return;
            }
        }
    }

    /// Waits; what is said in the meantime goes nowhere, since there is no connection to say it on.
    async fn wait(&mut self, life: Duration) -> Result<(), NobodyHolds> {
        let wait = sleep(life);
        tokio::pin!(wait);
        loop {
            tokio::select! {
                () = &mut wait => return Ok(()),
                out = self.said.recv() => match out {
                    None => return Err(NobodyHolds),
                    Some(Letter::Secret(secret)) => self.config.secret = secret,
                    Some(Letter::Say(..) | Letter::Leave(_)) => {}
                },
            }
        }
    }

    async fn connect(&mut self) -> Result<(Socket, Box<Welcome>), Over> {
        let mut socket = Socket::connect(&self.config.dial).await?;
        let hello = ClientMsg::Hello(Hello {
            version_min: VERSION,
            version_max: VERSION,
            role: self.config.role,
            secret: self.config.secret.clone(),
            code: self.config.code.clone(),
            run: self.config.run,
            at_ms: SessionClock::new(self.local, self.reckoning.subscribe()).now(),
            unacked_seq: self.config.run.map(|_| self.acked + 1),
            device: self.config.device,
            take_seat: self.config.take_seat,
            last_event: self.last_event,
        });
        socket.send(&hello).await?;
        let welcome = timeout(WELCOME_LIMIT, async {
            loop {
                if let Heard::Said(msg) = socket.next().await? {
                    if let ServerMsg::Welcome(welcome) = msg {
                        return Ok(welcome);
                    }
                    if let ServerMsg::Refused { refusal, .. } = msg {
                        return Err(Ended::without_code(refusal.says));
                    }
                }
            }
        });
        let late = |_| Ended::without_code("The server took too long to let this device in.");
        let welcome = welcome.await.map_err(late)??;
        Ok((socket, welcome))
    }

    async fn hold(
        &mut self,
        mut socket: Socket,
        welcome: Box<Welcome>,
        restart: &mut Option<Duration>,
    ) -> Over {
        let over = match self.begin(welcome).await {
            Ok(mut due) => {
                let over = match self.exchange(&mut socket, &mut due).await {
                    Ok(never) => match never {},
                    Err(over) => over,
                };
                *restart = due.restart;
                over
            }
            Err(NobodyHolds) => Over::Nobody,
        };
        socket.close().await;
        over
    }

    /// Takes in the welcome. The clock is asked again from scratch: the server behind this connection may
    /// have been restarted, with its clock set back.
    async fn begin(&mut self, welcome: Box<Welcome>) -> Result<Due, NobodyHolds> {
        self.connection += 1;
        self.config.take_seat = false;
        self.filter.clear();
        if self.epoch.as_ref().is_some_and(|known| *known != welcome.epoch) {
            // Another journal: its events are numbered from the start.
            self.last_event = EventNo(0);
            self.acked = 0;
        }
        // A damaged journal may have lost some: the numbers of those to come have been used before.
        self.last_event = self.last_event.min(welcome.last_event);
        let durable =
            welcome.durable.as_ref().filter(|durable| Some(durable.run) == self.config.run);
        // Whoever was acknowledged further than what is there keeps saying so until it is there again.
        self.acked = self.acked.max(durable.map_or(0, |durable| durable.through_seq));
        self.epoch = Some(welcome.epoch.clone());
        let speed = welcome.speed.max(1);
        let now_us = self.local.real_us().saturating_mul(u64::from(speed));
        // The session was at least this far when the welcome was written, so it is never taken to be ahead.
        let at_us = i64::try_from(welcome.at_ms.0.saturating_mul(1_000)).unwrap_or(i64::MAX);
        let offset_us = at_us.saturating_sub(i64::try_from(now_us).unwrap_or(i64::MAX));
        let estimate = Some(Estimate { offset_us, bound_us: 0 });
        self.reckoning.send_replace(Reckoning { speed, estimate });
        self.tell(LinkNews::Welcome { connection: self.connection, welcome }).await?;
        Ok(Due {
            heard_us: now_us,
            sent_us: now_us,
            question_us: now_us,
            questions: 0,
            told_clock: false,
            restart: None,
        })
    }

    /// Talks and listens until the connection is over.
    async fn exchange(
        &mut self,
        socket: &mut Socket,
        due: &mut Due,
    ) -> Result<std::convert::Infallible, Over> {
        enum Came {
            Heard(Result<Heard, Ended>),
            Out(Option<Letter>),
            Due,
        }
        loop {
            let wait = self.until_due(due);
            let came = tokio::select! {
                heard = socket.next() => Came::Heard(heard),
                out = self.said.recv() => Came::Out(out),
                () = sleep(wait) => Came::Due,
            };
            match came {
                Came::Heard(heard) => self.heard(heard?, due).await?,
                Came::Out(None) => return Err(Over::Nobody),
                Came::Out(Some(Letter::Secret(secret))) => self.config.secret = secret,
                Came::Out(Some(Letter::Leave(life))) => return Err(Over::Left(life)),
                Came::Out(Some(Letter::Say(connection, msg))) => {
                    if connection == self.connection {
                        socket.send(&msg).await?;
                        due.sent_us = self.now_us();
                    }
                }
                Came::Due => self.what_is_due(socket, due).await?,
            }
        }
    }

    async fn heard(&mut self, heard: Heard, due: &mut Due) -> Result<(), Over> {
        due.heard_us = self.now_us();
        let Heard::Said(mut msg) = heard else { return Ok(()) };
        if let ServerMsg::Clock(answer) = msg {
            self.filter.add(Exchange::completed(answer, due.heard_us));
            let estimate = self.filter.best(due.heard_us);
            self.reckoning.send_modify(|r| r.estimate = estimate);
            if !due.told_clock && self.filter.len() >= QUESTIONS_AT_FIRST as usize {
                due.told_clock = true;
                // It held for a while: the next failure counts as the first.
                self.backoff.reset();
                self.tell(LinkNews::ClockSet).await?;
            }
            return Ok(());
        }
        if let ServerMsg::Restart { after_ms } = msg {
            due.restart = Some(Duration::from_millis(u64::from(after_ms.0)));
        }
        if let ServerMsg::Heartbeat { .. } = msg {
            return Ok(());
        }
        if let ServerMsg::Ack(ack) = &mut msg {
            if Some(ack.durable.run) == self.config.run {
                self.acked = self.acked.max(ack.durable.through_seq);
            }
            self.only_new(&mut ack.events);
        }
        if let ServerMsg::Events { events } = &mut msg {
            self.only_new(events);
        }
        Ok(self.tell(LinkNews::Said(msg)).await?)
    }

    /// An event that was told before is not told again.
    fn only_new(&mut self, events: &mut Vec<Event>) {
        events.retain(|event| {
            let new = event.event > self.last_event;
            if new {
                self.last_event = event.event;
            }
            new
        });
    }

    async fn what_is_due(&mut self, socket: &mut Socket, due: &mut Due) -> Result<(), Over> {
        let now_us = self.now_us();
        if now_us.saturating_sub(due.heard_us) >= self.silence_us() {
            let says = "Nothing was heard from the server for a while.";
            return Err(Over::Lost(Ended::without_code(says)));
        }
        if now_us >= due.question_us {
            due.questions += 1;
            let apart = if due.questions < QUESTIONS_AT_FIRST {
                QUESTION_APART_US
            } else {
                QUESTION_EVERY_US
            };
            due.question_us = now_us + apart;
            let question = ClockQuestion { client_sent_us: self.now_us() };
            socket.send(&ClientMsg::Clock(question)).await?;
            due.sent_us = now_us;
        } else if now_us.saturating_sub(due.sent_us) >= HEARTBEAT_US {
            socket.send(&ClientMsg::Heartbeat).await?;
            due.sent_us = now_us;
        }
        Ok(())
    }

    fn until_due(&self, due: &Due) -> Duration {
        let next_us =
            due.question_us.min(due.sent_us + HEARTBEAT_US).min(due.heard_us + self.silence_us());
        let session = Duration::from_micros(next_us.saturating_sub(self.now_us()));
        in_life(session, self.speed())
    }

    fn silence_us(&self) -> u64 {
        let least = u64::try_from(SILENCE_LEAST.as_micros()).unwrap_or(u64::MAX);
        SILENCE_US.max(least.saturating_mul(u64::from(self.speed())))
    }

    fn now_us(&self) -> u64 {
        self.local.real_us().saturating_mul(u64::from(self.speed()))
    }

    fn speed(&self) -> u32 {
        self.reckoning.borrow().speed
    }

    async fn tell(&self, news: LinkNews) -> Result<(), NobodyHolds> {
        self.tell.send(news).await.map_err(|_| NobodyHolds)
    }
}
