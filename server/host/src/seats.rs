//! Who gets which seat, and the secrets that are made for it. An answer may be lost on its way: a request that is
//! repeated gets a secret that works, and never a second seat.

use std::collections::{BTreeMap, BTreeSet};

use thole_piece::{Input, Output, input::Whose, name::folded, session::Way};
use thole_protocol::{
    ServerMsg,
    client_msg::{AddAthletes, Hello, Join, NewBoardLink, NewCoachLink, NewLink},
    club::PersonId,
    ids::{AthleteId, CoachId, CommandId, DeviceId, RequestId},
    refusal::{Refusal, Why},
    server_msg::{BoardLink, CoachLink, Joined, Links},
    units::At,
};
use uuid::Builder;

use crate::{
    batch::{Batch, Step},
    host::{Host, refuse},
    members::ConnId,
    moment::Now,
    outbound::{Delivery, Outbound, say},
    planted::Fault,
    record::{Grant, Holder},
    requests::Asking,
    said::{Greeting, Owner},
    secret::{RandomBits, Secret, SecretHash},
};

/// How many secrets of one seat may be valid side by side because answers to `join` were lost. With one more, the older
/// ones end.
const AGAIN_MAX: u32 = 8;

/// Seats that are taken in one batch.
#[derive(Debug, Default)]
pub(crate) struct Joining {
    pub(crate) names: BTreeSet<String>,
    /// What their devices are known by.
    joins: BTreeMap<String, Joined>,
    /// Who came with a key.
    people: BTreeMap<PersonId, AthleteId>,
}

impl Host {
    /// A connection comes in: its athlete is heard, and the coach is told when somebody else is already in
    /// that seat.
    pub(crate) fn comes(
        &mut self,
        now: Now,
        greeting: &Greeting,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        match greeting.holder {
            Holder::Athlete(athlete) => {
                let comes = self.core.knows(athlete)
                    && !self.members.was_sent_away(greeting.holder, greeting.asked);
                if comes && self.is_second(athlete, greeting.hello.device, batch) {
                    self.input(now, Input::SecondDevice { athlete }, batch);
                }
                batch.coming.insert(athlete, greeting.hello.device);
                self.input(now, Input::Heard { athlete }, batch);
                self.compare(now, athlete, &greeting.hello, batch, out);
            }
            Holder::Coach => {
                let link = self.core.coach_link();
                let is_new = |link: &thole_piece::session::CoachLink| {
                    link.device.is_some() && link.opens == greeting.opens.to_hex()
                };
                if link.is_some_and(is_new) {
                    self.input(now, Input::CoachLinkUsed, batch);
                }
            }
            Holder::Board => {}
        }
    }

    /// Whether this device has to ask the person first, because another one is heard in the seat. Devices without a name
    /// cannot be told apart, and one that comes back must not be kept out.
    pub(crate) fn seat_is_taken(&self, greeting: &Greeting, batch: &Batch) -> bool {
        let Holder::Athlete(athlete) = greeting.holder else { return false };
        let Hello { device: Some(device), take_seat: false, .. } = greeting.hello else {
            return false;
        };
        // Whoever no longer has a key to the seat is told so, and not who is in it.
        !self.members.was_sent_away(greeting.holder, greeting.asked)
            && self.heard_device(athlete, batch).flatten().is_some_and(|heard| heard != device)
    }

    /// Whether a device other than the one that comes is heard in this seat. Of devices without a name nobody can say
    /// that they are the same.
    fn is_second(&self, athlete: AthleteId, device: Option<DeviceId>, batch: &Batch) -> bool {
        let before = self.heard_device(athlete, batch);
        before.is_some_and(|before| before.is_none() || before != device)
    }

    /// The device that is heard in a seat, or comes into it with this batch; `None` when there is none, and `Some(None)`
    /// when it has no name.
    fn heard_device(&self, athlete: AthleteId, batch: &Batch) -> Option<Option<DeviceId>> {
        match batch.coming.get(&athlete) {
            Some(coming) => Some(*coming),
            None => self.members.device_of(athlete).filter(|_| self.core.hears(athlete)),
        }
    }

