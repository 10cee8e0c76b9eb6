//! One task a session: inbox → journal → core → outboxes, in that order and nowhere else.

mod clock_check;
mod damage;
mod delivery;
pub mod devices;
mod opening;
mod refusals;
mod requests;
mod seats;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::Duration,
};

use thole_piece::{
    Input, Output, Session as Core,
    piece::Piece,
    projection::{Count, Width},
    session::Viewer,
};
use thole_protocol::{
    ServerMsg,
    client_msg::{
        AddAthletes, Hello, Join, LetIn, NewBoardLink, NewCoachLink, NewLink, Role, TakeCommand,
        TurnAway,
    },
    close::Close,
    event::Happening,
    ids::{AthleteId, CommandId, DeviceId, RequestId},
    refusal::{Refusal, Why},
    server_msg::{Joined, Links, Waiting, Welcome},
    standing::Phase,
    units::{At, Millis},
};
use tokio::{
    sync::{Notify, mpsc, oneshot, watch},
    time::{Instant, sleep_until},
};

use crate::{
    Server,
    clock::{Reckoned, SessionClock, Trust},
    forecasts,
    journal::{Append, Damage, Grant, Holder, JournalError, Record, SessionRow},
    limits::{
        BATCH_MAX, BUSY_COMMIT, BUSY_COMMIT_WINDOW, COMMIT_WINDOW, FULL, INBOX_MAX,
        RESTART_SPREAD_MS,
    },
    metrics::Counted,
    outbox::{Outbox, Permit},
    registry::Handle,
    secret::{self, SecretHash},
};
use clock_check::{Checked, Readings};
use devices::{ConnId, Devices};
pub(crate) use opening::AT_ONCE as OPENING_AT_ONCE;
use refusals::Refusals;
use requests::Requests;

/// What is said to a session.
#[derive(Debug)]
pub enum Event {
    /// A connection whose secret was found good.
    Hello(Box<Greeting>),
    /// An input of a connection, as its role allows.
    Said {
        /// Which connection.
        conn: ConnId,
        /// What.
        input: Input,
        /// Its length as it was said.
        bytes: usize,
        /// By what an athlete wants to be answered.
        command: Option<CommandId>,
        /// Given back when it is applied.
        permit: Option<Permit>,
    },
    /// The coach adds athletes.
    Add(ConnId, AddAthletes),
    /// The coach wants a new secret for an athlete.
    Link(ConnId, NewLink),
    /// The coach wants a new secret for boards.
    BoardLink(ConnId, NewBoardLink),
    /// The coach wants a new secret for the coach's devices.
    CoachLink(ConnId, NewCoachLink),
    /// The coach lets somebody in who asks.
    LetIn(ConnId, LetIn),
    /// The coach does not let somebody in who asks.
    TurnAway(ConnId, TurnAway),
    /// A device of the coach takes command.
    Take(ConnId, TakeCommand),
    /// Somebody joins by code.
    Join {
        /// As said.
        join: Join,
        /// Answered when it is durable.
        answer: oneshot::Sender<Result<Entrance, Refusal>>,
    },
    /// The connection that waits for the coach's word has ended, or asks for something else.
    WaitsNoMore(RequestId, NoMore),
    /// Nothing was heard from a connection for a while.
    Silent(ConnId, At),
    /// Something is heard again.
    HeardAgain(ConnId),
    /// A connection has ended; it was heard last then.
    Left(ConnId, At),
    /// The server stops.
    Stop,
    /// Nothing can be written just now.
    Full,
}

/// What somebody who joins is told.
#[derive(Debug)]
pub enum Entrance {
    /// The seat is theirs.
    Open(Joined),
    /// The coach is asked.
    Asked {
        /// Which request it is.
        request: RequestId,
        /// What is said meanwhile.
        waiting: Waiting,
        /// What the coach has decided; ends without an answer when the session goes to sleep: ask again.
        decided: oneshot::Receiver<Result<Joined, Refusal>>,
    },
}

/// Why somebody waits no more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoMore {
    /// The connection is lost: the request stays for when they come back.
    Lost,
    /// They ask for something else.
    Withdrawn,
}

/// A connection that comes to its session.
#[derive(Debug)]
pub struct Greeting {
    /// Its number.
    pub conn: ConnId,
    /// When it was asked what its secret opens.
    pub asked: Instant,
    /// As whom.
    pub holder: Holder,
    /// What its secret is known by.
    pub opens: SecretHash,
    /// What it said.
    pub hello: Hello,
    /// Where to answer.
    pub outbox: Outbox,
    /// Gets the session's clock when the welcome is on its way.
    pub clock: oneshot::Sender<SessionClock>,
}

