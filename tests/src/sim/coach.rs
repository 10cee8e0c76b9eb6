//! The coach's device: gives the orders of the life one by one, each until it is answered, and makes new links now and
//! then.

use thole::{chance::Chance, mirror::Mirror};
use thole_host::{ConnId, Holder};
use thole_piece::Input;
use thole_protocol::{
    ServerMsg,
    client_msg::{NewLink, Role, TakeCommand},
    close::Close,
    event::Event,
    ids::{AthleteId, CommandId, EventNo},
    order::Order,
    refusal::Why,
    server_msg::Joined,
    standing::{AthleteResult, Phase},
    units::At,
};
use uuid::Uuid;

use super::{
    Tally,
    disk::first_secret,
    life::{Life, When},
    post::{self, Dial, Letter, Said, Told, Who},
};

/// An order that is not answered is repeated after this long.
const AGAIN_MS: u64 = 2_000;
/// How long a hello may go without its welcome.
const GREETING_MAX_MS: u64 = 3_000;

pub(super) struct Coach {
    orders: Vec<(When, Order)>,
    leaves_be: bool,
    next: usize,
    said_at: Option<u64>,
    /// The next order's time has come; once it has, it is repeated until it is answered.
    due: bool,
    answered_at: u64,
    up: bool,
    greeted_at: Option<u64>,
    back_at: u64,
    dial: Dial,
    under_way: Vec<(u64, Letter)>,
    /// The new link that is being asked for, and when it was last asked for.
    link: Option<(NewLink, Option<u64>)>,
    links: u128,
    /// New links that came, to be handed over.
    given: Vec<Joined>,
    /// Somebody else leads: the next message takes command.
    takes: bool,
    taken: u128,
    mirror: Option<Mirror>,
    last_event: EventNo,
    heard: Vec<EventNo>,
}

impl Coach {
    pub(super) fn new(life: &Life) -> Coach {
        Coach {
            orders: life.orders.clone(),
            leaves_be: life.leaves_be,
            next: 0,
            said_at: None,
            due: false,
            answered_at: 0,
            up: false,
            greeted_at: None,
            back_at: 0,
            dial: Dial::new(Who::Coach),
            under_way: Vec::new(),
            link: None,
            links: 0,
            given: Vec::new(),
            takes: false,
            taken: 0,
            mirror: None,
            last_event: EventNo(0),
            heard: Vec::new(),
        }
    }

    pub(super) fn is_done(&self) -> bool {
        self.next == self.orders.len()
    }

    /// The order to be given next, or waiting for its answer.
    pub(super) fn order(&self) -> Option<&(When, Order)> {
        self.orders.get(self.next)
    }

    pub(super) fn heard(&self) -> &[EventNo] {
        &self.heard
    }

    /// The results of a piece as this device was told them.
    pub(super) fn results(&self, piece: usize) -> Vec<AthleteResult> {
        let views = self.mirror.as_ref().map(|mirror| &mirror.now().pieces);
        views.and_then(|views| views.get(piece)).map_or(Vec::new(), |view| view.results.clone())
    }

    /// Asks for a new link for somebody, once nothing else is being asked for.
    pub(super) fn renew(&mut self, athlete: AthleteId) {
        if self.link.is_none() {
            self.links += 1;
            let command = CommandId(Uuid::from_u128(0x1111_0000 + self.links));
            self.link = Some((NewLink { command, athlete }, None));
        }
    }

    /// New links to be handed over.
    pub(super) fn given(&mut self) -> Vec<Joined> {
        std::mem::take(&mut self.given)
    }

    /// The newest of its connections.
    pub(super) fn conn(&self) -> ConnId {
        self.dial.conn()
    }

