//! Who asks the coach to be let in. A list in memory only: whoever asks says it again, even after a restart, so that no
//! stranger writes into the journal.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{
    club::PersonId,
    ids::{AthleteId, RequestId},
    refusal::{Refusal, Why},
    server_msg::{JoinRequest, Waiting},
    units::At,
};

use crate::{
    limits::{REQUESTS_MAX, REQUESTS_OF_ONE_NAME},
    members::ConnId,
    moment::Moment,
    outbound::{Delivery, Entrance, Outbound},
    said::NoMore,
    secret::SecretHash,
};

/// Changes of the list are told together: a crowd that asks at the same moment is one list.
const TOLD_AFTER: Duration = Duration::from_millis(250);

/// What somebody asks for.
#[derive(Debug)]
pub(crate) struct Asking {
    /// The id that their device has made.
    pub(crate) id: SecretHash,
    /// What they will be known by: id and name.
    pub(crate) known_by: String,
    pub(crate) name: String,
    /// Which seat of the roster; `None` for a new one.
    pub(crate) athlete: Option<AthleteId>,
    /// Who they are, by the key that they came with.
    pub(crate) person: Option<PersonId>,
    /// What their device calls itself.
    pub(crate) from: Option<String>,
    pub(crate) at: At,
}

#[derive(Debug)]
struct Request {
    request: RequestId,
    asking: Asking,
    /// The connection that waits for the answer; `None` while it is lost.
    waits: Option<ConnId>,
}

/// Somebody who is let in.
pub(crate) struct LetIn {
    pub(crate) known_by: String,
    pub(crate) person: Option<PersonId>,
    pub(crate) waits: Option<ConnId>,
}

/// Who asks, oldest first.
#[derive(Debug, Default)]
pub(crate) struct Requests {
    list: Vec<Request>,
    /// Ids of those who were last turned away: the coach is not asked about them again.
    turned_away: VecDeque<SecretHash>,
    /// When the list is to be told; `None` while it is as it was told.
    due: Option<Moment>,
    /// Something has changed since the list was told.
    changed: bool,
}

impl Requests {
    /// Somebody asks, or asks again.
    pub(crate) fn ask(
        &mut self,
        asking: Asking,
        conn: ConnId,
        request: RequestId,
        out: &mut dyn Outbound,
    ) -> Result<Entrance, Refusal> {
        if self.turned_away.contains(&asking.id) {
            return Err(turned_away(&asking.name));
        }
        let before = self.list.iter().position(|known| known.asking.id == asking.id);
        let same = |known: &Request| known.asking.known_by == asking.known_by;
        if let Some(known) = before.and_then(|at| self.list.get_mut(at)).filter(|known| same(known))
        {
            self.changed |= known.waits.is_none();
            if let Some(before) = known.waits.replace(conn) {
                // Two connections that wait for one answer would take turns asking for ever.
                let says = "This device is waiting on a newer connection.".to_owned();
                out.tell(before, Delivery::Decided(Err(Refusal { why: Why::NotNow, says })));
            }
            return Ok(entrance(known));
        }
        // Under another name it is a different request: a coach who presses the key just now means the name that
        // was there.
        if let Some(at) = before {
            self.list.remove(at);
            self.changed = true;
        }
        self.make_room(&asking)?;
        let known = Request { request, asking, waits: Some(conn) };
        let entrance = entrance(&known);
        self.list.push(known);
        self.changed = true;
        Ok(entrance)
    }

    /// Those whose connection is lost give way, oldest first, before anybody is refused.
    fn make_room(&mut self, asking: &Asking) -> Result<(), Refusal> {
        let of_one = |known: &Request| {
            known.asking.athlete.is_some() && known.asking.athlete == asking.athlete
        };
        let is_full = |list: &[Request]| {
            let same = list.iter().filter(|known| of_one(known)).count();
            (same >= REQUESTS_OF_ONE_NAME, list.len() >= REQUESTS_MAX)
        };
        let (name_full, all_full) = is_full(&self.list);
        let gives_way = |known: &Request| known.waits.is_none() && (!name_full || of_one(known));
        if (name_full || all_full)
            && let Some(at) = self.list.iter().position(gives_way)
        {
            self.list.remove(at);
        }
        let (name_full, all_full) = is_full(&self.list);
        if name_full || all_full {
            let says = "Very many are already waiting for your coach: speak to your coach, or row as a guest: add an \
                        initial to your name."
                .to_owned();
            return Err(Refusal { why: Why::Limit, says });
        }
        Ok(())
    }

