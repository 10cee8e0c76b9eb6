//! What the crowd does when it is due: connecting, strokes, signs of life, and what the coach orders.

use std::{net::Ipv4Addr, time::Duration};

use mio::Token;
use thole_protocol::{
    ClientMsg, VERSION,
    client_msg::{Command, Create, Hello, Join, Role},
    ids::{CommandId, DeviceId, EventNo},
    order::Order,
    spec::{Audience, CallSpec, CallText, SessionSettings, Span},
    units::Millis,
};
use uuid::Uuid;

use super::{Call, Crowd, Due, us};
use crate::{link::Stage, settings::TEAMS, wire::Wire};

/// Connections from one loopback address: below the number of ports that the system hands out.
const FROM_ONE_ADDRESS: usize = 20_000;
/// A sign of life this often, as the protocol asks for.
const HEARTBEAT: Duration = Duration::from_secs(1);
/// The first wait before coming back is up to this, then twice as long, at most 4 s (protocol).
const BACK_OFF: Duration = Duration::from_millis(200);
const BACK_OFF_MAX: Duration = Duration::from_secs(4);

impl Crowd {
    /// Lets a place connect at an instant.
    pub(crate) fn come(&mut self, place: usize, at_us: u64) {
        self.plan(at_us, place, Due::Connect);
    }

    pub(super) fn connect(&mut self, place: usize, now: u64) {
        let server = self.server;
        let Some(link) = self.links.get_mut(place) else { return };
        if link.stage != Stage::Away || self.leaving {
            return;
        }
        let from = u8::try_from(1 + place / FROM_ONE_ADDRESS).unwrap_or(254);
        let from = Ipv4Addr::new(127, 0, 0, from);
        match Wire::connect(server, from, self.poll.registry(), Token(place)) {
            Ok(wire) => {
                link.wire = Some(wire);
                link.stage = Stage::Coming;
            }
            Err(_) => self.come_again(place, now),
        }
    }

    /// Tries once more after a random wait that doubles each time.
    pub(super) fn come_again(&mut self, place: usize, now: u64) {
        let Some(link) = self.links.get_mut(place) else { return };
        let most = BACK_OFF.saturating_mul(1 << link.tries.min(8)).min(BACK_OFF_MAX);
        link.tries += 1;
        let wait = self.chance.below(us(most));
        self.plan(now + wait, place, Due::Connect);
    }

    /// Asks for a place or a session, or says hello when there is a secret.
    pub(super) fn greet(&mut self, place: usize) {
        let Some(link) = self.links.get(place) else { return };
        let msg = match (&link.secret, link.role) {
            (Some(secret), role) => ClientMsg::Hello(Hello {
                version_min: VERSION,
                version_max: VERSION,
                role,
                secret: secret.clone(),
                code: None,
                run: self.athletes.get(place).map(|athlete| athlete.run),
                at_ms: None,
                unacked_seq: None,
                // This is how a coach who comes back is in command again.
                device: (role == Role::Coach).then(|| DeviceId(Uuid::from_u128(1 + place as u128))),
                take_seat: false,
                last_event: EventNo(link.last_event),
            }),
            (None, Role::Athlete) => {
                let name = self.athletes.get(place).map_or("", |athlete| athlete.name.as_str());
                ClientMsg::Join(Join {
                    code: self.code.clone(),
                    name: name.to_owned(),
                    join: None,
                    from: None,
                    key: None,
                })
            }
            (None, Role::Coach | Role::Board) => ClientMsg::Create(Create {
                title: "Evening at the weir".to_owned(),
                settings: SessionSettings::default(),
                key: self.key.clone(),
            }),
        };
        let stage =
            if matches!(msg, ClientMsg::Hello(_)) { Stage::Greeting } else { Stage::Asking };
        if let Some(link) = self.links.get_mut(place) {
            link.stage = stage;
        }
        self.say(place, &msg);
    }

    /// Says something; a connection that cannot take it is lost.
    pub(crate) fn say(&mut self, place: usize, msg: &ClientMsg) {
        let text = serde_json::to_string(msg).expect("every message can be written as JSON");
        let now = self.clock.now_us();
        let Some(link) = self.links.get_mut(place) else { return };
        let Some(wire) = link.wire.as_mut() else { return };
        let said = wire.say(&text, &mut self.traffic);
        link.said_us = now;
        if said.is_err() {
            self.lose(place);
        }
    }

