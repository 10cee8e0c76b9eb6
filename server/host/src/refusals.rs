//! What of an athlete's is not written: what is here already, what nobody can have rowed, and more than a person changes
//! or the core has refused. Judged before the journal, so that no device fills a disk.

use std::collections::BTreeMap;

use thole_piece::{Input, Output, recording::Weighed};
use thole_protocol::{
    ids::{AthleteId, CommandId},
    refusal::{Refusal, Why},
    sample::Durable,
    server_msg::ServerMsg,
    units::At,
};

use crate::{
    batch::{Batch, Step},
    host::{Host, refuse},
    limits::{
        Allowance, CHANGE_BYTES, CHANGES_MAX, COMINGS_MAX, READINGS_SPARE, WRITTEN_REFUSALS_MAX,
    },
    members::ConnId,
    moment::{Moment, Now},
    outbound::{Outbound, Remark, say},
    planted::Fault,
    record::Holder,
};

/// For each athlete who has said something that counts.
#[derive(Debug, Default)]
pub(crate) struct Refusals(BTreeMap<AthleteId, Budgets>);

#[derive(Debug)]
struct Budgets {
    /// Refusals by the core.
    refused: Allowance<Moment>,
    /// Targets, readiness, consent and the like.
    changes: Allowance<Moment>,
    /// Heart rates.
    readings: u64,
    /// Devices that came.
    comings: Allowance<Moment>,
}

impl Refusals {
    fn of(&mut self, athlete: AthleteId, (now, speed): (Moment, u32)) -> &mut Budgets {
        self.0.entry(athlete).or_insert_with(|| Budgets {
            refused: Allowance::new(WRITTEN_REFUSALS_MAX, WRITTEN_REFUSALS_MAX / 60.0, now),
            changes: Allowance::new(CHANGES_MAX, f64::from(speed), now),
            readings: 0,
            comings: Allowance::new(COMINGS_MAX, COMINGS_MAX / 60.0, now),
        })
    }

    /// The core has refused something that this athlete said.
    pub(crate) fn count(&mut self, athlete: AthleteId, life: (Moment, u32)) {
        self.of(athlete, life).refused.take(life.0);
    }

    /// Why this is not written; never, for strokes, because of what else was refused: strokes are refused sample by
    /// sample, and each only once.
    fn bars(
        &mut self,
        (input, bytes): (&Input, usize),
        at: At,
        life: (Moment, u32),
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

/// How many changes one of this length counts as.
fn changes(bytes: usize) -> f64 {
    u32::try_from(bytes.div_ceil(CHANGE_BYTES)).map_or(f64::MAX, f64::from)
}

impl Host {
    /// Whether somebody may come in: not so often that it cannot be written each time.
    pub(crate) fn may_come(&mut self, now: Now, holder: Holder) -> bool {
        let life = (now.moment, self.settings.speed);
        match holder {
            Holder::Athlete(athlete) => self.refusals.of(athlete, life).comings.take(life.0),
            Holder::Coach | Holder::Board => true,
        }
    }

    /// What a connection has said becomes part of the batch, unless it is not to be written.
    pub(crate) fn said(
        &mut self,
        now: Now,
        (conn, command): (ConnId, Option<CommandId>),
        (input, bytes): (Input, usize),
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let input = match self.weighed(now.at, input) {
            Ok(input) => input,
            Err(None) => return not_written(out, (conn, command), TOO_MUCH),
            Err(Some((athlete, durable))) => {
                self.deliver(now, vec![Output::Ack { athlete, durable, refused: Vec::new() }], out);
                if let Some(command) = command {
                    say(out, conn, &ServerMsg::Done { command });
                }
                return;
            }
        };
        let life = (now.moment, self.settings.speed);
        if let Some(says) = self.refusals.bars((&input, bytes), now.at, life) {
            return not_written(out, (conn, command), says);
        }
        if self.has(Fault::AcknowledgedEarly)
            && let Input::Samples { athlete, run, samples } = &input
        {
            let mut durable = self.core.durable(*athlete, *run);
            let newest = samples.iter().map(|sample| sample.seq).max().unwrap_or(0);
            durable.through_seq = durable.through_seq.max(newest);
            let (athlete, refused) = (*athlete, Vec::new());
            self.deliver(now, vec![Output::Ack { athlete, durable, refused }], out);
        }
        batch.is_urgent |= matches!(input, Input::Ordered { .. });
        self.input(now, input, batch);
        if let (Some(command), Some(Step::Apply { answer })) = (command, batch.steps.last_mut()) {
            *answer = Some((conn, command));
        }
    }

    /// What of it is new; otherwise whose strokes are here already and how far they are durable, or `None` when it is too
    /// much.
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
}

fn not_written(out: &mut dyn Outbound, (conn, command): (ConnId, Option<CommandId>), says: &str) {
    out.remark(Remark::Refused(Why::Limit));
    refuse(out, conn, command, Refusal { why: Why::Limit, says: says.to_owned() });
}
