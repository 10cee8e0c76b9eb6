//! The coach's device: gives the orders of the life one by one, each until it is answered.

use thole::{chance::Chance, mirror::Mirror};
use thole_piece::Input;
use thole_protocol::{
    ids::{CommandId, EventNo},
    order::Order,
    standing::AthleteResult,
};
use uuid::Uuid;

use super::{
    Tally,
    life::{Life, When},
    server::{Said, Told, Who},
};

/// An order that is not answered is said again after so long.
const AGAIN_MS: u64 = 2_000;
/// How long a hello may go without its welcome.
const GREETING_MAX_MS: u64 = 3_000;

pub(super) struct Coach {
    orders: Vec<(When, Order)>,
    next: usize,
    said_at: Option<u64>,
    /// The next order's time has come; once it has, it is said until it is answered.
    due: bool,
    answered_at: u64,
    up: bool,
    greeted_at: Option<u64>,
    back_at: u64,
    under_way: Vec<(u64, Said)>,
    mirror: Option<Mirror>,
    last_event: EventNo,
    heard: Vec<EventNo>,
}

impl Coach {
    pub(super) fn new(life: &Life) -> Coach {
        Coach {
            orders: life.orders.clone(),
            next: 0,
            said_at: None,
            due: false,
            answered_at: 0,
            up: false,
            greeted_at: None,
            back_at: 0,
            under_way: Vec::new(),
            mirror: None,
            last_event: EventNo(0),
            heard: Vec::new(),
        }
    }

    pub(super) fn is_done(&self) -> bool {
        self.next == self.orders.len()
    }

    /// The order that is to be given next, or waits for its answer.
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
            if now >= self.back_at && server_is_up && !waits {
                self.greeted_at = Some(now);
                let last_event = self.last_event;
                self.under_way.retain(|(_, said)| !matches!(said, Said::Left));
                self.under_way.push((now, Said::Hello { run: None, last_event }));
            }
            return;
        }
        if let Some(chance) = &mut chance
            && chance.below(900) == 0
        {
            self.lose_connection(now);
            self.back_at = now + chance.below(8_000);
            self.under_way.push((now, Said::Left));
            return;
        }
        let Some((when, order)) = self.orders.get(self.next) else { return };
        self.due |= match when {
            When::After(ms) => now >= self.answered_at + ms,
            When::AfterGo(ms) => go.is_some_and(|go| now >= go + ms),
        };
        let again = self.said_at.is_some_and(|at| now >= at + AGAIN_MS);
        if self.due && (self.said_at.is_none() || again) {
            if again {
                tally.add("order repeated");
            }
            if *order == Order::FalseStart && self.said_at.is_none() {
                tally.add("false start");
            }
            let input = Input::Ordered { command: self.command(), order: order.clone() };
            self.said_at = Some(now);
            let (late, twice) = chance.map_or((0, false), |c| (c.below(400), c.below(6) == 0));
            if twice {
                tally.add("order repeated");
                self.under_way.push((now + late, Said::Input(input.clone())));
            }
            self.under_way.push((now + late, Said::Input(input)));
        }
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

    pub(super) fn arriving(&mut self, now: u64) -> Vec<(Who, Said)> {
        let (arriving, later) =
            std::mem::take(&mut self.under_way).into_iter().partition(|(at, _)| *at <= now);
        self.under_way = later;
        let arriving: Vec<(u64, Said)> = arriving;
        arriving.into_iter().map(|(_, said)| (None, said)).collect()
    }

    pub(super) fn hear(&mut self, now: u64, told: Told) {
        match told {
            Told::Welcome(welcome) => {
                self.up = true;
                self.greeted_at = None;
                if self.mirror.is_none() {
                    self.last_event = welcome.last_event;
                }
                self.mirror = Some(Mirror::of(*welcome));
            }
            Told::Events(events) => {
                for event in events.iter().filter(|event| event.event > self.last_event) {
                    self.heard.push(event.event);
                    if let Some(mirror) = &mut self.mirror {
                        mirror.take(event);
                    }
                }
                self.last_event =
                    self.heard.last().copied().unwrap_or_default().max(self.last_event);
            }
            Told::Answered(command) => {
                if command == self.command() && !self.is_done() {
                    self.next += 1;
                    (self.said_at, self.due) = (None, false);
                    self.answered_at = now;
                }
            }
            Told::Ack { .. } => {}
        }
    }
}
