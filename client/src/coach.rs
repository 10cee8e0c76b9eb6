//! A coach's place in a session: orders that are done once, however often the connection is lost.

use std::{
    collections::{BTreeMap, VecDeque},
    time::Duration,
};

use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{
        AddAthletes, Command, LetIn, LetInAll, NewBoardLink, NewCoachLink, NewLink, Role,
        TableQuestion, TakeCommand, TurnAway,
    },
    event::Event,
    ids::{AthleteId, CommandId, DeviceId, JoinCode, PieceNo, RequestId},
    order::Order,
    refusal::Refusal,
    server_msg::{BoardLink, CoachLink, JoinRequest, Links},
    spec::RosterEntry,
    standing::Overview,
};
use tokio::time::sleep;
use uuid::Uuid;

use crate::{
    clock::SessionClock,
    link::{Link, LinkConfig, LinkNews},
    mirror::Mirror,
    outgoing::Outgoing,
    socket::{Dial, Ended},
};

/// What a coach is told.
#[derive(Clone, Debug)]
pub enum CoachNews {
    /// Connected: `Coach::mirror` has everything that is true now.
    Welcome,
    /// Something happened.
    Event(Event),
    /// Who stands where, and who needs a word.
    Overview(Overview),
    /// An order was carried out.
    Done(CommandId),
    /// An order was refused, or something else that was said.
    Refused(Option<CommandId>, Refusal),
    /// Secrets, shown only this once.
    Links(Links),
    /// A new secret for boards, shown only this once.
    BoardLink(BoardLink),
    /// A new secret for the coach's devices, shown only this once; this device uses it from now on.
    CoachLink(CoachLink),
    /// The whole table of results; `Done` follows.
    ResultsTable(CommandId, String),
    /// Who asks to be let in: `Coach::requests` has them.
    Requests,
    /// Whether this device is in command now.
    InCommand(bool),
    /// The connection was lost; the link comes back by itself.
    Lost {
        /// Why.
        says: String,
        /// When it is tried again, in real time.
        again_in: Duration,
    },
    /// The link has ended for good.
    Ended(Ended),
}

/// A coach's place in a session.
#[derive(Debug)]
pub struct Coach {
    link: Link,
    outgoing: Outgoing,
    mirror: Option<Mirror>,
    overview: Option<Overview>,
    in_command: bool,
    requests: Vec<JoinRequest>,
    /// What has arrived of tables that are not complete yet.
    tables: BTreeMap<CommandId, String>,
    told: VecDeque<CoachNews>,
    ended: bool,
}

impl Coach {
    /// Starts connecting. With the session's `code`, the secret may be a coach's own key of the club.
    #[must_use]
    pub fn open(dial: Dial, secret: String, code: Option<JoinCode>, seed: u64) -> Coach {
        let config = LinkConfig {
            dial,
            role: Role::Coach,
            secret,
            code,
            run: None,
            device: Some(DeviceId(Uuid::new_v4())),
            take_seat: false,
            speed: 1,
            seed,
        };
        Coach {
            link: Link::open(config),
            outgoing: Outgoing::default(),
            mirror: None,
            overview: None,
            in_command: false,
            requests: Vec::new(),
            tables: BTreeMap::new(),
            told: VecDeque::new(),
            ended: false,
        }
    }

    /// Gives an order; it is answered by `CoachNews::Done` or `CoachNews::Refused` with the same number.
    pub fn order(&mut self, order: Order) -> CommandId {
        self.say(|command| ClientMsg::Command(Command { command, order }))
    }

    /// Adds athletes, at most 500 at once; answered by `CoachNews::Links` too.
    pub fn add(&mut self, athletes: Vec<RosterEntry>) -> CommandId {
        self.say(|command| ClientMsg::AddAthletes(AddAthletes { command, athletes }))
    }

    /// Makes a new secret for an athlete; answered by `CoachNews::Links`.
    pub fn new_link(&mut self, athlete: AthleteId) -> CommandId {
        self.say(|command| ClientMsg::NewLink(NewLink { command, athlete }))
    }

    /// Makes a new secret for boards; answered by `CoachNews::BoardLink`.
    pub fn new_board_link(&mut self) -> CommandId {
        self.say(|command| ClientMsg::NewBoardLink(NewBoardLink { command }))
    }

    /// Makes a new secret for the coach's devices; answered by `CoachNews::CoachLink`.
    pub fn new_coach_link(&mut self) -> CommandId {
        self.say(|command| ClientMsg::NewCoachLink(NewCoachLink { command }))
    }

    /// Lets in somebody who asks.
    pub fn let_in(&mut self, request: RequestId) -> CommandId {
        self.say(|command| ClientMsg::LetIn(LetIn { command, request }))
    }

    /// Lets in everybody of those who ask now that asks for a seat of the list which nobody else asks for.
    pub fn let_in_all(&mut self) -> CommandId {
        let requests = self.requests.iter().map(|asks| asks.request).collect();
        self.say(|command| ClientMsg::LetInAll(LetInAll { command, requests }))
    }

