//! What a damaged journal has lost becomes records of its own when the session is opened, each once; and what only an
//! athlete's device knows about it.

use thole_piece::{Input, Session, input::Damaged};
use thole_protocol::{client_msg::Hello, ids::AthleteId, units::At};

use crate::{
    batch::Batch,
    host::Host,
    moment::Now,
    outbound::{Outbound, Remark},
    record::Damage,
};

/// Up to this many are told one by one; beyond that, the rest are told together.
const TOLD_MAX: usize = 16;

impl Host {
    /// Opening a damaged session writes that into it before anybody is welcomed.
    pub(crate) fn note_damage(&mut self, now: Now, damage: Vec<Damage>, batch: &mut Batch) {
        for damaged in untold(damage, &self.core, now.at.max(self.last())) {
            self.input(now, Input::Damaged(damaged), batch);
        }
    }

    /// A device that was acknowledged further than what is here knows of a loss that nothing else has seen.
    pub(crate) fn compare(
        &mut self,
        now: Now,
        athlete: AthleteId,
        hello: &Hello,
        batch: &mut Batch,
        out: &mut dyn Outbound,
    ) {
        let (Some(run), Some(unacked)) = (hello.run, hello.unacked_seq) else { return };
        let through_seq = unacked.saturating_sub(1);
        let there = self.core.durable(athlete, run).through_seq;
        if through_seq > there {
            out.remark(Remark::LostStrokes { athlete, there, acknowledged: through_seq });
        }
        if through_seq > 0 && (through_seq > there || self.core.may_miss(athlete)) {
            self.input(now, Input::Acknowledged { athlete, run, through_seq }, batch);
        }
    }
}

/// Damage of which there is no record yet: adjacent damage is told as one, and when there is very much, the
/// rest is told as one.
fn untold(mut damage: Vec<Damage>, core: &Session, now: At) -> Vec<Damaged> {
    damage.sort_by_key(|damage| (damage.to == Damaged::WHOLE, damage.from, damage.to));
    let mut all: Vec<Damaged> = Vec::new();
    for Damage { from, to, since, until, whose, only_strokes, .. } in damage {
        // What nothing comes after lasted until now.
        let until_ms = until.unwrap_or(now).max(since);
        let next = Damaged { from, to, since_ms: since, until_ms, whose, only_strokes };
        match all.last_mut() {
            Some(last) if last.to != Damaged::WHOLE && next.from <= last.to + 1 => join(last, next),
            _ => all.push(next),
        }
    }
    all.retain(|damaged| !core.knows_damage(damaged));
    let rest = all.split_off(all.len().min(TOLD_MAX));
    if let Some(rest) = rest.into_iter().reduce(|mut one, other| {
        join(&mut one, other);
        one
    }) {
        all.push(rest);
    }
    all
}

fn join(one: &mut Damaged, other: Damaged) {
    one.from = one.from.min(other.from);
    one.to = one.to.max(other.to);
    one.since_ms = one.since_ms.min(other.since_ms);
    one.until_ms = one.until_ms.max(other.until_ms);
    one.only_strokes &= other.only_strokes;
    if one.whose.is_empty() || other.whose.is_empty() {
        one.whose.clear();
    } else {
        one.whose.extend(other.whose);
        one.whose.sort_unstable();
        one.whose.dedup();
    }
}
