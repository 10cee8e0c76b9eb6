//! The owner of a session, apart from sockets, disk and clock: takes what is said, and tells what came of it.

use std::collections::{BTreeMap, VecDeque};

use thole_piece::{Input, Output, Session, piece::Piece, session::Viewer};
use thole_protocol::{
    ServerMsg,
    client_msg::{
        AddAthletes, LetIn, LetInAll, NewBoardLink, NewCoachLink, NewLink, Role, TakeCommand,
        TurnAway,
    },
    close::Close,
    event::Happening,
    ids::{AthleteId, CommandId},
    refusal::{Refusal, Why},
    server_msg::{Links, Welcome},
    standing::Phase,
    units::At,
};

use crate::{
    batch::{Batch, Step},
    delivery::{self, Screens},
    ids::Ids,
    members::{ConnId, Members},
    moment::{Moment, Now},
    outbound::{Delivery, Entrance, Outbound, Remark, say, text},
    planted::Fault,
    record::{Holder, Record},
    refusals::Refusals,
    requests::Requests,
    said::{Greeting, KeysOf, Reopening, Said, Setup},
    secret::RandomBits,
};

/// At most this many are remembered: a client repeats an order within seconds.
const TAKEN_MAX: usize = 64;

/// One session's rules, between its connections and its core.
#[derive(Debug)]
pub struct Host {
    pub(crate) settings: Setup,
    pub(crate) core: Session,
    /// The instant of the last record.
    pub(crate) last: At,
    pub(crate) members: Members,
    screens: Screens,
    /// Secrets that are told when the order that made them is done.
    pub(crate) links: BTreeMap<CommandId, (ConnId, Links)>,
    pub(crate) requests: Requests,
    /// How often a seat has been given another secret since this host began.
    pub(crate) again: BTreeMap<AthleteId, u32>,
    pub(crate) refusals: Refusals,
    pub(crate) ids: Ids,
    /// The last orders that took command: repeated after a lost answer, they take nothing from whoever leads since.
    taken: VecDeque<CommandId>,
    #[cfg(feature = "planted")]
    pub(crate) planted: Option<Fault>,
}

impl Host {
    /// The host of a session as its journal left it.
    #[must_use]
    pub fn open(settings: Setup, core: Session) -> Host {
        Host {
            last: core.now(),
            members: Members::awaiting(core.leader()),
            ids: Ids::default(),
            settings,
            core,
            screens: Screens::default(),
            links: BTreeMap::new(),
            requests: Requests::default(),
            again: BTreeMap::new(),
            refusals: Refusals::default(),
            taken: VecDeque::new(),
            #[cfg(feature = "planted")]
            planted: None,
        }
    }

    /// The session itself.
    #[must_use]
    pub fn core(&self) -> &Session {
        &self.core
    }

    /// The instant of the last record.
    #[must_use]
    pub fn last(&self) -> At {
        self.last
    }