/// What of the drained inbox is done in its turn, after the inputs before it are durable.
enum Step {
    /// The next of the records.
    Apply {
        permit: Option<Permit>,
        /// Who is answered by what.
        answer: Option<(ConnId, CommandId)>,
    },
    Welcome(Box<Greeting>),
    Joined {
        joined: Joined,
        answer: oneshot::Sender<Result<Entrance, Refusal>>,
    },
    /// The coach has let somebody in who waits.
    LetIn {
        joined: Joined,
        waits: oneshot::Sender<Result<Joined, Refusal>>,
    },
    /// An order of the coach is answered.
    Told {
        conn: ConnId,
        command: CommandId,
        told: Option<ServerMsg>,
    },
    /// Who came by an old secret is sent away, but for the connection that asked for the new one.
    SendAway {
        holder: Holder,
        but: ConnId,
    },
}

/// One append's worth of what came in.
#[derive(Default)]
struct Batch {
    steps: Vec<Step>,
    /// What is applied, in the order of the steps that do.
    records: Vec<Record>,
    grant: Vec<Grant>,
    revoke: Vec<Holder>,
    /// Seats that were taken in this batch and are not in the core yet.
    joining: seats::Joining,
    /// Orders for new secrets in this batch, which the core has not heard yet.
    renewed: BTreeSet<CommandId>,
    /// Athletes whose devices come in this batch, and by which device.
    coming: BTreeMap<AthleteId, Option<DeviceId>>,
    /// The coach has ordered something in it.
    is_urgent: bool,
}

/// Opens a session from the journal and gives it a task.
///
/// # Errors
/// The journal cannot be read or written.
pub async fn open(server: Arc<Server>, row: SessionRow) -> Result<Handle, JournalError> {
    let tenure = server.journal.take(row.session).await?;
    let (core, found) = opening::replay(&server, row.session).await?;
    let (position, damage) = (found.next, found.damage);
    let made = Reckoned { at: At(0), unix_ms: row.created_unix_ms, uptime: None };
    let reckoned = server.journal.reckoned(row.session).await?;
    let (clock, trust) =
        SessionClock::open(server.clock, reckoned.as_ref().unwrap_or(&made), core.now());
    let (inbox, events) = mpsc::channel(INBOX_MAX);
    let (alive, ended) = watch::channel(());
    let urgent = Arc::new(Notify::new());
    let session = row.session;
    let mut task = Task {
        server: server.clone(),
        last: core.now(),
        clock,
        trust,
        tenure,
        reckoned,
        position,
        window: COMMIT_WINDOW,
        devices: Devices::awaiting(core.leader()),
        leader: core.leader(),
        committed: server.clock.instant(),
        row,
        events,
        urgent: urgent.clone(),
        core,
        screens: delivery::Screens::default(),
        links: BTreeMap::new(),
        requests: Requests::default(),
        again: BTreeMap::new(),
        refusals: Refusals::default(),
        damage,
    };
    let run = tokio::spawn(async move {
        match task.run().await {
            Err(error) if error.is_full() => {
                // First: whoever is closed now is still told why.
                task.server.failing(&error);
                task.full()
            }
            ended => ended,
        }
    });
    tokio::spawn(async move {
        match run.await {
            Ok(Ok(())) => tracing::debug!(%session, "session closed from memory"),
            Ok(Err(error)) => server.failing(&error),
            // Its connections see their queues close and come back; replay decides what then.
            Err(panic) => tracing::error!(%session, %panic, "a session has ended by a bug"),
        }
        server.registry.ended(session);
        drop(alive);
    });
    Ok(Handle { inbox, urgent, ended })
}

/// The owner of a session.
struct Task {
    server: Arc<Server>,
    row: SessionRow,
    core: Core,
    clock: SessionClock,
    /// Whether the clock went on by something that could be wrong when the session was opened.
    trust: Trust,
    /// The instant that the journal keeps for the clock to go on from.
    reckoned: Option<Reckoned>,
    /// The instant of the last record.
    last: At,
    /// What this writer's appends carry.
    tenure: u64,
    /// Position of the next record.
    position: u64,
    /// How long the next commit is collected.
    window: Duration,
    /// When the last commit was durable.
    committed: Instant,
    events: mpsc::Receiver<Event>,
    /// Told when the coach has ordered something.
    urgent: Arc<Notify>,
    devices: Devices,
    /// The coach's device that the newest record of its kind names.
    leader: Option<DeviceId>,
    screens: delivery::Screens,
    /// Secrets that are told when the order that made them is done.
    links: BTreeMap<CommandId, (ConnId, Links)>,
    requests: Requests,
    /// How often a seat was given one more secret since this task began.
    again: BTreeMap<AthleteId, u32>,
    refusals: Refusals,
    /// What was found damaged when the session was opened.
    damage: Vec<Damage>,
}

