//! Orders that came another way than by a connection, and the records of what is over.

use thole_piece::{Input, Output, settled::Settled};
use thole_protocol::{
    ids::CommandId,
    order::Order,
    refusal::{Refusal, Why},
    units::At,
};

use crate::{
    batch::{Batch, Step},
    host::Host,
    members::ConnId,
    moment::Now,
    outbound::{Delivery, Outbound},
    record::Record,
};

const LET_GO: &str = "The strokes of this session are kept no longer: its results stand as they were recorded, and are not corrected any more.";

impl Host {
    /// Why a ruling is not even written; `None` for everything that the core judges.
    pub(crate) fn not_ruled(&self, command: CommandId, order: &Order) -> Option<Refusal> {
        let stands = order.is_ruling() && self.core.has_let_strokes_go();
        let is_new = stands && !self.core.has_done(command);
        is_new.then(|| Refusal { why: Why::NotNow, says: LET_GO.to_owned() })
    }

    /// An order becomes part of the batch; whoever gave it is told what became of it.
    pub(crate) fn ordered(&mut self, now: Now, asker: ConnId, order: Input, batch: &mut Batch) {
        batch.is_urgent = true;
        self.input(now, order, batch);
        batch.steps.pop();
        batch.steps.push(Step::Order { asker });
    }

    /// Such an order is durable.
    pub(crate) fn carried_out(
        &mut self,
        asker: ConnId,
        at: At,
        order: &Input,
        out: &mut dyn Outbound,
    ) -> Vec<Output> {
        let told = self.core.apply(at, order);
        let refused = told.iter().find_map(|output| {
            let Output::OrderRefused { refusal, .. } = output else { return None };
            Some(refusal.clone())
        });
        out.tell(asker, Delivery::Ordered(refused.map_or(Ok(()), Err)));
        told
    }

    /// What is over becomes a record of its own before anything else is taken; `None` when nothing is. If the process ends
    /// in between, the core asks again when the session is opened.
    #[must_use]
    pub fn settles(&mut self) -> Option<Record> {
        let settled: &Settled = self.core.to_settle()?;
        let input = Input::Settled { settled: Box::new(settled.clone()) };
        self.last = self.last.max(self.core.now());
        Some(Record { at: self.last, input })
    }

    /// That record is durable.
    pub fn settled(&mut self, now: Now, record: &Record, out: &mut dyn Outbound) {
        let outputs = self.core.apply(record.at, &record.input);
        self.deliver(now, outputs, out);
    }
}
