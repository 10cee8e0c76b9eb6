//! What a connection that has been let in says, turned into what its session understands.

use thole_host::Said;
use thole_host::roles::may_say;
use thole_piece::{Input, aim, limits as core_limits};
use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{
        AddAthletes, AimAt, Command, Consent, HeartRate, LetIn, LetInAll, Misread, NewBoardLink,
        NewCoachLink, NewLink, Ready, Samples, Skip, TableQuestion, TakeCommand, TurnAway,
    },
    close::Close,
    ids::CommandId,
    refusal::{Refusal, Why},
    server_msg::ClockAnswer,
};
use tokio::io::{AsyncRead, AsyncWrite};

use super::{Connection, Ended, Socket, refusal};
use crate::{
    limits::{ADDED_MAX, BACK_FILL, REFUSED_COSTS, SAMPLES_MAX},
    session::Event,
};

impl Connection {
    pub(super) async fn hear<S>(&mut self, socket: &mut Socket<S>, text: &str) -> Result<(), Ended>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        self.heard = self.turned;
        self.looked = false;
        if std::mem::take(&mut self.silent) {
            self.tell(Event::Said(Said::HeardAgain(self.conn))).await?;
        }
        let msg = match ClientMsg::read(text) {
            Ok((msg, unknown)) => {
                self.server.count_unknown(unknown);
                msg
            }
            Err(error) => {
                let command = ClientMsg::command_of(text);
                return self.refuse(socket, command, misread(error)).await;
            }
        };
        let named = named(&msg);
        self.pay(&msg);
        self.pay_for_refusals()?;
        if !may_say(self.role, &msg) {
            let says = "This link may not do that; use the link of the role that may.";
            return self.refuse(socket, named, refusal(Why::NotYours, says)).await;
        }
        if let ClientMsg::Clock(question) = msg {
            // Answered here, ahead of every queue: time spent waiting would look like a longer trip.
            let answer = ClockAnswer {
                client_sent_us: question.client_sent_us,
                server_heard_us: self.clock.us_at(self.heard),
                server_sent_us: self.clock.now_us(),
            };
            return socket.say(&ServerMsg::Clock(answer)).await;
        }
        match self.event(msg, text.len()) {
            Ok(Some(event)) => {
                let urgent = matches!(event, Event::Input { input: Input::Ordered { .. }, .. });
                self.tell(event).await?;
                if urgent {
                    self.handle.urgent.notify_one();
                }
                Ok(())
            }
            Ok(None) => Ok(()),
            Err(refusal) => self.refuse(socket, named, refusal).await,
        }
    }

    /// Whoever sends more than the allowance is read more slowly; back-fill goes as fast as it becomes
    /// durable, which the limit on messages under way sees to.
    fn pay(&mut self, msg: &ClientMsg) {
        let back_fill = matches!(msg, ClientMsg::Samples(Samples { samples, .. }) if samples.len() >= BACK_FILL);
        if !back_fill {
            self.reads_from = self.heard + self.messages.owe(self.heard);
        }
    }

    /// What its session has refused counts like what is refused here, and costs more: it was written.
    fn pay_for_refusals(&mut self) -> Result<(), Ended> {
        for _ in 0..self.out.refusals() {
            self.messages.fine(REFUSED_COSTS, self.heard);
            if !self.refusals.take(self.heard) {
                return Err(Ended::Closing(Close::TooMany));
            }
        }
        Ok(())
    }

    /// Whoever gave what was said a command id is answered by it, or they would repeat it for ever.
    async fn refuse<S>(
        &mut self,
        socket: &mut Socket<S>,
        command: Option<CommandId>,
        refusal: Refusal,
    ) -> Result<(), Ended>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        self.server.metrics.refused(refusal.why);
        if !self.refusals.take(self.server.clock.instant()) {
            return Err(Ended::Closing(Close::TooMany));
        }
        socket.say(&ServerMsg::Refused { command, refusal }).await
    }

    /// What the session is told; `None` when there is nothing to tell.
    fn event(&mut self, msg: ClientMsg, bytes: usize) -> Result<Option<Event>, Refusal> {
        let conn = self.conn;
        // Orders of the coach are answered by the core.
        let command = named(&msg).filter(|_| !matches!(msg, ClientMsg::Command(_)));
        let input = match msg {
            ClientMsg::Command(Command { command, order }) => {
                Input::Ordered { command, order, by: None }
            }
            ClientMsg::AddAthletes(add) => {
                if add.athletes.len() > ADDED_MAX {
                    let says = format!("Add at most {ADDED_MAX} athletes in one order.");
                    return Err(refusal(Why::Limit, &says));
                }
                return Ok(Some(Event::Said(Said::Add(conn, add))));
            }
            ClientMsg::NewLink(link) => return Ok(Some(Event::Said(Said::Link(conn, link)))),
            ClientMsg::NewBoardLink(link) => {
                return Ok(Some(Event::Said(Said::BoardLink(conn, link))));
            }
            ClientMsg::NewCoachLink(link) => {
                return Ok(Some(Event::Said(Said::CoachLink(conn, link))));
            }
            ClientMsg::LetIn(let_in) => return Ok(Some(Event::Said(Said::LetIn(conn, let_in)))),
            ClientMsg::LetInAll(all) => {
                if all.requests.len() > ADDED_MAX {
                    let says = format!("Let in at most {ADDED_MAX} in one order.");
                    return Err(refusal(Why::Limit, &says));
                }
                return Ok(Some(Event::Said(Said::LetInAll(conn, all))));
            }
            ClientMsg::TurnAway(away) => return Ok(Some(Event::Said(Said::TurnAway(conn, away)))),
            ClientMsg::TakeCommand(take) => return Ok(Some(Event::Said(Said::Take(conn, take)))),
            ClientMsg::ResultsTable(asked) => {
                return Ok(Some(Event::Said(Said::Table(conn, asked))));
            }
            ClientMsg::Clock(_)
            | ClientMsg::Heartbeat
            | ClientMsg::Hello(_)
            | ClientMsg::Create(_)
            | ClientMsg::Join(_) => return Ok(None),
            ClientMsg::Samples(_)
            | ClientMsg::Skip(_)
            | ClientMsg::HeartRate(_)
            | ClientMsg::Consent(_)
            | ClientMsg::Ready(_)
            | ClientMsg::Aim(_)
            | ClientMsg::StopRowing { .. }
            | ClientMsg::RowOn { .. } => match self.of_athlete(msg)? {
                Some(input) => input,
                None => return Ok(None),
            },
        };
        let permit = Some(self.out.permit());
        Ok(Some(Event::Input { conn, input, bytes, command, permit }))
    }

    fn of_athlete(&self, msg: ClientMsg) -> Result<Option<Input>, Refusal> {
        let Some(athlete) = self.you else { return Ok(None) };
        let too_many =
            || refusal(Why::Limit, "Send at most 100 samples or readings in one message.");
        Ok(Some(match msg {
            ClientMsg::Samples(Samples { run, samples }) => {
                if samples.len() > SAMPLES_MAX {
                    return Err(too_many());
                }
                Input::Samples { athlete, run, samples }
            }
            ClientMsg::Skip(Skip { run, from_seq, to_seq, command: _ }) => {
                if from_seq == 0 || from_seq > to_seq {
                    let says =
                        "Samples that are given up are named by their first and last number.";
                    return Err(refusal(Why::OutOfRange, says));
                }
                Input::Skipped { athlete, run, from_seq, to_seq }
            }
            ClientMsg::HeartRate(HeartRate { readings }) => {
                if readings.len() > SAMPLES_MAX {
                    return Err(too_many());
                }
                Input::HeartRate { athlete, readings }
            }
            ClientMsg::Consent(Consent { heart_rate, wording, command: _ }) => {
                Input::Consent { athlete, heart_rate, wording }
            }
            ClientMsg::Ready(ready) => {
                let Ready { cautions_read, machine, clock_bound_ms, on_board, today, command: _ } =
                    ready;
                // What is longer than can be shown is not kept either.
                let machine =
                    machine.map(|name| name.chars().take(core_limits::NAME_MAX).collect());
                Input::Ready { athlete, cautions_read, machine, clock_bound_ms, on_board, today }
            }
            ClientMsg::Aim(AimAt { piece, aim, command: _ }) => {
                aim::check_length(&aim)?;
                Input::Aimed { athlete, piece, aim }
            }
            ClientMsg::StopRowing { .. } => Input::StopRowing { athlete },
            ClientMsg::RowOn { .. } => Input::RowOn { athlete },
            ClientMsg::Hello(_)
            | ClientMsg::Create(_)
            | ClientMsg::Join(_)
            | ClientMsg::Clock(_)
            | ClientMsg::Heartbeat
            | ClientMsg::Command(_)
            | ClientMsg::AddAthletes(_)
            | ClientMsg::NewLink(_)
            | ClientMsg::NewBoardLink(_)
            | ClientMsg::NewCoachLink(_)
            | ClientMsg::LetIn(_)
            | ClientMsg::LetInAll(_)
            | ClientMsg::TurnAway(_)
            | ClientMsg::TakeCommand(_)
            | ClientMsg::ResultsTable(_) => return Ok(None),
        }))
    }
}

