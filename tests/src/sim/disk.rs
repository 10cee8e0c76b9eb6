//! All that is left when the server dies: its records, and what each secret opens.

use std::collections::{BTreeMap, BTreeSet};

use thole_host::{Batch, Fault, Holder, Host, Record, Secret, SecretHash, Setup};
use thole_piece::{Input, Session};
use thole_protocol::{
    ids::{AthleteId, RunId},
    sample::Durable,
    units::At,
};

/// All that is left when the server dies.
#[derive(Debug, Default)]
pub(super) struct Disk {
    pub(super) records: Vec<(At, Input)>,
    /// What each secret opens.
    pub(super) opens: BTreeMap<SecretHash, Holder>,
    /// The newest samples of each recording, to be found at once.
    samples: BTreeMap<(AthleteId, RunId), BTreeSet<u32>>,
}

impl Disk {
    pub(super) fn append(&mut self, records: &[Record]) {
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
