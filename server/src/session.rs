//! One task per session: inbox → host → journal → host → outboxes, in that order and nowhere else. Every decision is the
//! host's.

mod connections;
mod ending;
mod opening;

use std::{sync::Arc, time::Duration};

use thole_club::{Handed, Seating, Words};
use thole_host::{
    Batch, CLOCK_WAIT, Checked, Greeting, Host, Now, Owner, Readings, Record, Reopening, Said,
    Setup,
};
use thole_piece::{Input, settled::Settled};
use thole_protocol::{
    client_msg::{Hello, Join},
    ids::{CommandId, RequestId},
    order::GivenBy,
    refusal::Refusal,
    server_msg::{Joined, Waiting},
    units::At,
};
use tokio::{
    sync::{Notify, mpsc, oneshot, watch},
    time::{Instant, sleep_until},
};

use crate::{
    Server,
    clock::{Reckoned, SessionClock, Trust},
    club::store::Positions,
    journal::{Append, Damage, Grant, Holder, JournalError, SessionRow},
    limits::{BATCH_MAX, BUSY_COMMIT, BUSY_COMMIT_WINDOW, COMMIT_WINDOW, INBOX_MAX},
    metrics::Counted,
    orders::Ordered,
    outbox::{Outbox, Permit},
    registry::Handle,
    secret::{FromSystem, SecretHash},
};
use connections::Connections;
pub(crate) use opening::AT_ONCE as OPENING_AT_ONCE;
pub use thole_host::{ConnId, NoMore};

/// What is said to a session.
#[derive(Debug)]
pub enum Event {
    /// A connection whose secret was found valid.
    Hello(Box<Arrival>),
    /// An input of a connection, as its role allows.
    Input {
        /// Which connection.
        conn: ConnId,
        /// What.
        input: Input,
        /// Its length as it was said.
        bytes: usize,
        /// The command under which an athlete wants to be answered.
        command: Option<CommandId>,
        /// Given back when it is applied.
        permit: Option<Permit>,
    },
    /// Somebody joins by code.
    Join {
        /// Which connection.
        conn: ConnId,
        /// As said, but for the key.
        join: Join,
        /// Whose key it was; `None` of whoever came without.
        owner: Option<Owner>,
        /// Answered when it is durable.
        answer: oneshot::Sender<Result<Admission, Refusal>>,
    },
    /// An order that came another way than by a connection (`orders`).
    Order {
        /// A number that no connection has.
        asker: ConnId,
        /// What.
        ordered: Box<Ordered>,
        /// Answered when it is durable.
        answer: oneshot::Sender<Result<(), Refusal>>,
    },
    /// Who is on the list, for a device of the hall.
    List(oneshot::Sender<Vec<(String, bool)>>),
    /// Whatever else a connection says.
    Said(Said),
    /// The server stops.
    Stop,
    /// Nothing can be written just now.
    Full,
}

/// What somebody who joins is told.
#[derive(Debug)]
pub enum Admission {
    /// The seat is theirs.
    Open(Joined),
    /// The coach is asked.
    Asked {
        /// Which request it is.
        request: RequestId,
        /// What to say in the meantime.
        waiting: Waiting,
        /// What the coach has decided; ends without an answer when the session goes to sleep: ask again.
        decided: oneshot::Receiver<Result<Joined, Refusal>>,
    },
}

/// A connection that comes to its session.
#[derive(Debug)]
pub struct Arrival {
    /// Its number.
    pub conn: ConnId,
    /// When its secret was looked up.
    pub asked: Instant,
    /// As whom.
    pub holder: Holder,
    /// What its secret is known by.
    pub opens: SecretHash,
    /// The coach of the club whose key it is; `None` of whoever has the session's own link.
    pub by: Option<GivenBy>,
    /// What it said.
    pub hello: Hello,
    /// Where to answer.
    pub outbox: Outbox,
    /// Gets the session's clock when the welcome is on its way.
    pub clock: oneshot::Sender<SessionClock>,
}