    pub(super) fn stroke(&mut self, place: usize, due_us: u64) {
        let now = self.clock.now_us();
        if due_us >= self.rows_until_us {
            return;
        }
        let here = self.links.get(place).is_some_and(|link| link.is_in());
        let Some(athlete) = self.athletes.get_mut(place) else { return };
        let Some(stroke) = athlete.make(due_us, !here) else { return };
        let message = here.then(|| athlete.message(&[stroke]));
        self.seen.late.saturating_record(now.saturating_sub(due_us).max(1));
        if let Some(message) = message {
            self.say(place, &message);
        }
        self.plan_stroke(place);
    }

    /// Puts an athlete's next sample on the list, if it is known when it is due.
    pub(super) fn plan_stroke(&mut self, place: usize) {
        let Some(athlete) = self.athletes.get_mut(place) else { return };
        if let Some(at_ms) = athlete.due(&self.starts) {
            let at_us = self.us_of(at_ms);
            self.plan(at_us, place, Due::Stroke);
        }
    }

    pub(super) fn beat(&mut self, place: usize, now: u64) {
        let Some(link) = self.links.get_mut(place) else { return };
        if !link.is_in() {
            link.beats = false;
            return;
        }
        let due = link.said_us + us(HEARTBEAT);
        if due <= now {
            self.say(place, &ClientMsg::Heartbeat);
            self.plan(now + us(HEARTBEAT), place, Due::Beat);
        } else {
            self.plan(due, place, Due::Beat);
        }
    }

    /// A place that has been let in gives signs of life from now on.
    pub(super) fn begin_beating(&mut self, place: usize, now: u64) {
        let Some(link) = self.links.get_mut(place) else { return };
        if !std::mem::replace(&mut link.beats, true) {
            self.plan(now + us(HEARTBEAT), place, Due::Beat);
        }
    }

    /// The connection of a place has ended.
    pub(super) fn lose(&mut self, place: usize) {
        let now = self.clock.now_us();
        let Some(link) = self.links.get_mut(place) else { return };
        if link.wire.take().is_none() {
            return;
        }
        let was_in = link.is_in();
        link.stage = Stage::Away;
        if let Some(athlete) = self.athletes.get_mut(place) {
            athlete.lose();
        }
        if self.leaving {
            return;
        }
        if was_in && !self.killing {
            self.seen.connections_lost += 1;
        }
        self.come_again(place, now);
    }

    /// Loses one connection on purpose, as a phone in a cellar does.
    pub(crate) fn drop_one(&mut self) {
        let place = usize::try_from(self.chance.below(self.athletes.len() as u64)).unwrap_or(0);
        if self.links.get(place).is_some_and(|link| link.is_in()) {
            self.seen.dropped += 1;
            let killing = std::mem::replace(&mut self.killing, true);
            self.lose(place);
            self.killing = killing;
        }
    }

    /// The coach orders something; it comes back as done.
    pub(crate) fn order(&mut self, order: Order) -> CommandId {
        let command = self.command();
        let order = ClientMsg::Command(Command { command, order });
        self.say(self.coach(), &order);
        self.ordered.push((command, order));
        command
    }

    /// What the coach ordered and got no answer to is said again, as the protocol asks for.
    pub(super) fn order_again(&mut self) {
        let done = &self.done;
        self.ordered.retain(|(command, _)| !done.contains(command));
        for (_, order) in self.ordered.clone() {
            self.say(self.coach(), &order);
        }
    }

    /// An identity for an order.
    pub(crate) fn command(&mut self) -> CommandId {
        CommandId(Uuid::from_u64_pair(self.chance.bits(), self.chance.bits()))
    }

    /// The coach sends a focus call that was due at this instant: to all, or to one team.
    pub(crate) fn call(&mut self, due_us: u64, team: Option<usize>, constant: bool) {
        let id = Uuid::from_u64_pair(self.chance.bits(), self.chance.bits());
        let audience = match team {
            None => Audience::All,
            Some(team) => Audience::Team {
                team: TEAMS.get(team % TEAMS.len()).copied().unwrap_or("").to_owned(),
            },
        };
        let text = CallText {
            shown: "Long and loose".to_owned(),
            spoken: "Long and loose: let the handle run, then push together.".to_owned(),
        };
        let command = self.order(Order::Call {
            call: CallSpec {
                call: thole_protocol::ids::CallId(id),
                text,
                audience,
                span: Span::Strokes { strokes: 9 },
                grace_ms: Some(Millis(0)),
            },
        });
        self.calls.push(Call {
            id: if constant { "newest".to_owned() } else { id.to_string() },
            due_us,
            has: vec![false; self.athletes.len()],
            command,
            is_refused: false,
        });
    }
}
