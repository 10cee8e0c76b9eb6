//! Devices that only watch, and the coach's second one, which takes command now and then.

use thole::chance::Chance;
use thole_host::{ConnId, Holder};
use thole_piece::Input;
use thole_protocol::{
    ServerMsg,
    client_msg::{Role, TakeCommand},
    close::Close,
    event::Event,
    ids::{CallId, CommandId, EventNo},
    order::Order,
    refusal::Why,
    units::At,
};
use uuid::Uuid;

use super::{
    Tally,
    disk::first_secret,
    post::{self, Dial, Letter, Said, Told, Who},
};

/// How long a hello may go without its welcome.
const GREETING_MAX_MS: u64 = 3_000;

/// A device that is there from the beginning to the end.
pub(super) struct Screen {
    dial: Dial,
    role: Role,
    secret: String,
    up: bool,
    greeted_at: Option<u64>,
    back_at: u64,
    under_way: Vec<(u64, Letter)>,
    last_event: Option<EventNo>,
    heard: Vec<EventNo>,
    /// What it was last told.
    in_command: bool,
    /// Commands that it has given.
    count: u128,
    /// An order that it may not give, which has to be refused.
    forbidden: Option<CommandId>,
}

impl Screen {
    pub(super) fn board() -> Screen {
        Screen::new(Who::Board, Role::Board, Holder::Board)
    }

    pub(super) fn assistant() -> Screen {
        Screen::new(Who::Assistant, Role::Coach, Holder::Coach)
    }

    fn new(who: Who, role: Role, holder: Holder) -> Screen {
        Screen {
            dial: Dial::new(who),
            role,
            secret: first_secret(holder),
            up: false,
            greeted_at: None,
            back_at: 1_000,
            under_way: Vec::new(),
            last_event: None,
            heard: Vec::new(),
            in_command: false,
            count: 0,
            forbidden: None,
        }
    }

    pub(super) fn conn(&self) -> ConnId {
        self.dial.conn()
    }

    pub(super) fn heard(&self) -> &[EventNo] {
        &self.heard
    }

    pub(super) fn tick(
        &mut self,
        now: u64,
        server_is_up: bool,
        chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) {
        if !self.up {
            let waits = self.greeted_at.is_some_and(|at| at + GREETING_MAX_MS > now);
            if now >= self.back_at && !server_is_up {
                self.back_at = self.dial.tries_again(now);
            } else if now >= self.back_at && !waits {
                self.greeted_at = Some(now);
                let last = self.last_event.unwrap_or_default();
                let hello = self.dial.hello(now, self.role, &self.secret, None, last);
                self.under_way.push((now, hello));
            }
            return;
        }
        let Some(chance) = chance else { return };
        if chance.below(500) == 0 {
            let conn = self.dial.conn();
            self.lose_connection(now);
            self.back_at = now + chance.below(8_000);
            self.later(now + chance.below(6_000), thole_host::Said::Left(conn, At(now)), conn);
        } else if self.role == Role::Coach && chance.below(400) == 0 {
            self.count += 1;
            let (conn, command) =
                (self.dial.conn(), CommandId(Uuid::from_u128(0xa551_0000 + self.count)));
            if chance.below(2) == 0 {
                tally.add("command taken by the second device");
                self.later(now, thole_host::Said::Take(conn, TakeCommand { command }), conn);
            } else if !self.in_command {
                // It would change nothing even if it were carried out.
                let order = Order::TakeBack { call: CallId(Uuid::from_u128(0xbad)) };
                let input = Input::Ordered { command, order, by: None };
                self.forbidden = Some(command);
                let said = thole_host::Said::Input { conn, input, bytes: 100, command: None };
                self.later(now, said, conn);
            }
        }
    }

    fn later(&mut self, at: u64, said: thole_host::Said, conn: ConnId) {
        self.under_way.push((at, Letter { conn, said: Said::Now(said) }));
    }

    pub(super) fn lose_connection(&mut self, now: u64) {
        (self.up, self.greeted_at, self.back_at) = (false, None, now + 300);
        (self.in_command, self.forbidden) = (false, None);
        self.under_way.clear();
    }

    pub(super) fn arriving(&mut self, now: u64) -> Vec<Letter> {
        post::arriving(&mut self.under_way, now)
    }

    pub(super) fn hear(&mut self, now: u64, told: Told, tally: &mut Tally) {
        match told {
            Told::Msg(msg) => self.hear_msg(now, *msg, tally),
            Told::Close(Close::TooSlow) => {
                self.lose_connection(now);
                self.back_at = now + 2_000;
            }
            Told::Close(_) | Told::Entrance(_) | Told::Decided(_) => {
                panic!("a screen is sent away: {told:?}")
            }
        }
    }

    fn hear_msg(&mut self, now: u64, msg: ServerMsg, tally: &mut Tally) {
        match msg {
            ServerMsg::Welcome(welcome) => {
                self.up = true;
                self.greeted_at = None;
                self.dial.welcomed(now, welcome.at_ms);
                let last = self.last_event.get_or_insert(welcome.last_event);
                *last = (*last).min(welcome.last_event);
                self.in_command = welcome.in_command;
            }
            ServerMsg::InCommand { yes } => self.in_command = yes,
            ServerMsg::Events { events } => events.iter().for_each(|event| self.happened(event)),
            ServerMsg::Refused { command, refusal }
                if command == self.forbidden && command.is_some() =>
            {
                // It may have been given command in the meantime; then the core refuses what makes no sense.
                if refusal.why == Why::NotInCommand {
                    tally.add("order of a device that does not lead refused");
                } else {
                    assert!(self.in_command, "an order of a device that does not lead was taken");
                }
                self.forbidden = None;
            }
            _ => {}
        }
    }

    fn happened(&mut self, event: &Event) {
        if Some(event.event) > self.last_event {
            self.last_event = Some(event.event);
            self.heard.push(event.event);
        }
    }
}
