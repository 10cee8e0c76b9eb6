//! What of an athlete is not written: what is here already, what nobody rows, and more than a person changes or the core
//! has refused. Judged before the journal, so that no device fills a disk.

use std::collections::BTreeMap;

use thole_piece::{Input, Output, recording::Weighed};
use thole_protocol::{
    ids::{AthleteId, CommandId},
    refusal::{Refusal, Why},
    server_msg::ServerMsg,
    units::At,
};
use tokio::time::Instant;

use super::{Batch, ConnId, Task};
use crate::{
    limits::{Allowance, CHANGES_MAX, READINGS_SPARE, WRITTEN_REFUSALS_MAX},
    outbox::Permit,
};

/// Of each athlete who has said something that counts.
#[derive(Debug, Default)]
pub(super) struct Refusals(BTreeMap<AthleteId, Said>);

#[derive(Debug)]
struct Said {
    /// Refusals by the core.
    refused: Allowance,
    /// Targets, readiness, consent and the like.
    changes: Allowance,
    /// Heart rates.
    readings: u64,
}

impl Refusals {
    fn of(&mut self, athlete: AthleteId, (now, speed): (Instant, u32)) -> &mut Said {
        self.0.entry(athlete).or_insert_with(|| Said {
            refused: Allowance::new(WRITTEN_REFUSALS_MAX, WRITTEN_REFUSALS_MAX / 60.0, now),
            changes: Allowance::new(CHANGES_MAX, f64::from(speed), now),
            readings: 0,
        })
    }

    /// The core has refused something that this athlete said.
    pub(super) fn count(&mut self, athlete: AthleteId, life: (Instant, u32)) {
        self.of(athlete, life).refused.take(life.0);
    }

    /// Why this is not written; never because of what else was refused when it was rowed: that is refused sample by
    /// sample, and each only once.
    fn bars(&mut self, input: &Input, at: At, life: (Instant, u32)) -> Option<&'static str> {
        let said = self.of(input.athlete()?, life);
        match input {
            Input::Samples { .. }
            | Input::Skipped { .. }
            | Input::Heard { .. }
            | Input::NotHeard { .. } => None,
            Input::HeartRate { readings, .. } => {
                let so_far = said.readings + readings.len() as u64;
                if so_far > READINGS_SPARE + at.0 / 250 {
                    return Some(
                        "This device sends more heart rates than four a second; send them as they are measured.",
                    );
                }
                said.readings = so_far;
                said.refused.is_spent(life.0).then_some(REFUSED)
            }
            _ if said.refused.is_spent(life.0) => Some(REFUSED),
            _ if !said.changes.take(life.0) => {
                Some("This device changes something too often; wait a minute, then say it once.")
            }
            _ => None,
        }
    }
}

const REFUSED: &str = "Too much of what this device sends is refused; wait a minute.";
const TOO_MUCH: &str = "This device sends more strokes than anybody rows: at most four samples for each second of a recording, \
                        in at most 64 recordings. Begin a new recording only when the old one is lost.";

impl Task {
    /// What a connection has said becomes part of the batch, unless it is not to be written.
    pub(super) fn said(
        &mut self,
        (conn, command): (ConnId, Option<CommandId>),
        input: Input,
        permit: Option<Permit>,
        batch: &mut Batch,
    ) {
        let (at, life) =
            (self.clock.now(), (self.server.clock.instant(), self.server.clock.speed()));
        let input = match input {
            Input::Samples { athlete, run, samples } => {
                match self.core.weigh(at, athlete, run, samples) {
                    Weighed::New(samples) => Input::Samples { athlete, run, samples },
                    Weighed::Known(durable) => {
                        let told = Output::Ack { athlete, durable, refused: Vec::new() };
                        return self.deliver(vec![told]);
                    }
                    Weighed::TooMuch => return self.not_written((conn, command), TOO_MUCH),
                }
            }
            Input::Skipped { athlete, run, from_seq, to_seq } => {
                match self.core.weigh_skip(athlete, run, (from_seq, to_seq)) {
                    Weighed::New(_) => Input::Skipped { athlete, run, from_seq, to_seq },
                    Weighed::Known(durable) => {
                        self.deliver(vec![Output::Ack { athlete, durable, refused: Vec::new() }]);
                        if let Some(command) = command {
                            self.devices.say(conn, &ServerMsg::Done { command });
                        }
                        return;
                    }
                    Weighed::TooMuch => return self.not_written((conn, command), TOO_MUCH),
                }
            }
            other => other,
        };
        if let Some(says) = self.refusals.bars(&input, at, life) {
            return self.not_written((conn, command), says);
        }
        match command {
            Some(command) => self.answered(input, (conn, command), permit, batch),
            None => {
                batch.is_urgent |= matches!(input, Input::Ordered { .. });
                self.input(input, permit, batch);
            }
        }
    }

    fn not_written(&self, (conn, command): (ConnId, Option<CommandId>), says: &str) {
        self.server.metrics.refused(Why::Limit);
        let refusal = Refusal { why: Why::Limit, says: says.to_owned() };
        self.devices.say(conn, &ServerMsg::Refused { command, refusal });
    }
}
