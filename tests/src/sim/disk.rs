//! All that is left when the server dies: its records, and what each secret opens.

use std::collections::{BTreeMap, BTreeSet};

use thole_host::{Batch, Fault, Holder, Host, Reckoned, Record, Secret, SecretHash, Setup};
use thole_piece::{Input, Session};
use thole_protocol::{
    ids::{AthleteId, RunId},
    sample::Durable,
    units::At,
};

/// All that is left when the server dies.
#[derive(Debug)]
pub(super) struct Disk {
    pub(super) records: Vec<(At, Input)>,
    /// What each secret opens.
    pub(super) opens: BTreeMap<SecretHash, Holder>,
    /// The newest samples of each recording, to be found at once.
    samples: BTreeMap<(AthleteId, RunId), BTreeSet<u32>>,
    /// The instant that the session's clock goes on from.
    pub(super) reckoned: Reckoned,
}

impl Disk {
    /// Of a session that is made at that instant.
    pub(super) fn new(made: Reckoned) -> Disk {
        let (records, opens, samples) = (Vec::new(), BTreeMap::new(), BTreeMap::new());
        Disk { records, opens, samples, reckoned: made }
    }

    pub(super) fn append(&mut self, records: &[Record], now: Reckoned) {
        if !self.reckoned.leads_to(&now, 1) {
            self.reckoned = now;
        }
        for Record { at, input } in records {
            if let Input::Samples { athlete, run, samples } = input {
                let there = self.samples.entry((*athlete, *run)).or_default();
                there.extend(samples.iter().map(|sample| sample.seq));
            }
            if let Input::Skipped { athlete, run, from_seq, to_seq } = input {
                self.samples.entry((*athlete, *run)).or_default().extend(*from_seq..=*to_seq);
            }
            self.records.push((*at, input.clone()));
        }
    }

    pub(super) fn grant(&mut self, batch: &Batch) {
        self.opens.retain(|_, holder| !batch.revoke.contains(holder));
        self.opens.extend(batch.grant.iter().map(|grant| (grant.hash, grant.holder)));
    }

    pub(super) fn has(&self, athlete: AthleteId, durable: &Durable) -> bool {
        let nothing = BTreeSet::new();
        let there = self.samples.get(&(athlete, durable.run)).unwrap_or(&nothing);
        let stretches = durable.beyond.iter().copied().chain([(1, durable.through_seq)]);
        stretches.into_iter().all(|(from, to)| (from..=to).all(|seq| there.contains(&seq)))
    }
}

/// The secret of somebody at the beginning of a life.
pub(super) fn first_secret(holder: Holder) -> String {
    let number = match holder {
        Holder::Coach => 0xfe,
        Holder::Board => 0xfd,
        Holder::Athlete(athlete) => *athlete.0.as_bytes().last().unwrap_or(&0),
    };
    Secret::of([number; thole_host::SECRET_BYTES]).reveal()
}

pub(super) fn opened(settings: &Setup, disk: &Disk, fault: Option<Fault>) -> Host {
    let mut host = Host::open(settings.clone(), replayed(disk));
    if let Some(fault) = fault {
        host.plant(fault);
    }
    host
}

pub(super) fn replayed(disk: &Disk) -> Session {
    let mut core = Session::new();
    for (at, input) in &disk.records {
        core.apply(*at, input);
    }
    core
}
