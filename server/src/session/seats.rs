//! Who comes to which seat, and the secrets that are made for it. An answer may be lost on its way: what is said again
//! gets a secret that works, and never a second seat.

use std::collections::{BTreeMap, BTreeSet};

use thole_piece::{Input, Output, input::Whose, name::folded, session::Way};
use thole_protocol::{
    ServerMsg,
    client_msg::{AddAthletes, Join, LetIn, NewBoardLink, NewCoachLink, NewLink, TurnAway},
    ids::{AthleteId, CommandId, DeviceId},
    refusal::{Refusal, Why},
    server_msg::{BoardLink, CoachLink, Joined, Links},
};
use tokio::sync::oneshot;
use uuid::Uuid;

use super::{Batch, Entrance, Greeting, Step, Task, devices::ConnId, requests::Asking};
use crate::{
    journal::{Grant, Holder},
    secret::{Secret, SecretHash},
};

/// Secrets of one seat that live beside each other because answers to `join` were lost. With one more, the older ones end.
const AGAIN_MAX: u32 = 8;

/// Seats that are taken in one batch.
#[derive(Default)]
pub(super) struct Joining {
    names: BTreeSet<String>,
    /// By what their devices are known.
    joins: BTreeMap<String, Joined>,
}

type Answer = oneshot::Sender<Result<Entrance, Refusal>>;

impl Task {
    /// A connection comes in: its athlete is heard, and the coach told when somebody else sits there already.
    pub(super) fn comes(&mut self, greeting: &Greeting, batch: &mut Batch) {
        match greeting.holder {
            Holder::Athlete(athlete) => {
                let comes = self.core.knows(athlete)
                    && !self.devices.was_sent_away(greeting.holder, greeting.asked);
                if comes && self.is_second(athlete, greeting.hello.device, batch) {
                    self.input(Input::SecondDevice { athlete }, None, batch);
                }
                batch.coming.insert(athlete, greeting.hello.device);
                self.input(Input::Heard { athlete }, None, batch);
                self.compare(athlete, &greeting.hello, batch);
            }
            Holder::Coach => {
                let link = self.core.coach_link();
                let is_new = |link: &thole_piece::session::CoachLink| {
                    link.device.is_some() && link.opens == greeting.opens.to_hex()
                };
                if link.is_some_and(is_new) {
                    self.input(Input::CoachLinkUsed, None, batch);
                }
            }
            Holder::Board => {}
        }
    }

    /// Whether another device than the one that comes is heard in this seat. Of devices without a name nobody can say
    /// that they are the same.
    fn is_second(&self, athlete: AthleteId, device: Option<DeviceId>, batch: &Batch) -> bool {
        let before = match batch.coming.get(&athlete) {
            Some(before) => Some(*before),
            None => self.devices.device_of(athlete).filter(|_| self.core.hears(athlete)),
        };
        before.is_some_and(|before| before.is_none() || before != device)
    }

    pub(super) fn add(&mut self, conn: ConnId, add: AddAthletes, batch: &mut Batch) {
        let AddAthletes { command, athletes } = add;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        if self.core.has_done(command) {
            // The links were lost on their way. The old ones stay good: somebody may have got them.
            let added = self.core.added_by(command);
            let links = added.into_iter().filter_map(|athlete| {
                let name = self.core.name(athlete)?;
                Some(grant(athlete, name, batch))
            });
            let links = links.collect();
            let told = Some(ServerMsg::Links(Links { command, links }));
            return batch.steps.push(Step::Told { conn, command, told });
        }
        if let Some((to, _)) = self.links.get_mut(&command) {
            // Said again before it was done: the newer connection is told.
            *to = conn;
            return;
        }
        let room = self.server.settings.limits.athletes.saturating_sub(self.core.athletes());
        if athletes.len() > room {
            let says =
                format!("This server takes {} athletes a session.", room + self.core.athletes());
            return self.refuse(conn, command, Why::Limit, says);
        }
        let mut links = Vec::with_capacity(athletes.len());
        let mut added = Vec::with_capacity(athletes.len());
        for entry in athletes {
            let athlete = new_athlete();
            links.push(grant(athlete, &entry.spec.name, batch));
            added.push((athlete, entry));
        }
        self.links.insert(command, (conn, Links { command, links }));
        self.input(Input::AthletesAdded { command, athletes: added }, None, batch);
    }

    pub(super) fn new_link(&mut self, conn: ConnId, link: NewLink, batch: &mut Batch) {
        let NewLink { command, athlete } = link;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        let Some(name) = self.core.name(athlete).map(str::to_owned) else {
            let says = "There is no such athlete in this session.".to_owned();
            return self.refuse(conn, command, Why::Unknown, says);
        };
        if self.renews(command, batch) {
            self.renew(conn, command, Whose::Athlete { athlete }, Holder::Athlete(athlete), batch);
        }
        let links = vec![grant(athlete, &name, batch)];
        let told = Some(ServerMsg::Links(Links { command, links }));
        batch.steps.push(Step::Told { conn, command, told });
    }