    /// A connection that waited has ended, or asks for something else.
    pub(crate) fn waits_no_more(&mut self, conn: ConnId, request: RequestId, why: NoMore) {
        let Some(at) = self.list.iter().position(|known| known.request == request) else { return };
        match why {
            NoMore::Withdrawn => drop(self.list.remove(at)),
            NoMore::Lost => {
                // By now another connection of the same device may be waiting.
                let known = self.list.get_mut(at);
                let Some(known) = known.filter(|known| known.waits == Some(conn)) else { return };
                known.waits = None;
            }
        }
        self.changed = true;
    }

    /// Those of these requests that are for a seat of the list, and are the only one for it.
    pub(crate) fn of_list(&self, requests: &[RequestId]) -> Vec<RequestId> {
        let for_seat = |athlete: Option<AthleteId>| {
            self.list.iter().filter(move |known| known.asking.athlete == athlete)
        };
        let is_only = |known: &&Request| {
            known.asking.athlete.is_some() && for_seat(known.asking.athlete).count() == 1
        };
        let meant = self.list.iter().filter(|known| requests.contains(&known.request));
        meant.filter(is_only).map(|known| known.request).collect()
    }

    /// The name and the seat that a request is about.
    pub(crate) fn about(&self, request: RequestId) -> Option<(String, Option<AthleteId>)> {
        let known = self.list.iter().find(|known| known.request == request)?;
        Some((known.asking.name.clone(), known.asking.athlete))
    }

    /// The coach lets somebody in.
    pub(crate) fn let_in(&mut self, request: RequestId) -> Option<LetIn> {
        let Request { asking, waits, .. } = self.taken(request)?;
        Some(LetIn { known_by: asking.known_by, person: asking.person, waits })
    }

    /// The coach does not let somebody in, and is not asked about the same device again.
    pub(crate) fn turn_away(&mut self, request: RequestId, out: &mut dyn Outbound) {
        let Some(Request { asking, waits, .. }) = self.taken(request) else { return };
        self.turned_away.push_back(asking.id);
        if self.turned_away.len() > REQUESTS_MAX {
            self.turned_away.pop_front();
        }
        if let Some(waits) = waits {
            // Anybody who has gone in the meantime hears it on asking again.
            out.tell(waits, Delivery::Decided(Err(turned_away(&asking.name))));
        }
    }

    fn taken(&mut self, request: RequestId) -> Option<Request> {
        let at = self.list.iter().position(|known| known.request == request)?;
        self.changed = true;
        Some(self.list.remove(at))
    }

    /// Whether anybody who waits for the coach is connected.
    pub(crate) fn anybody_waits(&self) -> bool {
        self.list.iter().any(|known| known.waits.is_some())
    }

    /// When the list is to be told; `None` while it is as it was told.
    pub(crate) fn due(&self) -> Option<Moment> {
        self.due
    }

    /// Everybody who asks, when it is time to tell.
    pub(crate) fn news(&mut self, now: Moment) -> Option<Vec<JoinRequest>> {
        if std::mem::take(&mut self.changed) {
            self.due.get_or_insert(now + TOLD_AFTER);
        }
        self.due.take_if(|due| *due <= now).map(|_| self.told())
    }

    /// Everybody who asks, as the coach is told.
    pub(crate) fn told(&self) -> Vec<JoinRequest> {
        let told = |known: &Request| JoinRequest {
            request: known.request,
            name: known.asking.name.trim().to_owned(),
            athlete: known.asking.athlete,
            asked_at_ms: known.asking.at,
            here: known.waits.is_some(),
            from: known.asking.from.clone(),
        };
        self.list.iter().map(told).collect()
    }
}

fn entrance(known: &Request) -> Entrance {
    let name = known.asking.name.trim().to_owned();
    let says = format!(
        "{name} is on your coach's list: waiting until your coach lets you in. To row at once, join as a guest: add an \
         initial to your name."
    );
    let says = match known.asking.athlete {
        Some(_) => says,
        None => "Waiting until your coach lets you in.".to_owned(),
    };
    Entrance::Asked { request: known.request, waiting: Waiting { name, says } }
}

fn turned_away(name: &str) -> Refusal {
    let says = format!(
        "Your coach has not let you in as {}: speak to your coach, or row as a guest under another name.",
        name.trim()
    );
    Refusal { why: Why::NotYours, says }
}