/// Opens a session from the journal and gives it a task.
///
/// # Errors
/// The journal cannot be read or written.
pub async fn open(server: Arc<Server>, row: SessionRow) -> Result<Handle, JournalError> {
    let tenure = server.journal.take(row.session).await?;
    let (core, settled, found) = opening::replay(&server, row.session).await?;
    let (position, mut damage) = (found.next, found.damage);
    let made = Reckoned { at: At(0), unix_ms: row.created_unix_ms, uptime: None };
    let reckoned = server.journal.reckoned(row.session).await?;
    let (clock, trust) =
        SessionClock::open(server.clock, reckoned.as_ref().unwrap_or(&made), core.now());
    if damage.is_empty() && core.is_under_way() {
        damage.extend(opening::put_back(&server, &row, (core.now(), position)).await?);
    }
    let (inbox, events) = mpsc::channel(INBOX_MAX);
    let (alive, ended) = watch::channel(());
    let urgent = Arc::new(Notify::new());
    let session = row.session;
    let limits = &server.settings.limits;
    let setup = Setup {
        athletes: limits.athletes,
        coaches: limits.coaches,
        boards: limits.boards,
        speed: server.clock.speed(),
        build: crate::pages::BUILD.to_owned(),
        epoch: server.journal.epoch(),
        session,
        code: row.code.clone(),
        created_unix_ms: row.created_unix_ms,
    };
    let began = server.clock.instant();
    let mut task = SessionTask {
        connections: Connections::new(server.clone(), session, clock),
        server: server.clone(),
        host: Host::open(setup, core),
        clock,
        began,
        trust,
        tenure,
        reckoned,
        position,
        settled,
        window: COMMIT_WINDOW,
        committed: began,
        row,
        events,
        urgent: urgent.clone(),
        permits: Vec::new(),
        damage,
    };
    let run = tokio::spawn(async move {
        match task.run().await {
            Err(error) if error.is_full() => {
                // First of all: whoever is closed now is still told why.
                task.server.failing(&error);
                task.full()
            }
            Err(error @ (JournalError::Unreadable(_) | JournalError::Fenced)) => {
                task.ends_alone(&error)
            }
            ended => ended,
        }
    });
    tokio::spawn(async move {
        match run.await {
            Ok(Ok(())) => tracing::debug!(%session, "session closed from memory"),
            Ok(Err(error)) => server.failing(&error),
            // Its connections see their queues close and come back; replay decides what happens then.
            Err(panic) => tracing::error!(%session, %panic, "a session has ended because of a bug"),
        }
        server.registry.ended(session);
        drop(alive);
    });
    Ok(Handle { inbox, urgent, ended })
}

/// The owner of a session: its host, in the middle of the inbox, the journal and the connections.
struct SessionTask {
    server: Arc<Server>,
    row: SessionRow,
    host: Host,
    connections: Connections,
    clock: SessionClock,
    /// When this task began: its host's moments count from here.
    began: Instant,
    /// Whether the clock that it went on by when the session was opened could be wrong.
    trust: Trust,
    /// The instant that the journal keeps, from which the clock goes on.
    reckoned: Option<Reckoned>,
    /// What this writer's appends carry.
    tenure: u64,
    /// Position of the next record.
    position: u64,
    /// The position after the last record of a piece; 0 when there is none.
    settled: u64,
    /// How long the next commit is collected for.
    window: Duration,
    /// When the last commit was durable.
    committed: Instant,
    events: mpsc::Receiver<Event>,
    /// Notified when the coach has ordered something.
    urgent: Arc<Notify>,
    /// For what is in the batch.
    permits: Vec<Permit>,
    /// What was found damaged when the session was opened.
    damage: Vec<Damage>,
}

impl SessionTask {
    async fn run(&mut self) -> Result<(), JournalError> {
        if (self.host.core().now() > At(0) || self.position > 0) && self.reopen().await? {
            return self.stop();
        }
        loop {
            let idle = self.idle();
            let deadline = self.host.deadline().map(|at| self.clock.instant_of(at));
            let tells = self.host.tells_at().map(|moment| self.began + moment.0);
            let wake = deadline.into_iter().chain(idle).chain(tells).min();
            let event = tokio::select! {
                biased;
                event = self.events.recv() => event,
                () = sleep_until(wake.unwrap_or_else(Instant::now)), if wake.is_some() => None,
            };
            let mut batch = Batch::default();
            match event {
                Some(Event::Stop) => return self.stop(),
                Some(Event::Full) => return self.full(),
                Some(event) => {
                    self.take(event, &mut batch);
                    if self.drain(&mut batch).await {
                        self.commit(batch).await?;
                        return self.stop();
                    }
                }
                None if deadline.is_none()
                    && idle.is_some_and(|idle| idle <= self.server.clock.instant()) =>
                {
                    return self.rest().await;
                }
                None => self.host.due(self.now(), &mut batch),
            }
            self.commit(batch).await?;
            self.host.tell_later(self.now(), &mut self.connections);
        }
    }