    /// When the core is to be told that it is time; `None` while nothing falls due by itself.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        self.core.deadline()
    }

    /// When something is to be told although nothing is said; `None` when there is nothing.
    #[must_use]
    pub fn tells_at(&self) -> Option<Moment> {
        self.requests.due()
    }

    /// Whether nobody is connected or waiting for the coach's word.
    #[must_use]
    pub fn is_alone(&self) -> bool {
        self.members.is_empty() && !self.requests.anybody_waits()
    }

    /// Everybody who is connected.
    pub fn connections(&self) -> impl Iterator<Item = ConnId> {
        self.members.all()
    }

    /// A session that was used before is opened again: everybody has been away, and what is new about it is recorded
    /// in it before anybody is welcomed.
    pub fn reopened(&mut self, now: Now, found: Reopening, batch: &mut Batch) {
        if let Some((by_ms, devices)) = found.clock {
            self.input(now, Input::ClockSet { by_ms, devices }, batch);
        }
        if self.has(Fault::ClockLeaps) {
            self.last = At(self.last.0 + 3_600_000);
        }
        self.input(now, Input::Reopened, batch);
        if !self.has(Fault::DamageUntold) {
            self.note_damage(now, found.damage, batch);
        }
        if let Some(model) = found.model {
            self.input(now, model, batch);
        }
    }

    /// If what the core waits for is due, it is told so.
    pub fn due(&mut self, now: Now, batch: &mut Batch) {
        if self.core.deadline().is_some_and(|at| at <= now.at) {
            self.input(now, Input::Deadline, batch);
        }
    }

    pub(crate) fn input(&mut self, now: Now, input: Input, batch: &mut Batch) {
        let at = now.at.max(self.last);
        self.last = at;
        batch.records.push(Record { at, input });
        batch.steps.push(Step::Apply { answer: None });
    }

    /// Takes one thing that is said; what has to be written for it goes into the batch. Refusals that change nothing are
    /// told at once.
    pub fn take(
        &mut self,
        now: Now,
        said: Said,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        match said {
            Said::Hello(greeting) if !self.may_come(now, greeting.holder) => {
                out.tell(greeting.conn, Delivery::Close(Close::TooSlow));
            }
            Said::Hello(greeting) if self.seat_is_taken(&greeting, batch) => {
                out.tell(greeting.conn, Delivery::Close(Close::SeatTaken));
            }
            Said::Hello(greeting) => {
                self.comes(now, &greeting, batch, out);
                if self.has(Fault::WelcomedEarly) {
                    return self.welcome(now, *greeting, out);
                }
                batch.steps.push(Step::Welcome(greeting));
            }
            Said::Input { conn, input, bytes, command } => {
                let mut input = input;
                if let Input::Ordered { command, order, by } = &mut input {
                    if !self.leads(now, conn, batch) {
                        return not_in_command(out, conn, *command);
                    }
                    if let Some(refusal) = self.not_ruled(*command, order) {
                        return refuse(out, conn, Some(*command), refusal);
                    }
                    *by = self.members.by(conn).cloned();
                }
                self.said(now, (conn, command), (input, bytes), batch, out);
            }
            Said::Order { asker, command, order, by } => {
                if let Some(refusal) = self.not_ruled(command, &order) {
                    return out.tell(asker, Delivery::Ordered(Err(refusal)));
                }
                self.ordered(now, asker, Input::Ordered { command, order, by }, batch);
            }
            Said::Take(conn, TakeCommand { command }) => {
                if self.taken.contains(&command) {
                    batch.steps.push(Step::Told { conn, command, told: None });
                } else if self.members.take_command(conn) {
                    self.taken.push_back(command);
                    if self.taken.len() > TAKEN_MAX {
                        self.taken.pop_front();
                    }
                    self.tell_command(out);
                    self.note_leader(now, conn, batch);
                    batch.steps.push(Step::Told { conn, command, told: None });
                }
            }
            // Looking is not an order: a device that does not lead may do it.
            Said::Table(conn, asked) => batch.steps.push(Step::Table { conn, asked }),
            Said::Add(conn, AddAthletes { command, .. })
            | Said::Link(conn, NewLink { command, .. })
            | Said::BoardLink(conn, NewBoardLink { command })
            | Said::CoachLink(conn, NewCoachLink { command })
            | Said::LetIn(conn, LetIn { command, .. })
            | Said::LetInAll(conn, LetInAll { command, .. })
            | Said::TurnAway(conn, TurnAway { command, .. })
                if !self.leads(now, conn, batch) =>
            {
                not_in_command(out, conn, command);
            }
            Said::Add(conn, add) => self.add(now, conn, add, chance, batch, out),
            Said::Link(conn, link) => self.new_link(now, conn, link, chance, batch, out),
            Said::BoardLink(conn, link) => self.new_board_link(now, conn, link, chance, batch),
            Said::CoachLink(conn, link) => self.new_coach_link(now, conn, link, chance, batch),
            Said::LetIn(conn, let_in) => self.let_in(now, conn, let_in, chance, batch, out),
            Said::LetInAll(conn, all) => self.let_in_all(now, conn, &all, chance, batch, out),
            Said::TurnAway(conn, turn_away) => self.turn_away(conn, turn_away, batch, out),
            Said::Join(conn, join, owner) => {
                self.join(now, (conn, join, owner), chance, batch, out);
            }
            Said::KeysEnded { asker, command, of } => match of {
                KeysOf::Person(person) => {
                    let seat = self.seat_of(person, batch);
                    self.keys_ended(now, (asker, command, seat), batch);
                }
                KeysOf::Hall(device) => {
                    let seat = self.core.at_hall(device);
                    self.keys_ended(now, (asker, command, seat), batch);
                }
                KeysOf::Coach(coach) => {
                    self.coach_ended(now, (asker, command, coach), chance, batch);
                }
            },
            Said::WaitsNoMore(conn, request, why) => {
                self.requests.waits_no_more(conn, request, why);
            }
            Said::Silent(conn, since) => self.not_heard(now, conn, since, batch),
            Said::Left(conn, since) => {
                self.not_heard(now, conn, since, batch);
                if self.members.leave(conn) {
                    self.tell_command(out);
                }
            }
            Said::HeardAgain(conn) => {
                if let Some(athlete) = self.members.athlete(conn) {
                    self.input(now, Input::Heard { athlete }, batch);
                }
            }
        }
    }

    fn not_heard(&mut self, now: Now, conn: ConnId, since: At, batch: &mut Batch) {
        if let Some(athlete) = self.members.athlete(conn) {
            let since = since.min(now.at);
            self.input(now, Input::NotHeard { athlete, since }, batch);
        }
    }

    /// The batch is durable: what was said is applied in order, and everybody is told. `records` are the batch's own.
    pub fn committed(
        &mut self,
        now: Now,
        batch: Batch,
        records: &[Record],
        out: &mut dyn Outbound,
    ) {
        let applied = batch.steps.iter().filter(|step| step.takes_a_record()).count();
        // Otherwise something that is durable would be applied to nobody, or somebody would be answered for what is not.
        assert_eq!(applied, records.len(), "the shell hands back the records of this batch");
        let mut outputs = Vec::new();
        let mut durable = records.iter();
        let swapped = self.has(Fault::OrderSwapped);
        for step in batch.steps {
            match step {
                Step::Apply { answer } => {
                    let next = if swapped { durable.next_back() } else { durable.next() };
                    let Some(Record { at, input }) = next else { continue };
                    let mut told = self.core.apply(*at, input);
                    if let Some((conn, command)) = answer {
                        self.answer(now, conn, command, &mut told, out);
                    }
                    outputs.extend(told);
                }
                Step::Order { asker } => {
                    let Some(Record { at, input }) = durable.next() else { continue };
                    outputs.extend(self.carried_out(asker, *at, input, out));
                }
                Step::Welcome(greeting) => {
                    // What happened before the welcome is part of it; what comes after follows it.
                    self.deliver(now, std::mem::take(&mut outputs), out);
                    self.welcome(now, *greeting, out);
                }
                // Whoever is no longer there asks again.
                Step::Joined { conn, joined } => {
                    out.tell(conn, Delivery::Entrance(Ok(Entrance::Open(joined))));
                }
                Step::LetIn { waits, joined } => out.tell(waits, Delivery::Decided(Ok(joined))),
                Step::Told { conn, command, told } => {
                    if let Some(told) = told {
                        say(out, conn, &told);
                    }
                    say(out, conn, &ServerMsg::Done { command });
                }
                Step::Table { conn, asked } => {
                    // What happened before it was asked for is told before it.
                    self.deliver(now, std::mem::take(&mut outputs), out);
                    self.tell_table(conn, asked, out);
                }
                Step::SendAway { holder, but } => self.send_away(now, holder, but, out),
                Step::CoachEnded { coach } => {
                    for conn in self.members.of_coach(coach) {
                        out.tell(conn, Delivery::Close(Close::WrongSecret));
                    }
                }
            }
        }
        self.deliver(now, outputs, out);
    }

    fn send_away(&mut self, now: Now, holder: Holder, but: ConnId, out: &mut dyn Outbound) {
        for conn in self.members.send_away(holder, but, now.moment) {
            out.tell(conn, Delivery::Close(Close::WrongSecret));
        }
    }

    /// Tells what was held back to be told together with other things.
    pub fn tell_later(&mut self, now: Now, out: &mut dyn Outbound) {
        if let Some(requests) = self.requests.news(now.moment) {
            let told = text(&ServerMsg::Requests { requests });
            self.members.coaches().for_each(|conn| out.tell(conn, Delivery::Shared(&told)));
        }
    }

    pub(crate) fn deliver(&mut self, now: Now, mut outputs: Vec<Output>, out: &mut dyn Outbound) {
        if self.has(Fault::CallLost) {
            outputs.retain(|output| {
                !matches!(output, Output::Event { event, .. } if matches!(event.what, Happening::Call { .. }))
            });
        }
        for output in &outputs {
            match output {
                Output::Done { command } => {
                    if let Some((conn, links)) = self.links.remove(command) {
                        say(out, conn, &ServerMsg::Links(links));
                    }
                }
                Output::OrderRefused { command, refusal } => {
                    self.links.remove(command);
                    out.remark(Remark::Refused(refusal.why));
                }
                Output::Counted { count, width } => out.remark(Remark::Counted(*count, *width)),
                Output::Event { event, .. } => self.note(now, &event.what, out),
                Output::Refused { athlete, refusal } => {
                    self.refusals.count(*athlete, (now.moment, self.settings.speed));
                    out.remark(Remark::Refused(refusal.why));
                }
                Output::SettledDiffers { piece, revision, what } => {
                    let (piece, revision, what) = (*piece, *revision, what.clone());
                    out.remark(Remark::SettledDiffers { piece, revision, what });
                }
                Output::Ack { .. } | Output::Published | Output::OwnChanged { .. } => {}
            }
        }
        delivery::deliver(
            (&self.core, self.settings.speed),
            &self.members,
            &mut self.screens,
            outputs,
            out,
        );
    }

    /// Draws the host's own conclusions from what has happened.
    fn note(&mut self, now: Now, what: &Happening, out: &mut dyn Outbound) {
        if let Happening::AthletesRemoved { athletes } = what {
            for athlete in athletes {
                self.send_away(now, Holder::Athlete(*athlete), ConnId::NOBODY, out);
            }
        }
        if let Happening::PhaseChanged { piece, phase } = what
            && let Phase::Finished { .. } | Phase::Stopped { .. } = phase
        {
            let stopped = matches!(phase, Phase::Stopped { .. });
            let of_piece = |(of, _): &(&Piece, _)| of.no == *piece;
            let results = self.core.finishes().filter(of_piece).count();
            out.remark(Remark::PieceOver { piece: *piece, stopped, results });
        }
    }

    fn welcome(&mut self, now: Now, greeting: Greeting, out: &mut dyn Outbound) {
        let Greeting { conn, asked, holder, opens, by, hello } = greeting;
        let (role, viewer, you) = match holder {
            Holder::Coach => (Role::Coach, Viewer::Coach, None),
            Holder::Board if self.has(Fault::WrongRole) => (Role::Board, Viewer::Coach, None),
            Holder::Board => (Role::Board, Viewer::Board, None),
            Holder::Athlete(athlete) => (Role::Athlete, Viewer::Athlete(athlete), Some(athlete)),
        };
        let full = match holder {
            Holder::Coach => self.members.coaches().len() >= self.settings.coaches,
            Holder::Board => self.members.boards().len() >= self.settings.boards,
            Holder::Athlete(_) => false,
        };
        if full {
            return out.tell(conn, Delivery::Close(Close::RoleFull));
        }
        // The order that made this secret was refused, or a newer one has just taken its place.
        let unknown = you.is_some_and(|you| !self.core.knows(you));
        let may_come = match (holder, self.core.coach_link()) {
            // Neither a new link nor an old one has to do with a key.
            (Holder::Coach, _) if by.is_some() => true,
            (Holder::Coach, Some(link)) => {
                let asked_for_it = link.device.is_some() && hello.device == link.device;
                opens.to_hex() == link.opens || asked_for_it
            }
            _ => !self.members.was_sent_away(holder, asked),
        };
        if unknown || !may_come {
            // A record that is damaged may have been the one that made the seat.
            let lost = unknown && !self.core.damage().is_empty();
            let why = if lost { Close::RecordsLost } else { Close::WrongSecret };
            return out.tell(conn, Delivery::Close(why));
        }
        let others = self.members.coaches().collect::<Vec<_>>();
        let entered = self.members.enter(conn, holder, hello.device, by);
        if let Some(replaced) = entered.replaced {
            out.tell(replaced, Delivery::Close(Close::Replaced));
        }
        if entered.command_changed {
            // The one that comes in is told by its welcome.
            for other in others {
                say(out, other, &ServerMsg::InCommand { yes: false });
            }
        }
        let view = self.core.view(viewer);
        let welcome = Welcome {
            version: thole_protocol::VERSION,
            build: self.settings.build.clone(),
            epoch: match self.has(Fault::OtherEpoch) {
                true => now.at.0.to_string(),
                false => self.settings.epoch.clone(),
            },
            session: self.settings.session,
            code: self.settings.code.clone(),
            title: view.title,
            settings: view.settings,
            at_ms: now.at,
            speed: self.settings.speed,
            role,
            you,
            in_command: self.members.lead.is_of(conn),
            last_event: view.last_event,
            durable: you.zip(hello.run).map(|(you, run)| self.core.durable(you, run)),
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
        out.tell(conn, Delivery::Welcome(text(&ServerMsg::Welcome(Box::new(welcome)))));
        delivery::missed(
            (&self.core, self.settings.speed),
            &mut self.screens,
            conn,
            hello.last_event,
            viewer,
            out,
        );
    }
}

pub(crate) fn not_in_command(out: &mut dyn Outbound, conn: ConnId, command: CommandId) {
    let says = "Another device of the coach is in command; take command first.".to_owned();
    refuse(out, conn, Some(command), Refusal { why: Why::NotInCommand, says });
}

pub(crate) fn refuse(
    out: &mut dyn Outbound,
    conn: ConnId,
    command: Option<CommandId>,
    refusal: Refusal,
) {
    say(out, conn, &ServerMsg::Refused { command, refusal });
}