    pub(crate) fn add(
        &mut self,
        now: Now,
        conn: ConnId,
        add: AddAthletes,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let AddAthletes { command, athletes } = add;
        if self.core.has_done(command) {
            // The links were lost on their way. The old ones stay valid: somebody may have got them.
            let added = self.core.added_by(command);
            let links = added.into_iter().filter_map(|athlete| {
                let name = self.core.name(athlete)?;
                Some(grant(athlete, name, chance, batch))
            });
            let links = links.collect();
            let told = Some(Box::new(ServerMsg::Links(Links { command, links })));
            return batch.steps.push(Step::Told { conn, command, told });
        }
        if let Some((to, _)) = self.links.get_mut(&command) {
            // Repeated before it was done: the newer connection is told.
            *to = conn;
            return;
        }
        let room = self.settings.athletes.saturating_sub(self.core.athletes());
        if athletes.len() > room {
            let says = format!(
                "This server takes at most {} athletes per session.",
                room + self.core.athletes()
            );
            return refuse(out, conn, Some(command), Refusal { why: Why::Limit, says });
        }
        let mut links = Vec::with_capacity(athletes.len());
        let mut added = Vec::with_capacity(athletes.len());
        for entry in athletes {
            let athlete = self.new_athlete(now.at, chance);
            links.push(grant(athlete, &entry.spec.name, chance, batch));
            added.push((athlete, entry));
        }
        self.links.insert(command, (conn, Links { command, links }));
        self.input(now, Input::AthletesAdded { command, athletes: added }, batch);
    }

    pub(crate) fn new_link(
        &mut self,
        now: Now,
        conn: ConnId,
        link: NewLink,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let NewLink { command, athlete } = link;
        let Some(name) = self.core.name(athlete).map(str::to_owned) else {
            let says = "There is no such athlete in this session.".to_owned();
            return refuse(out, conn, Some(command), Refusal { why: Why::Unknown, says });
        };
        if self.renews(command, batch) {
            let whose = (Whose::Athlete { athlete }, Holder::Athlete(athlete));
            self.renew(now, conn, command, whose, batch);
        }
        let links = vec![grant(athlete, &name, chance, batch)];
        let told = Some(Box::new(ServerMsg::Links(Links { command, links })));
        batch.steps.push(Step::Told { conn, command, told });
    }

