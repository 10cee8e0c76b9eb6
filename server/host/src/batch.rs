//! What is to become durable together, and what is done when it is.

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    ServerMsg,
    client_msg::TableQuestion,
    ids::{AthleteId, CoachId, CommandId, DeviceId},
    server_msg::Joined,
};

use crate::{
    members::ConnId,
    record::{Grant, Holder, Record},
    said::Greeting,
    seats::Joining,
};

/// What is done for a batch in its turn, after the inputs before it are durable.
#[derive(Debug)]
pub(crate) enum Step {
    /// The next of the records.
    Apply {
        /// Who is answered, and for which command.
        answer: Option<(ConnId, CommandId)>,
    },
    /// The next of the records is an order, and whoever gave it is told what became of it.
    Order {
        asker: ConnId,
    },
    Welcome(Box<Greeting>),
    Joined {
        conn: ConnId,
        joined: Joined,
    },
    /// The coach has let in somebody who is waiting.
    LetIn {
        waits: ConnId,
        joined: Joined,
    },
    /// An order of the coach is answered.
    Told {
        conn: ConnId,
        command: CommandId,
        told: Option<Box<ServerMsg>>,
    },
    /// The table of results, as it is at that point.
    Table {
        conn: ConnId,
        asked: TableQuestion,
    },
    /// Whoever came in by an old secret is sent away, except for the connection that asked for the new one.
    SendAway {
        holder: Holder,
        but: ConnId,
    },
    /// Whoever came in by a key of this coach of the club is sent away.
    CoachEnded {
        coach: CoachId,
    },
}

impl Step {
    /// Whether it is about the next of the records.
    pub(crate) fn takes_a_record(&self) -> bool {
        match self {
            Step::Apply { .. } | Step::Order { .. } => true,
            Step::Welcome(_)
            | Step::Joined { .. }
            | Step::LetIn { .. }
            | Step::Told { .. }
            | Step::Table { .. }
            | Step::SendAway { .. }
            | Step::CoachEnded { .. } => false,
        }
    }
}

/// What came in for one append.
#[derive(Debug, Default)]
pub struct Batch {
    pub(crate) steps: Vec<Step>,
    /// What is applied, in this order.
    pub records: Vec<Record>,
    /// Secrets that open from then on.
    pub grant: Vec<Grant>,
    /// Whose old secrets open nothing from then on.
    pub revoke: Vec<Holder>,
    /// Seats that were taken in this batch and are not in the core yet.
    pub(crate) joining: Joining,
    /// Orders for new secrets in this batch, which the core has not heard yet.
    pub(crate) renewed: BTreeSet<CommandId>,
    /// Athletes whose devices come in this batch, and by which device.
    pub(crate) coming: BTreeMap<AthleteId, Option<DeviceId>>,
    /// The coach has ordered something in it.
    pub is_urgent: bool,
}

impl Batch {
    /// How many inputs it counts as.
    #[must_use]
    pub fn len(&self) -> usize {
        self.steps.len()
    }

    /// Whether there is nothing to do.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }

    /// Whether anything has to become durable before it is done.
    #[must_use]
    pub fn is_written(&self) -> bool {
        !self.records.is_empty() || !self.grant.is_empty() || !self.revoke.is_empty()
    }
}