    fn now(&self) -> Now {
        let instant = self.server.clock.instant();
        Now {
            at: At(self.clock.us_at(instant) / 1_000),
            moment: connections::moment(self.began, instant),
        }
    }

    /// What is new about a session that was used before; true when the server stops in the meantime.
    async fn reopen(&mut self) -> Result<bool, JournalError> {
        let mut came = Vec::new();
        let (stops, clock) = match self.host.doubts(self.trust) {
            true => self.check_clock(&mut came).await,
            false => (false, None),
        };
        let forecasts = &self.server.forecasts;
        let is_new = self.host.core().model() != forecasts.model();
        let model = is_new.then(|| forecasts.input());
        let damage = std::mem::take(&mut self.damage);
        let mut batch = Batch::default();
        self.host.reopened(self.now(), Reopening { clock, damage, model }, &mut batch);
        for event in came {
            self.take(event, &mut batch);
        }
        self.commit(batch).await?;
        Ok(stops)
    }

    /// Waits for devices that have the session's time, and goes by that if the wall clock is wrong. What comes in the
    /// meantime is taken afterwards; true when the server stops.
    async fn check_clock(&mut self, came: &mut Vec<Event>) -> (bool, Option<(Option<i64>, u8)>) {
        let until = self.server.clock.instant() + CLOCK_WAIT;
        let (mut readings, mut stops) = (Readings::default(), false);
        while !stops && !readings.are_enough() && came.len() < BATCH_MAX {
            let event = tokio::select! {
                biased;
                event = self.events.recv() => event,
                () = sleep_until(until) => None,
            };
            match event {
                // A full disk is noticed by the next commit.
                Some(Event::Stop | Event::Full) => stops = true,
                Some(event) => {
                    if let Event::Hello(greeting) = &event
                        && let Some(told) = greeting.hello.at_ms
                    {
                        let shown_ms = self.clock.before_or_after_ms(greeting.asked);
                        readings.take(greeting.holder, told, shown_ms);
                    }
                    came.push(event);
                }
                None => break,
            }
        }
        let devices = readings.devices();
        let (session, now, speed) = (self.row.session, self.clock.now(), self.server.clock.speed());
        let by_ms = match readings.of(now, self.host.last(), speed) {
            Checked::Holds => return (stops, None),
            Checked::Wrong(by_ms) => {
                tracing::warn!(%session, by_ms, devices, "this machine's clock is wrong; the session goes by its devices' clocks");
                self.clock = self.clock.put_forward(by_ms, self.host.last());
                self.connections.set_clock(self.clock);
                Some(by_ms)
            }
            Checked::Unknown => {
                tracing::warn!(%session, devices, "too few devices had the time to check this machine's clock");
                None
            }
        };
        (stops, Some((by_ms, devices)))
    }

    /// When a session that nobody is connected to is to be closed from memory.
    fn idle(&self) -> Option<Instant> {
        let idle = self.server.settings.limits.idle;
        self.host.is_alone().then(|| self.server.clock.instant() + idle)
    }

    /// Takes what else comes within the commit window; true when the server stops.
    async fn drain(&mut self, batch: &mut Batch) -> bool {
        // The task is not woken for each of them: it looks once, when the window is over.
        if !batch.is_urgent {
            let came = self.server.clock.instant();
            tokio::select! {
                biased;
                () = self.urgent.notified() => {}
                () = sleep_until(came + self.window) => {}
            }
        }
        // What the coach orders is for everybody, now: it waits for nothing, unless a commit was made just before.
        let soonest = self.committed + COMMIT_WINDOW;
        if self.server.clock.instant() < soonest {
            sleep_until(soonest).await;
        }
        while batch.len() < BATCH_MAX {
            match self.events.try_recv() {
                Ok(Event::Stop) => return true,
                Ok(event) => self.take(event, batch),
                Err(_) => break,
            }
        }
        let busy = batch.len() >= BUSY_COMMIT;
        self.window = if busy { BUSY_COMMIT_WINDOW } else { COMMIT_WINDOW };
        self.host.due(self.now(), batch);
        false
    }