/// The command id under which this is answered.
fn named(msg: &ClientMsg) -> Option<CommandId> {
    match msg {
        ClientMsg::Command(Command { command, .. })
        | ClientMsg::AddAthletes(AddAthletes { command, .. })
        | ClientMsg::NewLink(NewLink { command, .. })
        | ClientMsg::NewBoardLink(NewBoardLink { command })
        | ClientMsg::NewCoachLink(NewCoachLink { command })
        | ClientMsg::LetIn(LetIn { command, .. })
        | ClientMsg::LetInAll(LetInAll { command, .. })
        | ClientMsg::TurnAway(TurnAway { command, .. })
        | ClientMsg::TakeCommand(TakeCommand { command })
        | ClientMsg::ResultsTable(TableQuestion { command, .. }) => Some(*command),
        ClientMsg::Skip(Skip { command, .. })
        | ClientMsg::Consent(Consent { command, .. })
        | ClientMsg::Ready(Ready { command, .. })
        | ClientMsg::Aim(AimAt { command, .. })
        | ClientMsg::StopRowing { command }
        | ClientMsg::RowOn { command } => *command,
        ClientMsg::Hello(_)
        | ClientMsg::Create(_)
        | ClientMsg::Join(_)
        | ClientMsg::Clock(_)
        | ClientMsg::Heartbeat
        | ClientMsg::Samples(_)
        | ClientMsg::HeartRate(_) => None,
    }
}

/// A text that was not understood, as a refusal.
pub(super) fn misread(error: Misread) -> Refusal {
    match error {
        Misread::UnknownType(kind) => {
            let kind: String = kind.chars().take(40).collect();
            refusal(
                Why::UnknownType,
                &format!("This server does not know messages of type {kind:?}."),
            )
        }
        Misread::Malformed(what) => {
            let what: String = what.chars().take(200).collect();
            refusal(Why::Malformed, &format!("This message cannot be read: {what}."))
        }
    }
}