    pub(crate) fn new_board_link(
        &mut self,
        now: Now,
        conn: ConnId,
        link: NewBoardLink,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
    ) {
        let NewBoardLink { command } = link;
        if self.renews(command, batch) {
            self.renew(now, conn, command, (Whose::Board, Holder::Board), batch);
        }
        let secret = Secret::drawn(chance);
        batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Board });
        let told = ServerMsg::BoardLink(BoardLink { command, board_secret: secret.reveal() });
        batch.steps.push(Step::Told { conn, command, told: Some(Box::new(told)) });
    }

    pub(crate) fn new_coach_link(
        &mut self,
        now: Now,
        conn: ConnId,
        link: NewCoachLink,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
    ) {
        let NewCoachLink { command } = link;
        // When this is a repeat, nobody holds the secret made before: only the newest opens, besides the old one for this
        // device.
        let secret = Secret::drawn(chance);
        let whose =
            Whose::Coach { opens: secret.hash().to_hex(), device: self.members.device(conn) };
        batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Coach });
        self.input(now, Input::Renewed { command, whose }, batch);
        batch.steps.push(Step::SendAway { holder: Holder::Coach, but: conn });
        let told = ServerMsg::CoachLink(CoachLink { command, coach_secret: secret.reveal() });
        batch.steps.push(Step::Told { conn, command, told: Some(Box::new(told)) });
    }

    /// Keys of a coach were ended. They may have kept the link of a session that they made, so that ends as well; other
    /// coaches come by keys of their own, and make another link.
    pub(crate) fn coach_ended(
        &mut self,
        now: Now,
        (asker, command, coach): (ConnId, CommandId, CoachId),
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
    ) {
        batch.steps.push(Step::CoachEnded { coach });
        if self.core.made_by() == Some(coach) && self.renews(command, batch) {
            // Nobody is told what opens it now.
            let opens = Secret::drawn(chance).hash().to_hex();
            let whose = (Whose::Coach { opens, device: None }, Holder::Coach);
            self.renew(now, asker, command, whose, batch);
        }
    }

    /// Whether this order is new: a repeated one sends nobody away a second time.
    fn renews(&self, command: CommandId, batch: &mut Batch) -> bool {
        !self.core.has_done(command) && batch.renewed.insert(command)
    }

    fn renew(
        &mut self,
        now: Now,
        conn: ConnId,
        command: CommandId,
        (whose, holder): (Whose, Holder),
        batch: &mut Batch,
    ) {
        // A secret granted in this batch and revoked by it would be granted all the same.
        batch.grant.retain(|grant| grant.holder != holder);
        if !self.has(Fault::OldSecretOpens) {
            batch.revoke.push(holder);
        }
        self.input(now, Input::Renewed { command, whose }, batch);
        batch.steps.push(Step::SendAway { holder, but: conn });
    }

    /// Somebody joins by the code: a seat at once, the seat they had, or a request to the coach.
    pub(crate) fn join(
        &mut self,
        now: Now,
        (conn, join, owner): (ConnId, Join, Option<Owner>),
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let known_by = join.join.as_ref().map(|id| known_by(id, &join.name));
        if let Some(known_by) = &known_by
            && let Some(joined) = batch.joining.joins.get(known_by)
        {
            let joined = joined.clone();
            return batch.steps.push(Step::Joined { conn, joined });
        }
        // Others row on this device as well: whoever says another name is not its owner.
        let is_named = |called: &str| folded(called) == folded(&join.name);
        let (person, hall) = match owner {
            Some(Owner::Person { person, called }) if is_named(&called) => (Some(person), None),
            Some(Owner::Hall(device)) => (None, Some(device)),
            Some(Owner::Person { .. }) | None => (None, None),
        };
        let is_known = !self.core.is_closed() && !self.has(Fault::RepeatUnknown);
        let by_join = known_by.as_ref().and_then(|known_by| self.core.joined_by(known_by));
        let by_key = person.and_then(|person| self.seat_of(person, batch));
        if let Some(athlete) = by_join.or(by_key).filter(|_| is_known) {
            return self.come_again(now, conn, (athlete, &join.name), chance, batch, out);
        }
        // The coach has put the name on the list, and the key says that it is theirs; or the device stands in the hall.
        let has_key = person.is_some() || hall.is_some();
        let way = self.core.way_in(&join.name).map(|way| match way {
            Way::Ask(Some(athlete)) if has_key => Way::Seat(athlete),
            way @ (Way::New | Way::Seat(_) | Way::Ask(_)) => way,
        });
        match way.and_then(|way| self.has_room(way, &join.name, batch)) {
            // Nobody is waiting for the answer any more: they will try again.
            Err(refusal) => out.tell(conn, Delivery::Entrance(Err(refusal))),
            Ok(Way::Ask(athlete)) => {
                let Join { name, join, from, .. } = join;
                let (Some(id), Some(known_by)) = (join, known_by) else {
                    return out.tell(conn, Delivery::Entrance(Err(cannot_ask(&name))));
                };
                let id = SecretHash::of(&id);
                let asking = Asking { id, known_by, name, athlete, person, from, at: now.at };
                let request = new_request(chance);
                let entrance = self.requests.ask(asking, conn, request, out);
                out.tell(conn, Delivery::Entrance(entrance));
            }
            Ok(way @ (Way::New | Way::Seat(_))) => {
                let athlete = if let Way::Seat(athlete) = way {
                    athlete
                } else {
                    self.new_athlete(now.at, chance)
                };
                let name = self.core.name(athlete).unwrap_or(&join.name).trim().to_owned();
                self.take_from_hall(athlete, batch);
                if let Some(before) = hall.and_then(|device| self.core.at_hall(device)) {
                    self.take_from_hall(before, batch);
                }
                let joined = grant(athlete, &name, chance, batch);
                if let Some(known_by) = &known_by {
                    batch.joining.joins.insert(known_by.clone(), joined.clone());
                }
                batch.joining.names.insert(folded(&join.name));
                self.input(now, Input::Joined { athlete, name, join: known_by }, batch);
                if let Some(person) = person {
                    self.came_by_key(now, athlete, person, batch);
                }
                if let Some(device) = hall {
                    self.input(now, Input::AtHall { athlete, device }, batch);
                }
                batch.steps.push(Step::Joined { conn, joined });
            }
        }
    }

    /// Whoever takes a seat takes it from the device of the hall that had it last: what that one has kept opens nothing any more.
    pub(crate) fn take_from_hall(&self, athlete: AthleteId, batch: &mut Batch) {
        if self.core.is_at_hall(athlete) {
            let holder = Holder::Athlete(athlete);
            batch.grant.retain(|grant| grant.holder != holder);
            batch.revoke.push(holder);
            batch.steps.push(Step::SendAway { holder, but: ConnId::NOBODY });
        }
    }

    /// Somebody who has a seat asks for it again, from the same device or with a key of theirs.
    fn come_again(
        &mut self,
        now: Now,
        conn: ConnId,
        (athlete, said): (AthleteId, &str),
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let name = self.core.name(athlete).unwrap_or(said).trim().to_owned();
        if !self.may_come(now, Holder::Athlete(athlete)) {
            let says = "This device has asked for its seat too often; wait a minute.".to_owned();
            let refusal = Refusal { why: Why::Limit, says };
            return out.tell(conn, Delivery::Entrance(Err(refusal)));
        }
        let again = self.again.entry(athlete).or_default();
        *again += 1;
        if again.is_multiple_of(AGAIN_MAX) {
            batch.revoke.push(Holder::Athlete(athlete));
        }
        let joined = grant(athlete, &name, chance, batch);
        batch.steps.push(Step::Joined { conn, joined });
    }

    /// The seat of a person of the club, or the one that they get with this batch.
    pub(crate) fn seat_of(&self, person: PersonId, batch: &Batch) -> Option<AthleteId> {
        let coming = batch.joining.people.get(&person).copied();
        coming.or_else(|| self.core.seat_of(person))
    }

    /// Nobody knows which of their secrets here came of the key that was ended, so all of them end. A device whose own key
    /// is still good joins again, and has the same seat.
    pub(crate) fn keys_ended(
        &mut self,
        now: Now,
        (asker, command, seat): (ConnId, CommandId, Option<AthleteId>),
        batch: &mut Batch,
    ) {
        let Some(athlete) = seat else { return };
        if self.renews(command, batch) {
            let whose = (Whose::Athlete { athlete }, Holder::Athlete(athlete));
            self.renew(now, asker, command, whose, batch);
        }
    }

    pub(crate) fn came_by_key(
        &mut self,
        now: Now,
        athlete: AthleteId,
        person: PersonId,
        batch: &mut Batch,
    ) {
        batch.joining.people.insert(person, athlete);
        self.input(now, Input::CameByKey { athlete, person }, batch);
    }

    /// Whether a seat can be had now, given those that are taken in this batch.
    pub(crate) fn has_room(&self, way: Way, name: &str, batch: &Batch) -> Result<Way, Refusal> {
        let room = self.settings.athletes;
        let is_joining = batch.joining.names.contains(&folded(name));
        if is_joining && !self.has(Fault::NameTwice) {
            let says = "Somebody is joining under this name just now: add an initial.".to_owned();
            return Err(Refusal { why: Why::NameTaken, says });
        }
        let there = self.core.athletes() + batch.joining.names.len();
        let there = if self.has(Fault::CountedTwice) { 2 * there } else { there };
        if way == Way::New && there >= room {
            let says = format!("This session is full: it takes {room} athletes.");
            return Err(Refusal { why: Why::Limit, says });
        }
        Ok(way)
    }

    /// What an athlete said under a command id is answered by it, instead of being refused without one.
    pub(crate) fn answer(
        &mut self,
        now: Now,
        conn: ConnId,
        command: CommandId,
        told: &mut Vec<Output>,
        out: &mut dyn Outbound,
    ) {
        let (mut refused, life) = (None, (now.moment, self.settings.speed));
        told.retain(|output| {
            let is_refusal = matches!(output, Output::Refused { .. });
            if let Output::Refused { refusal, athlete } = output {
                self.refusals.count(*athlete, life);
                refused.get_or_insert_with(|| refusal.clone());
            }
            !is_refusal
        });
        match refused {
            Some(refusal) => refuse(out, conn, Some(command), refusal),
            None => say(out, conn, &ServerMsg::Done { command }),
        }
    }

    /// An identity that comes after all earlier ones: listing athletes by it gives the order in which they were entered
    /// or came.
    pub(crate) fn new_athlete(&mut self, at: At, chance: &mut dyn RandomBits) -> AthleteId {
        self.ids.next(self.settings.created_unix_ms.saturating_add(at.0), chance)
    }
}

fn new_request(chance: &mut dyn RandomBits) -> RequestId {
    let mut bits = [0; 16];
    chance.fill(&mut bits);
    RequestId(Builder::from_random_bytes(bits).into_uuid())
}

/// What a device is known by when it says the same `join` again under the same name: the id is its secret, so a hash is
/// kept.
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

pub(crate) fn grant(
    athlete: AthleteId,
    name: &str,
    chance: &mut dyn RandomBits,
    batch: &mut Batch,
) -> Joined {
    let secret = Secret::drawn(chance);
    batch.grant.push(Grant { hash: secret.hash(), holder: Holder::Athlete(athlete) });
    Joined { athlete, name: name.to_owned(), secret: secret.reveal() }
}