    /// Does not let in somebody who asks.
    pub fn turn_away(&mut self, request: RequestId) -> CommandId {
        self.say(|command| ClientMsg::TurnAway(TurnAway { command, request }))
    }

    /// Asks for the table of results, of one piece or of all; answered by `CoachNews::ResultsTable` too.
    pub fn results_table(&mut self, piece: Option<PieceNo>) -> CommandId {
        self.say(|command| ClientMsg::ResultsTable(TableQuestion { command, piece }))
    }

    /// Makes this device the one in command; answered by `CoachNews::InCommand`.
    pub fn take_command(&mut self) -> CommandId {
        self.say(|command| ClientMsg::TakeCommand(TakeCommand { command }))
    }

    /// The session as known here; `None` before the first welcome.
    #[must_use]
    pub fn mirror(&self) -> Option<&Mirror> {
        self.mirror.as_ref()
    }

    /// Who stands where, as last heard; `None` before the first time.
    #[must_use]
    pub fn overview(&self) -> Option<&Overview> {
        self.overview.as_ref()
    }

    /// Who asks to be let in, oldest first.
    #[must_use]
    pub fn requests(&self) -> &[JoinRequest] {
        &self.requests
    }

    /// Whether this device is the one in command.
    #[must_use]
    pub fn in_command(&self) -> bool {
        self.in_command
    }

    /// The session's clock.
    #[must_use]
    pub fn clock(&self) -> &SessionClock {
        self.link.clock()
    }

    /// Waits for news; `None` after `CoachNews::Ended`. Nothing is lost when the wait is given up.
    pub async fn next(&mut self) -> Option<CoachNews> {
        loop {
            if let Some(told) = self.told.pop_front() {
                return Some(told);
            }
            if self.ended {
                return None;
            }
            let wait = self.outgoing.say(&self.link);
            tokio::select! {
                news = self.link.next() => match news {
                    Some(news) => self.hear(news),
                    None => self.ended = true,
                },
                () = sleep(wait) => {}
            }
        }
    }

    fn say(&mut self, msg: impl FnOnce(CommandId) -> ClientMsg) -> CommandId {
        let command = CommandId(Uuid::new_v4());
        self.outgoing.order(command, msg(command));
        command
    }

    fn hear(&mut self, news: LinkNews) {
        match news {
            LinkNews::Welcome { connection, welcome } => {
                self.in_command = welcome.in_command;
                self.requests.clone_from(&welcome.requests);
                self.mirror = Some(Mirror::of(*welcome));
                self.outgoing.connected(connection);
                self.told.push_back(CoachNews::Welcome);
            }
            LinkNews::Said(msg) => self.said(msg),
            LinkNews::ClockSet => {}
            LinkNews::Lost { says, again_in, .. } => {
                self.outgoing.lost();
                // They are asked for again, and then come from the beginning.
                self.tables.clear();
                self.told.push_back(CoachNews::Lost { says, again_in });
            }
            LinkNews::Ended(ended) => {
                self.outgoing.lost();
                self.ended = true;
                self.told.push_back(CoachNews::Ended(ended));
            }
        }
    }

    fn said(&mut self, msg: ServerMsg) {
        if let ServerMsg::Events { events } = msg {
            for event in events {
                if let Some(mirror) = &mut self.mirror {
                    mirror.take(&event);
                }
                self.told.push_back(CoachNews::Event(event));
            }
        } else if let ServerMsg::Overview(overview) = msg {
            self.overview = Some(overview.clone());
            self.told.push_back(CoachNews::Overview(overview));
        } else if let ServerMsg::Done { command } = msg {
            self.outgoing.answered(command);
            let table = self.tables.remove(&command);
            self.told.extend(table.map(|table| CoachNews::ResultsTable(command, table)));
            self.told.push_back(CoachNews::Done(command));
        } else if let ServerMsg::Refused { command, refusal } = msg {
            if let Some(command) = command {
                self.outgoing.answered(command);
            }
            self.told.push_back(CoachNews::Refused(command, refusal));
        } else if let ServerMsg::Links(links) = msg {
            self.outgoing.answered(links.command);
            self.told.push_back(CoachNews::Links(links));
        } else if let ServerMsg::BoardLink(link) = msg {
            self.outgoing.answered(link.command);
            self.told.push_back(CoachNews::BoardLink(link));
        } else if let ServerMsg::CoachLink(link) = msg {
            self.outgoing.answered(link.command);
            // A link so busy that this has to wait breaks before it is heard: the old secret still brings this device
            // back.
            let _ = self.link.comes_by(link.coach_secret.clone());
            self.told.push_back(CoachNews::CoachLink(link));
        } else if let ServerMsg::ResultsTable(part) = msg {
            self.tables.entry(part.command).or_default().push_str(&part.csv);
        } else if let ServerMsg::Requests { requests } = msg {
            self.requests = requests;
            self.told.push_back(CoachNews::Requests);
        } else if let ServerMsg::InCommand { yes } = msg {
            self.in_command = yes;
            self.told.push_back(CoachNews::InCommand(yes));
        }
    }
}