    pub(super) fn tick(
        &mut self,
        now: u64,
        go: Option<u64>,
        server_is_up: bool,
        mut chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) {
        if !self.up {
            let waits = self.greeted_at.is_some_and(|at| at + GREETING_MAX_MS > now);
            if now >= self.back_at && !server_is_up {
                self.back_at = self.dial.tries_again(now);
            } else if now >= self.back_at && !waits {
                self.greeted_at = Some(now);
                let secret = first_secret(Holder::Coach);
                let hello = self.dial.hello(now, Role::Coach, &secret, None, self.last_event);
                self.under_way.push((now, hello));
            }
            return;
        }
        if let Some(chance) = &mut chance
            && chance.below(900) == 0
        {
            let conn = self.dial.conn();
            self.lose_connection(now);
            self.back_at = now + chance.below(8_000);
            let left = Letter { conn, said: Said::Now(thole_host::Said::Left(conn, At(now))) };
            self.under_way.push((now + chance.below(6_000), left));
            return;
        }
        if std::mem::take(&mut self.takes) {
            tally.add("command taken back");
            self.taken += 1;
            let command = CommandId(Uuid::from_u128(0x7a00_0000 + self.taken));
            let (conn, take) = (self.dial.conn(), TakeCommand { command });
            self.say(now, thole_host::Said::Take(conn, take));
        }
        self.ask_for_link(now, tally);
        let Some((when, order)) = self.orders.get(self.next) else { return };
        self.due |= match when {
            When::After(ms) => now >= self.answered_at + ms,
            When::AfterGo(ms) => go.is_some_and(|go| now >= go + ms),
        };
        let is_end = matches!(order, Order::Close | Order::Stop);
        if self.due && self.leaves_be && is_end && self.said_at.is_none() && self.is_over() {
            return self.goes_on(now);
        }
        let again = self.said_at.is_some_and(|at| now >= at + AGAIN_MS);
        if self.due && (self.said_at.is_none() || again) {
            if again {
                tally.add("order repeated");
            }
            if *order == Order::FalseStart && self.said_at.is_none() {
                tally.add("false start");
            }
            let input = Input::Ordered { command: self.command(), order: order.clone(), by: None };
            self.said_at = Some(now);
            let (late, twice) = chance.map_or((0, false), |c| (c.below(400), c.below(6) == 0));
            let said = thole_host::Said::Input {
                conn: self.dial.conn(),
                input,
                bytes: 100,
                command: None,
            };
            if twice {
                tally.add("order repeated");
                self.say(now + late, said.clone());
            }
            self.say(now + late, said);
        }
    }

    fn ask_for_link(&mut self, now: u64, tally: &mut Tally) {
        let conn = self.dial.conn();
        let Some((link, said_at)) = &mut self.link else { return };
        if said_at.is_some_and(|at| now < at + AGAIN_MS) {
            return;
        }
        tally.add(if said_at.is_some() { "new link asked for again" } else { "new link" });
        *said_at = Some(now);
        let said = thole_host::Said::Link(conn, *link);
        self.say(now, said);
    }

    fn say(&mut self, at: u64, said: thole_host::Said) {
        self.under_way.push((at, Letter { conn: self.dial.conn(), said: Said::Now(said) }));
    }

    fn command(&self) -> CommandId {
        CommandId(Uuid::from_u128(0xc000 + self.next as u128))
    }

    pub(super) fn lose_connection(&mut self, now: u64) {
        self.up = false;
        self.greeted_at = None;
        self.back_at = now + 300;
        self.said_at = None;
        self.under_way.clear();
    }

    pub(super) fn arriving(&mut self, now: u64) -> Vec<Letter> {
        post::arriving(&mut self.under_way, now)
    }

    pub(super) fn hear(&mut self, now: u64, told: Told) {
        match told {
            Told::Msg(msg) => self.hear_msg(now, *msg),
            Told::Close(Close::TooSlow) => {
                self.lose_connection(now);
                self.back_at = now + 2_000;
            }
            // A newer connection of the same device has the command.
            Told::Close(_) | Told::Entrance(_) | Told::Decided(_) => {
                panic!("the coach is sent away: {told:?}")
            }
        }
    }

    fn hear_msg(&mut self, now: u64, msg: ServerMsg) {
        match msg {
            ServerMsg::Welcome(welcome) => {
                self.up = true;
                self.greeted_at = None;
                self.dial.welcomed(now, welcome.at_ms);
                if self.mirror.is_none() {
                    self.last_event = welcome.last_event;
                }
                self.last_event = self.last_event.min(welcome.last_event);
                self.mirror = Some(Mirror::of(*welcome));
            }
            ServerMsg::Events { events } => events.iter().for_each(|event| self.happened(event)),
            ServerMsg::Done { command } => self.answered(now, command),
            ServerMsg::Refused { command: Some(_), refusal }
                if refusal.why == Why::NotInCommand =>
            {
                self.takes = true;
            }
            ServerMsg::Refused { command: Some(command), .. } => self.answered(now, command),
            // Asked for twice, it makes two links; the first is handed over.
            ServerMsg::Links(links)
                if self.link.is_some_and(|(link, _)| link.command == links.command) =>
            {
                self.given.extend(links.links);
            }
            _ => {}
        }
    }

    fn happened(&mut self, event: &Event) {
        if event.event > self.last_event {
            self.last_event = event.event;
            self.heard.push(event.event);
            if let Some(mirror) = &mut self.mirror {
                mirror.take(event);
            }
        }
    }

    fn answered(&mut self, now: u64, command: CommandId) {
        if self.link.is_some_and(|(link, _)| link.command == command) {
            self.link = None;
        }
        if command == self.command() && !self.is_done() {
            self.goes_on(now);
        }
    }

    fn goes_on(&mut self, now: u64) {
        self.next += 1;
        (self.said_at, self.due) = (None, false);
        self.answered_at = now;
    }

    /// Whether the piece is over, as this device knows it.
    fn is_over(&self) -> bool {
        let piece = self.mirror.as_ref().and_then(Mirror::current);
        piece.is_some_and(|piece| {
            matches!(piece.phase, Phase::Finished { .. } | Phase::Stopped { .. })
        })
    }
}