    fn take(&mut self, event: Event, batch: &mut Batch) {
        let said = match event {
            Event::Hello(greeting) => {
                let Arrival { conn, asked, holder, opens, by, hello, outbox, clock } = *greeting;
                self.connections.comes(conn, outbox, clock);
                let asked = connections::moment(self.began, asked);
                Said::Hello(Box::new(Greeting { conn, asked, holder, opens, by, hello }))
            }
            Event::Input { conn, input, bytes, command, permit } => {
                self.permits.extend(permit);
                Said::Input { conn, input, bytes, command }
            }
            Event::Join { conn, join, owner, answer } => {
                self.connections.joins(conn, answer);
                Said::Join(conn, join, owner)
            }
            Event::Order { asker, ordered, answer } => {
                self.connections.orders(asker, answer);
                let Ordered { command, order, by } = *ordered;
                Said::Order { asker, command, order, by }
            }
            Event::List(answer) => {
                // Whoever asked may have gone.
                drop(answer.send(self.host.core().seats_of_hall()));
                return;
            }
            Event::Said(said) => said,
            // Both end the task, which looks for them before anything is taken.
            Event::Stop | Event::Full => return,
        };
        let ended = if let Said::Left(conn, _) | Said::WaitsNoMore(conn, ..) = &said {
            Some(*conn)
        } else {
            None
        };
        self.host.take(self.now(), said, &mut FromSystem, batch, &mut self.connections);
        if let Some(conn) = ended {
            self.connections.ends(conn);
        }
    }

    /// Durable first; then what was said is applied in order, and everybody is told.
    async fn commit(&mut self, mut batch: Batch) -> Result<(), JournalError> {
        let records = Arc::new(std::mem::take(&mut batch.records));
        let (grant, revoke) = (std::mem::take(&mut batch.grant), std::mem::take(&mut batch.revoke));
        if !records.is_empty() || !grant.is_empty() || !revoke.is_empty() {
            self.position = self.append(records.clone(), grant, revoke, None).await?;
            self.committed = self.server.clock.instant();
        }
        self.host.committed(self.now(), batch, &records, &mut self.connections);
        self.permits.clear();
        while let Some(record) = self.host.settles() {
            let (records, at) = (Arc::new(vec![record]), self.position);
            self.position = self.append(records.clone(), Vec::new(), Vec::new(), None).await?;
            for record in records.iter() {
                self.host.settled(self.now(), record, &mut self.connections);
                self.hand_on(record, at);
            }
        }
        if self.host.core().is_closed() && self.row.closed_unix_ms.is_none() {
            let now = self.server.clock.unix_ms();
            self.append(Arc::default(), Vec::new(), Vec::new(), Some(now)).await?;
            self.row.closed_unix_ms = Some(now);
        }
        Ok(())
    }

    /// The club gets the results of a piece once they are durable; nothing here waits for it.
    fn hand_on(&mut self, record: &Record, at: u64) {
        let Input::Settled { settled } = &record.input else { return };
        let before = std::mem::replace(&mut self.settled, at + 1);
        let (row, core) = (&self.row, self.host.core());
        self.server.club.hand(Positions { before, at }, || Handed {
            session: row.session,
            created_unix_ms: row.created_unix_ms,
            title: core.title().to_owned(),
            settled: Settled::clone(settled),
            seating: Seating::of(core),
            words: Words::of(core),
        });
    }

    async fn append(
        &mut self,
        records: Arc<Vec<Record>>,
        grant: Vec<Grant>,
        revoke: Vec<Holder>,
        closed_unix_ms: Option<u64>,
    ) -> Result<u64, JournalError> {
        let (session, tenure, first) = (self.row.session, self.tenure, self.position);
        let reckoned = Some(self.clock.reckoned()).filter(|now| {
            let speed = self.server.clock.speed();
            !self.reckoned.as_ref().is_some_and(|kept| kept.leads_to(now, speed))
        });
        if reckoned.is_some() {
            self.reckoned.clone_from(&reckoned);
        }
        let append = Append {
            session,
            create: None,
            tenure,
            first,
            records,
            revoke,
            grant,
            closed_unix_ms,
            reckoned,
        };
        let metrics = &self.server.metrics;
        let waiting = Counted::one(metrics.appends_waiting.clone());
        let handed = self.server.clock.instant();
        let appended = self.server.journal.append(append).await;
        drop(waiting);
        metrics.committed(self.server.clock.instant().saturating_duration_since(handed));
        appended
    }
}