impl Task {
    async fn run(&mut self) -> Result<(), JournalError> {
        if self.core.now() > At(0) || self.position > 0 {
            let mut batch = Batch::default();
            let mut came = Vec::new();
            // Between pieces there is nothing that a wrong clock could bend, and nobody has to wait.
            let is_doubtful = self.trust == Trust::WallClock && self.core.is_under_way();
            let stops = is_doubtful && self.check_clock(&mut batch, &mut came).await;
            self.input(Input::Reopened, None, &mut batch);
            self.note_damage(&mut batch);
            if self.core.model() != self.server.forecasts.model() {
                self.input(self.server.forecasts.input(), None, &mut batch);
            }
            for event in came {
                self.take(event, &mut batch);
            }
            self.commit(batch).await?;
            if stops {
                return self.stop();
            }
        }
        loop {
            let idle = self.clock_idle();
            let deadline = self.core.deadline().map(|at| self.clock.instant_of(at));
            let wake = deadline.into_iter().chain(idle).chain(self.requests.due()).min();
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
                None if self.core.deadline().is_some_and(|at| at <= self.clock.now()) => {
                    self.input(Input::Deadline, None, &mut batch);
                }
                None if deadline.is_none()
                    && idle.is_some_and(|idle| idle <= self.server.clock.instant()) =>
                {
                    return self.rest().await;
                }
                None => {}
            }
            self.commit(batch).await?;
            self.tell_requests();
        }
    }

    /// Waits for devices that have the session's time, and goes by it if the wall clock is wrong. What comes meanwhile is
    /// taken afterwards; true when the server stops.
    async fn check_clock(&mut self, batch: &mut Batch, came: &mut Vec<Event>) -> bool {
        let until = self.server.clock.instant() + clock_check::WAIT;
        let (mut readings, mut stops) = (Readings::default(), false);
        while !stops && !readings.are_enough() && came.len() < BATCH_MAX {
            let event = tokio::select! {
                biased;
                event = self.events.recv() => event,
                () = sleep_until(until) => None,
            };
            match event {
                // A disk that is full is found to be so by the next commit.
                Some(Event::Stop | Event::Full) => stops = true,
                Some(event) => {
                    if let Event::Hello(greeting) = &event
                        && let Some(told) = greeting.hello.at_ms
                    {
                        readings.take(greeting.holder, told, (&self.clock, greeting.asked));
                    }
                    came.push(event);
                }
                None => break,
            }
        }
        let devices = readings.devices();
        let (session, now, speed) = (self.row.session, self.clock.now(), self.server.clock.speed());
        let by_ms = match readings.of(now, self.last, speed) {
            Checked::Holds => return stops,
            Checked::Wrong(by_ms) => {
                tracing::warn!(%session, by_ms, devices, "this machine's clock is wrong; the session goes on by its devices'");
                self.clock = self.clock.put_forward(by_ms, self.last);
                Some(by_ms)
            }
            Checked::Unknown => {
                tracing::warn!(%session, devices, "too few devices had the time to check this machine's clock by");
                None
            }
        };
        self.input(Input::ClockSet { by_ms, devices }, None, batch);
        stops
    }

    /// What was not durable is told to nobody: they have it, and it comes in when there is room.
    fn full(&self) -> Result<(), JournalError> {
        let refusal = Refusal { why: Why::Limit, says: FULL.to_owned() };
        for outbox in self.devices.outboxes() {
            let refusal = refusal.clone();
            devices::say(outbox, &ServerMsg::Refused { command: None, refusal });
            outbox.close(Close::TooSlow);
        }
        Ok(())
    }

    /// When a session that nobody is connected to is closed from memory.
    fn clock_idle(&self) -> Option<Instant> {
        let idle = self.server.settings.limits.idle;
        // Who waits for the coach's word is here, too.
        let is_alone = self.devices.is_empty() && !self.requests.anybody_waits();
        is_alone.then(|| self.server.clock.instant() + idle)
    }

    /// Takes what else comes within the commit window; true when the server stops.
    async fn drain(&mut self, batch: &mut Batch) -> bool {
        // Nobody wakes the task for each of them: it looks once, when the window is over.
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
        while batch.steps.len() < BATCH_MAX {
            match self.events.try_recv() {
                Ok(Event::Stop) => return true,
                Ok(event) => self.take(event, batch),
                Err(_) => break,
            }
        }
        let busy = batch.steps.len() >= BUSY_COMMIT;
        self.window = if busy { BUSY_COMMIT_WINDOW } else { COMMIT_WINDOW };
        if self.core.deadline().is_some_and(|at| at <= self.clock.now()) {
            self.input(Input::Deadline, None, batch);
        }
        false
    }

    fn input(&mut self, input: Input, permit: Option<Permit>, batch: &mut Batch) {
        let at = self.clock.now().max(self.last);
        self.last = at;
        batch.records.push(Record { at, input });
        batch.steps.push(Step::Apply { permit, answer: None });
    }

    /// The same for what an athlete wants to be answered by name.
    fn answered(
        &mut self,
        input: Input,
        answer: (ConnId, CommandId),
        permit: Option<Permit>,
        batch: &mut Batch,
    ) {
        self.input(input, permit, batch);
        if let Some(Step::Apply { answer: to, .. }) = batch.steps.last_mut() {
            *to = Some(answer);
        }
    }

    fn take(&mut self, event: Event, batch: &mut Batch) {
        match event {
            Event::Hello(greeting) if !self.may_come(greeting.holder) => {
                greeting.outbox.close(Close::TooSlow);
            }
            Event::Hello(greeting) => {
                self.comes(&greeting, batch);
                batch.steps.push(Step::Welcome(greeting));
            }
            Event::Said { conn, input, bytes, command, permit } => {
                if let Input::Ordered { command, .. } = &input
                    && !self.leads(conn, batch)
                {
                    self.not_in_command(conn, *command);
                } else {
                    self.said((conn, command), (input, bytes), permit, batch);
                }
            }
            Event::Add(conn, add) => self.add(conn, add, batch),
            Event::Link(conn, link) => self.new_link(conn, link, batch),
            Event::BoardLink(conn, link) => self.new_board_link(conn, link, batch),
            Event::Take(conn, TakeCommand { command }) => {
                if self.devices.take_command(conn) {
                    self.note_leader(conn, batch);
                    batch.steps.push(Step::Told { conn, command, told: None });
                }
            }
            Event::CoachLink(conn, link) => self.new_coach_link(conn, link, batch),
            Event::LetIn(conn, let_in) => self.let_in(conn, let_in, batch),
            Event::TurnAway(conn, turn_away) => self.turn_away(conn, turn_away, batch),
            Event::Join { join, answer } => self.join(join, answer, batch),
            Event::WaitsNoMore(request, why) => self.requests.waits_no_more(request, why),
            Event::Silent(conn, since) => self.not_heard(conn, since, batch),
            Event::Left(conn, since) => {
                self.not_heard(conn, since, batch);
                self.devices.leave(conn);
            }
            Event::HeardAgain(conn) => {
                if let Some(athlete) = self.devices.athlete(conn) {
                    self.input(Input::Heard { athlete }, None, batch);
                }
            }
            // Both end the task, which looks for them before anything is taken.
            Event::Stop | Event::Full => {}
        }
    }

    fn not_heard(&mut self, conn: ConnId, since: At, batch: &mut Batch) {
        if let Some(athlete) = self.devices.athlete(conn) {
            let since = since.min(self.clock.now());
            self.input(Input::NotHeard { athlete, since }, None, batch);
        }
    }

    /// Whether a connection may give an order. It leads from then on, after a crash as well.
    fn leads(&mut self, conn: ConnId, batch: &mut Batch) -> bool {
        let leads = self.devices.leads(conn);
        if leads {
            self.note_leader(conn, batch);
        }
        leads
    }

    fn note_leader(&mut self, conn: ConnId, batch: &mut Batch) {
        let device = self.devices.device(conn);
        if let Some(device) = device.filter(|device| self.leader != Some(*device)) {
            self.leader = Some(device);
            self.input(Input::TookCommand { device }, None, batch);
        }
    }

    fn not_in_command(&self, conn: ConnId, command: CommandId) {
        let says = "Another device of the coach is in command; take command first.".to_owned();
        let refusal = Refusal { why: Why::NotInCommand, says };
        self.devices.say(conn, &ServerMsg::Refused { command: Some(command), refusal });
    }

    /// Durable first; then, in order, what was said is applied and everybody told.
    async fn commit(&mut self, batch: Batch) -> Result<(), JournalError> {
        let Batch { steps, records, grant, revoke, .. } = batch;
        let records = Arc::new(records);
        if !records.is_empty() || !grant.is_empty() || !revoke.is_empty() {
            self.position = self.append(records.clone(), grant, revoke, None).await?;
            self.committed = self.server.clock.instant();
        }
        let mut outputs = Vec::new();
        let mut durable = records.iter();
        for step in steps {
            match step {
                Step::Apply { permit, answer } => {
                    let Some(Record { at, input }) = durable.next() else { continue };
                    let mut told = self.core.apply(*at, input);
                    if let Some((conn, command)) = answer {
                        self.answer(conn, command, &mut told);
                    }
                    outputs.extend(told);
                    drop(permit);
                }
                Step::Welcome(greeting) => {
                    // What happened before the welcome is in it; what comes after follows it.
                    self.deliver(std::mem::take(&mut outputs));
                    self.welcome(*greeting);
                }
                // Who is not there any more asks again.
                Step::Joined { joined, answer } => drop(answer.send(Ok(Entrance::Open(joined)))),
                Step::LetIn { joined, waits } => drop(waits.send(Ok(joined))),
                Step::Told { conn, command, told } => {
                    if let Some(told) = told {
                        self.devices.say(conn, &told);
                    }
                    self.devices.say(conn, &ServerMsg::Done { command });
                }
                Step::SendAway { holder, but } => {
                    self.devices.send_away(holder, but, self.server.clock.instant());
                }
            }
        }
        self.deliver(outputs);
        self.settle().await?;
        if self.core.is_closed() && self.row.closed_unix_ms.is_none() {
            let now = self.server.clock.unix_ms();
            self.append(Arc::default(), Vec::new(), Vec::new(), Some(now)).await?;
            self.row.closed_unix_ms = Some(now);
        }
        Ok(())
    }

    /// What is over becomes a record of its own before anything else is taken. If the process ends in between,
    /// the core asks again when the session is opened.
    async fn settle(&mut self) -> Result<(), JournalError> {
        while let Some(settled) = self.core.to_settle() {
            let input = Input::Settled { settled: Box::new(settled.clone()) };
            let record = Record { at: self.last.max(self.core.now()), input };
            self.last = record.at;
            let records = Arc::new(vec![record]);
            self.position = self.append(records.clone(), Vec::new(), Vec::new(), None).await?;
            for Record { at, input } in records.iter() {
                let outputs = self.core.apply(*at, input);
                self.deliver(outputs);
            }
        }
        Ok(())
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

    fn deliver(&mut self, outputs: Vec<Output>) {
        for output in &outputs {
            match output {
                Output::Done { command } => {
                    if let Some((conn, links)) = self.links.remove(command) {
                        self.devices.say(conn, &ServerMsg::Links(links));
                    }
                }
                Output::OrderRefused { command, refusal } => {
                    self.links.remove(command);
                    self.server.metrics.refused(refusal.why);
                }
                Output::Counted { count, width } => self.keep(*count, *width),
                Output::Event { event, .. } => self.note(&event.what),
                Output::Refused { athlete, refusal } => {
                    let clock = self.server.clock;
                    self.refusals.count(*athlete, (clock.instant(), clock.speed()));
                    self.server.metrics.refused(refusal.why);
                }
                Output::SettledDiffers { piece, revision, what } => {
                    let session = self.row.session;
                    tracing::warn!(
                        %session, piece = piece.0, revision, what,
                        "a record of a piece is not what its strokes give; the record stands"
                    );
                }
                Output::Ack { .. } | Output::Published | Output::OwnChanged { .. } => {}
            }
        }
        delivery::deliver(&self.core, &self.devices, &mut self.screens, outputs);
    }

    /// Draws the shell's own conclusions from what has happened.
    fn note(&mut self, what: &Happening) {
        if let Happening::AthletesRemoved { athletes } = what {
            let now = self.server.clock.instant();
            for athlete in athletes {
                self.devices.send_away(Holder::Athlete(*athlete), ConnId::NOBODY, now);
            }
        }
        if let Happening::PhaseChanged { piece, phase } = what
            && let Phase::Finished { .. } | Phase::Stopped { .. } = phase
        {
            let stopped = matches!(phase, Phase::Stopped { .. });
            let of_piece = |(of, _): &(&Piece, _)| of.no == *piece;
            let results = self.core.finishes().filter(of_piece).count();
            self.server.metrics.results.inc_by(results as u64);
            tracing::info!(session = %self.row.session, piece = piece.0, stopped, results, "piece over");
        }
    }

    /// Keeps how projections have turned out, for the sessions to come.
    fn keep(&self, count: Count, width: Width) {
        let server = Arc::clone(&self.server);
        let note = server.forecasts.count(count, width);
        tokio::spawn(async move {
            if let Err(error) = server.journal.keep(forecasts::NOTE, note).await {
                server.failing(&error);
            }
        });
    }

    fn welcome(&mut self, greeting: Greeting) {
        let Greeting { conn, asked, holder, opens, hello, outbox, clock } = greeting;
        let (role, viewer) = match holder {
            Holder::Coach => (Role::Coach, Viewer::Coach),
            Holder::Board => (Role::Board, Viewer::Board),
            Holder::Athlete(athlete) => (Role::Athlete, Viewer::Athlete(athlete)),
        };
        let limits = &self.server.settings.limits;
        let full = match holder {
            Holder::Coach => self.devices.coaches() >= limits.coaches,
            Holder::Board => self.devices.boards() >= limits.boards,
            Holder::Athlete(_) => false,
        };
        if full {
            return outbox.close(Close::RoleFull);
        }
        let you = match holder {
            Holder::Athlete(athlete) => Some(athlete),
            Holder::Coach | Holder::Board => None,
        };
        // The order that made this secret was refused, or a newer one has just taken its place.
        let unknown = you.is_some_and(|you| !self.core.knows(you));
        let may_come = match (holder, self.core.coach_link()) {
            (Holder::Coach, Some(link)) => {
                let asked_for_it = link.device.is_some() && hello.device == link.device;
                opens.to_hex() == link.opens || asked_for_it
            }
            _ => !self.devices.was_sent_away(holder, asked),
        };
        if unknown || !may_come {
            // A record that is damaged may have made the seat.
            let lost = unknown && !self.core.damage().is_empty();
            return outbox.close(if lost { Close::RecordsLost } else { Close::WrongSecret });
        }
        let in_command = self.devices.enter(conn, holder, hello.device, outbox);
        let view = self.core.view(viewer);
        let durable = you.zip(hello.run).map(|(you, run)| self.core.durable(you, run));
        let welcome = Welcome {
            version: thole_protocol::VERSION,
            build: crate::pages::BUILD.to_owned(),
            epoch: self.server.journal.epoch(),
            session: self.row.session,
            code: self.row.code.clone(),
            title: view.title,
            settings: view.settings,
            at_ms: self.clock.now(),
            speed: self.server.clock.speed(),
            role,
            you,
            in_command,
            last_event: view.last_event,
            durable,
            closed: view.closed,
            pieces: view.pieces,
            current: view.current,
            athletes: view.athletes,
            prepared: view.prepared,
            calibration: view.calibration,
            calls: view.calls,
            call: view.call,
            own: view.own,
            requests: match viewer {
                Viewer::Coach => self.requests.told(),
                Viewer::Board | Viewer::Athlete(_) => Vec::new(),
            },
            damage: view.damage,
        };
        self.devices.say(conn, &ServerMsg::Welcome(Box::new(welcome)));
        delivery::missed(&self.core, &self.devices, conn, hello.last_event, viewer);
        // A connection that has gone meanwhile will say so itself.
        let _ = clock.send(self.clock);
    }

    /// Nobody has been here for a while: what still comes in is dealt with, then the task ends.
    async fn rest(&mut self) -> Result<(), JournalError> {
        self.events.close();
        let mut batch = Batch::default();
        while let Some(event) = self.events.recv().await {
            if let Event::Hello(greeting) = event {
                greeting.outbox.close(Close::GoingAway);
            } else {
                self.take(event, &mut batch);
            }
        }
        self.commit(batch).await
    }

    fn stop(&mut self) -> Result<(), JournalError> {
        for outbox in self.devices.outboxes() {
            let after_ms = Millis(secret::random_below(RESTART_SPREAD_MS));
            devices::say(outbox, &ServerMsg::Restart { after_ms });
            outbox.close(Close::Restart);
        }
        Ok(())
    }
}