    pub(super) fn new_board_link(&mut self, conn: ConnId, link: NewBoardLink, batch: &mut Batch) {
        let NewBoardLink { command } = link;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        if self.renews(command, batch) {
            self.renew(conn, command, Whose::Board, Holder::Board, batch);
        }
        let secret = Secret::new();
        batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Board });
        let told = ServerMsg::BoardLink(BoardLink { command, board_secret: secret.reveal() });
        batch.steps.push(Step::Told { conn, command, told: Some(told) });
    }

    pub(super) fn new_coach_link(&mut self, conn: ConnId, link: NewCoachLink, batch: &mut Batch) {
        let NewCoachLink { command } = link;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        // Said again, the secret before it is in nobody's hands: the newest alone opens, besides the old one for this device.
        let secret = Secret::new();
        let whose =
            Whose::Coach { opens: secret.hash().to_hex(), device: self.devices.device(conn) };
        batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Coach });
        self.input(Input::Renewed { command, whose }, None, batch);
        batch.steps.push(Step::SendAway { holder: Holder::Coach, but: conn });
        let told = ServerMsg::CoachLink(CoachLink { command, coach_secret: secret.reveal() });
        batch.steps.push(Step::Told { conn, command, told: Some(told) });
    }

    /// Whether this order is new: said again, it sends nobody away a second time.
    fn renews(&self, command: CommandId, batch: &mut Batch) -> bool {
        !self.core.has_done(command) && batch.renewed.insert(command)
    }

    fn renew(
        &mut self,
        conn: ConnId,
        command: CommandId,
        whose: Whose,
        holder: Holder,
        batch: &mut Batch,
    ) {
        // Granted in this batch and ended by it would be granted all the same.
        batch.grant.retain(|grant| grant.holder != holder);
        batch.revoke.push(holder);
        self.input(Input::Renewed { command, whose }, None, batch);
        batch.steps.push(Step::SendAway { holder, but: conn });
    }

    /// Somebody joins by the code: a seat at once, the seat that they had, or a request to the coach.
    pub(super) fn join(&mut self, join: Join, answer: Answer, batch: &mut Batch) {
        let known_by = join.join.as_ref().map(|id| known_by(id, &join.name));
        if let Some(known_by) = &known_by {
            if let Some(joined) = batch.joining.joins.get(known_by) {
                let joined = joined.clone();
                return batch.steps.push(Step::Joined { joined, answer });
            }
            if let Some(athlete) = self.core.joined_by(known_by).filter(|_| !self.core.is_closed())
            {
                let name = self.core.name(athlete).unwrap_or(&join.name).to_owned();
                if !self.may_come(Holder::Athlete(athlete)) {
                    let says =
                        "This device has asked for its seat too often; wait a minute.".to_owned();
                    return drop(answer.send(Err(Refusal { why: Why::Limit, says })));
                }
                let again = self.again.entry(athlete).or_default();
                *again += 1;
                if again.is_multiple_of(AGAIN_MAX) {
                    batch.revoke.push(Holder::Athlete(athlete));
                }
                let joined = grant(athlete, &name, batch);
                return batch.steps.push(Step::Joined { joined, answer });
            }
        }
        match self.core.way_in(&join.name).and_then(|way| self.has_room(way, &join.name, batch)) {
            // Nobody waits for the answer any more: they will try again.
            Err(refusal) => drop(answer.send(Err(refusal))),
            Ok(Way::Ask(athlete)) => {
                let Join { name, join, from, .. } = join;
                let (Some(id), Some(known_by)) = (join, known_by) else {
                    return drop(answer.send(Err(cannot_ask(&name))));
                };
                let id = SecretHash::of(&id);
                let asking = Asking { id, known_by, name, athlete, from, at: self.clock.now() };
                drop(answer.send(self.requests.ask(asking)));
            }
            Ok(way @ (Way::New | Way::Seat(_))) => {
                let athlete = if let Way::Seat(athlete) = way { athlete } else { new_athlete() };
                let name = self.core.name(athlete).unwrap_or(&join.name).trim().to_owned();
                let joined = grant(athlete, &name, batch);
                if let Some(known_by) = &known_by {
                    batch.joining.joins.insert(known_by.clone(), joined.clone());
                }
                batch.joining.names.insert(folded(&join.name));
                self.input(Input::Joined { athlete, name, join: known_by }, None, batch);
                batch.steps.push(Step::Joined { joined, answer });
            }
        }
    }

    /// Whether a seat can be had now, beside those that are taken in this batch.
    fn has_room(&self, way: Way, name: &str, batch: &Batch) -> Result<Way, Refusal> {
        let room = self.server.settings.limits.athletes;
        if batch.joining.names.contains(&folded(name)) {
            let says = "Somebody is joining under this name just now: add an initial.".to_owned();
            return Err(Refusal { why: Why::NameTaken, says });
        }
        if way == Way::New && self.core.athletes() + batch.joining.names.len() >= room {
            let says = format!("This session is full: it takes {room} athletes.");
            return Err(Refusal { why: Why::Limit, says });
        }
        Ok(way)
    }

    pub(super) fn let_in(&mut self, conn: ConnId, let_in: LetIn, batch: &mut Batch) {
        let LetIn { command, request } = let_in;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        if self.core.has_done(command) {
            return batch.steps.push(Step::Told { conn, command, told: None });
        }
        let Some((name, asked_for)) = self.requests.about(request) else {
            let says = "Nobody asks for this any more; see who is asking now.".to_owned();
            return self.refuse(conn, command, Why::Unknown, says);
        };
        // Of somebody new the name may be taken meanwhile.
        let seat = match asked_for.filter(|athlete| self.core.knows(*athlete)) {
            Some(athlete) => Ok(athlete),
            None => self.core.way_in(&name).and_then(|way| match way {
                Way::Seat(athlete) | Way::Ask(Some(athlete)) => Ok(athlete),
                Way::New | Way::Ask(None) => {
                    self.has_room(Way::New, &name, batch)?;
                    Ok(new_athlete())
                }
            }),
        };
        let athlete = match seat {
            Ok(athlete) if !self.core.is_closed() => athlete,
            Ok(_) => {
                let says = "This session is closed; make a new one.".to_owned();
                return self.refuse(conn, command, Why::NotNow, says);
            }
            Err(Refusal { why, says }) => return self.refuse(conn, command, why, says),
        };
        let Some(granted) = self.requests.let_in(request) else { return };
        batch.joining.names.insert(folded(&name));
        let name = self.core.name(athlete).unwrap_or(&name).trim().to_owned();
        let (join, waits) = (granted.known_by, granted.waits);
        self.input(Input::LetIn { command, athlete, name: name.clone(), join }, None, batch);
        if let Some(waits) = waits {
            let joined = grant(athlete, &name, batch);
            batch.steps.push(Step::LetIn { joined, waits });
        }
    }

    pub(super) fn turn_away(&mut self, conn: ConnId, turn_away: TurnAway, batch: &mut Batch) {
        let TurnAway { command, request } = turn_away;
        if !self.leads(conn, batch) {
            return self.not_in_command(conn, command);
        }
        self.requests.turn_away(request);
        batch.steps.push(Step::Told { conn, command, told: None });
    }

    /// Tells the coach's devices who asks, when that is another list than before.
    pub(super) fn tell_requests(&mut self) {
        if let Some(requests) = self.requests.news(self.server.clock.instant()) {
            let told = super::devices::text(&ServerMsg::Requests { requests });
            self.devices.coach_outboxes().for_each(|outbox| outbox.queue(told.clone()));
        }
    }

    /// What an athlete said under a name is answered by it, instead of being refused without one.
    pub(super) fn answer(&mut self, conn: ConnId, command: CommandId, told: &mut Vec<Output>) {
        let clock = self.server.clock;
        let (mut refused, now) = (None, (clock.instant(), clock.speed()));
        told.retain(|output| {
            let is_refusal = matches!(output, Output::Refused { .. });
            if let Output::Refused { refusal, athlete } = output {
                self.refusals.count(*athlete, now);
                refused.get_or_insert_with(|| refusal.clone());
            }
            !is_refusal
        });
        let answer = match refused {
            Some(refusal) => ServerMsg::Refused { command: Some(command), refusal },
            None => ServerMsg::Done { command },
        };
        self.devices.say(conn, &answer);
    }

    fn refuse(&self, conn: ConnId, command: CommandId, why: Why, says: String) {
        let refusal = Refusal { why, says };
        self.devices.say(conn, &ServerMsg::Refused { command: Some(command), refusal });
    }
}

/// By what a device is known that says the same `join` again under the same name: the id is its secret, so a hash is kept.
fn known_by(id: &str, name: &str) -> String {
    SecretHash::of(&format!("{id}\n{}", folded(name))).to_hex()
}

fn cannot_ask(name: &str) -> Refusal {
    let says = format!(
        "{} is on your coach's list, and this program cannot wait until you are let in: ask your coach for your own link, \
         or row as a guest: add an initial to your name.",
        name.trim()
    );
    Refusal { why: Why::NotNow, says }
}

/// An identity that comes after those before it: whoever lists athletes by it has them as they were entered or came.
fn new_athlete() -> AthleteId {
    AthleteId(Uuid::now_v7())
}

fn grant(athlete: AthleteId, name: &str, batch: &mut Batch) -> Joined {
    let secret = Secret::new();
    batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Athlete(athlete) });
    Joined { athlete, name: name.to_owned(), secret: secret.reveal() }
}
