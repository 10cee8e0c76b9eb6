//! What of an athlete is not written: what is here already, what nobody rows, and more than a person changes or the core
//! has refused. Judged before the journal, so that no device fills a disk.

use std::collections::BTreeMap;

use thole_piece::{Input, Output, recording::Weighed};
use thole_protocol::{
    ids::{AthleteId, CommandId},
    refusal::{Refusal, Why},
    sample::Durable,
    server_msg::ServerMsg,
    units::At,
};
use tokio::time::Instant;

use super::{Batch, ConnId, Task};
use crate::{
    journal::Holder,
    limits::{
        Allowance, CHANGE_BYTES, CHANGES_MAX, COMINGS_MAX, READINGS_SPARE, WRITTEN_REFUSALS_MAX,
    },
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
    /// Devices that came.
    comings: Allowance,
}

impl Refusals {
    fn of(&mut self, athlete: AthleteId, (now, speed): (Instant, u32)) -> &mut Said {
        self.0.entry(athlete).or_insert_with(|| Said {
            refused: Allowance::new(WRITTEN_REFUSALS_MAX, WRITTEN_REFUSALS_MAX / 60.0, now),
            changes: Allowance::new(CHANGES_MAX, f64::from(speed), now),
            readings: 0,
            comings: Allowance::new(COMINGS_MAX, COMINGS_MAX / 60.0, now),
        })
    }

    /// The core has refused something that this athlete said.
    pub(super) fn count(&mut self, athlete: AthleteId, life: (Instant, u32)) {
        self.of(athlete, life).refused.take(life.0);
    }

    /// Why this is not written; never because of what else was refused when it was rowed: that is refused sample by
    /// sample, and each only once.
    fn bars(
        &mut self,
        (input, bytes): (&Input, usize),
        at: At,
        life: (Instant, u32),
    ) -> Option<&'static str> {
        let said = self.of(input.athlete()?, life);
        let is_rowed = matches!(input, Input::Samples { .. } | Input::Skipped { .. });
        if is_rowed || matches!(input, Input::Heard { .. } | Input::NotHeard { .. }) {
            return None;
        }
        if said.refused.is_spent(life.0) {
            return Some(REFUSED);
        }
        let Input::HeartRate { readings, .. } = input else {
            return (!said.changes.take_all(changes(bytes), life.0)).then_some(
                "This device changes something too often; wait a minute, then say it once.",
            );
        };
        let so_far = said.readings + readings.len() as u64;
        if so_far > READINGS_SPARE + at.0 / 250 {
            return Some(
                "This device sends more heart rates than four a second; send them as they are measured.",
            );
        }
        said.readings = so_far;
        None
    }
}

const REFUSED: &str = "Too much of what this device sends is refused; wait a minute.";
const TOO_MUCH: &str = "This device sends more strokes than anybody rows: at most four samples for each second of a recording, \
                        in at most 64 recordings. Begin a new recording only when the old one is lost.";

/// As how many changes one of this length counts.
fn changes(bytes: usize) -> f64 {
    u32::try_from(bytes.div_ceil(CHANGE_BYTES)).map_or(f64::MAX, f64::from)
}

impl Task {
    /// Whether somebody comes, and not so often that it may not be written each time.
    pub(super) fn may_come(&mut self, holder: Holder) -> bool {
        let life = (self.server.clock.instant(), self.server.clock.speed());
        match holder {
            Holder::Athlete(athlete) => self.refusals.of(athlete, life).comings.take(life.0),
            Holder::Coach | Holder::Board => true,
        }
    }

    /// What a connection has said becomes part of the batch, unless it is not to be written.
    pub(super) fn said(
        &mut self,
        (conn, command): (ConnId, Option<CommandId>),
        (input, bytes): (Input, usize),
        permit: Option<Permit>,
        batch: &mut Batch,
    ) {
        let (at, life) =
            (self.clock.now(), (self.server.clock.instant(), self.server.clock.speed()));
        let input = match self.weighed(at, input) {
            Ok(input) => input,
            Err(None) => return self.not_written((conn, command), TOO_MUCH),
            Err(Some((athlete, durable))) => {
                self.deliver(vec![Output::Ack { athlete, durable, refused: Vec::new() }]);
                if let Some(command) = command {
                    self.devices.say(conn, &ServerMsg::Done { command });
                }
                return;
            }
        };
        if let Some(says) = self.refusals.bars((&input, bytes), at, life) {
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

    /// What of it is new; else whose strokes are here already and how far they are durable, or nothing when it is too much.
    fn weighed(&self, at: At, input: Input) -> Result<Input, Option<(AthleteId, Durable)>> {
        let (athlete, weighed, said) = if let Input::Samples { athlete, run, samples } = input {
            let weighed = self.core.weigh(at, athlete, run, samples);
            (athlete, weighed, Input::Samples { athlete, run, samples: Vec::new() })
        } else if let Input::Skipped { athlete, run, from_seq, to_seq } = input {
            (athlete, self.core.weigh_skip(athlete, run, (from_seq, to_seq)), input)
        } else {
            return Ok(input);
        };
        match (weighed, said) {
            (Weighed::New(samples), Input::Samples { athlete, run, .. }) => {
                Ok(Input::Samples { athlete, run, samples })
            }
            (Weighed::New(_), input) => Ok(input),
            (Weighed::Known(durable), _) => Err(Some((athlete, durable))),
            (Weighed::TooMuch, _) => Err(None),
        }
    }

    fn not_written(&self, (conn, command): (ConnId, Option<CommandId>), says: &str) {
        self.server.metrics.refused(Why::Limit);
        let refusal = Refusal { why: Why::Limit, says: says.to_owned() };
        self.devices.say(conn, &ServerMsg::Refused { command, refusal });
    }
}
