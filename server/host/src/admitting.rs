//! Whom the coach lets in, one by one or all of the list at once, and whom not.

use thole_piece::{Input, name::folded, session::Way};
use thole_protocol::{
    client_msg::{LetIn, LetInAll, TurnAway},
    ids::{CommandId, RequestId},
    refusal::{Refusal, Why},
};
use uuid::Uuid;

use crate::{
    batch::{Batch, Step},
    host::{Host, refuse},
    members::ConnId,
    moment::Now,
    outbound::Outbound,
    seats::grant,
    secret::RandomBits,
};

impl Host {
    pub(crate) fn let_in(
        &mut self,
        now: Now,
        conn: ConnId,
        LetIn { command, request }: LetIn,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        if self.core.has_done(command) {
            return batch.steps.push(Step::Told { conn, command, told: None });
        }
        if let Err(refusal) = self.admit(now, (command, request), chance, batch) {
            refuse(out, conn, Some(command), refusal);
        }
    }

    /// Lets in whoever asks for a seat of the list that nobody else asks for, among those whom the coach has seen. Where two ask
    /// for one seat nobody but the coach can tell who is who.
    pub(crate) fn let_in_all(
        &mut self,
        now: Now,
        conn: ConnId,
        all: &LetInAll,
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let command = all.command;
        let mut why = None;
        for request in self.requests.of_list(&all.requests) {
            // Each is a record of its own, under an order of its own that is the same when this is said again.
            let own = CommandId(Uuid::from_u128(command.0.as_u128() ^ request.0.as_u128()));
            if let Err(refusal) = self.admit(now, (own, request), chance, batch) {
                why.get_or_insert(refusal);
            }
        }
        match why {
            Some(refusal) => refuse(out, conn, Some(command), refusal),
            None => batch.steps.push(Step::Told { conn, command, told: None }),
        }
    }

    fn admit(
        &mut self,
        now: Now,
        (command, request): (CommandId, RequestId),
        chance: &mut dyn RandomBits,
        batch: &mut Batch,
    ) -> Result<(), Refusal> {
        let Some((name, asked_for)) = self.requests.about(request) else {
            let says = "Nobody is asking for this any more; see who is asking now.".to_owned();
            return Err(Refusal { why: Why::Unknown, says });
        };
        // A newcomer's name may have been taken in the meantime.
        let seat = match asked_for.filter(|athlete| self.core.knows(*athlete)) {
            Some(athlete) => Ok(athlete),
            None => self.core.way_in(&name).and_then(|way| match way {
                Way::Seat(athlete) | Way::Ask(Some(athlete)) => Ok(athlete),
                Way::New | Way::Ask(None) => {
                    self.has_room(Way::New, &name, batch)?;
                    Ok(self.new_athlete(now.at, chance))
                }
            }),
        };
        if self.core.is_closed() {
            let says = "This session is closed; make a new one.".to_owned();
            return Err(Refusal { why: Why::NotNow, says });
        }
        let athlete = seat?;
        let Some(granted) = self.requests.let_in(request) else { return Ok(()) };
        batch.joining.names.insert(folded(&name));
        let name = self.core.name(athlete).unwrap_or(&name).trim().to_owned();
        self.take_from_hall(athlete, batch);
        let (join, waits) = (granted.known_by, granted.waits);
        self.input(now, Input::LetIn { command, athlete, name: name.clone(), join }, batch);
        if let Some(person) = granted.person {
            self.came_by_key(now, athlete, person, batch);
        }
        if let Some(waits) = waits {
            let joined = grant(athlete, &name, chance, batch);
            batch.steps.push(Step::LetIn { waits, joined });
        }
        Ok(())
    }

    pub(crate) fn turn_away(
        &mut self,
        conn: ConnId,
        turn_away: TurnAway,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let TurnAway { command, request } = turn_away;
        self.requests.turn_away(request, out);
        batch.steps.push(Step::Told { conn, command, told: None });
    }
}
