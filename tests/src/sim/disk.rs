//! Everything that is left when the server dies: its records, and what each secret opens.

use std::collections::{BTreeMap, BTreeSet};

use thole::chance::Chance;
use thole_host::{Batch, Damage, Fault, Holder, Host, Reckoned, Record, Secret, SecretHash, Setup};
use thole_piece::{Input, Session};
use thole_protocol::{
    ids::{AthleteId, RunId},
    sample::Durable,
    units::At,
};

use super::{Tally, rows::Rows};

/// In one of how many deaths of the server bits flip.
const FLIPS_ONE_IN: u64 = 6;

/// Everything that is left when the server dies.
#[derive(Debug)]
pub(super) struct Disk {
    /// As the last process found them, plus what was written since.
    pub(super) records: Vec<(At, Input)>,
    pub(super) rows: Rows,
    /// What each secret opens.
    pub(super) opens: BTreeMap<SecretHash, Holder>,
    /// The newest samples of each recording, for quick lookup.
    samples: BTreeMap<(AthleteId, RunId), BTreeSet<u32>>,
    /// The instant that the session's clock goes on from.
    pub(super) reckoned: Reckoned,
    /// `None` for a disk that keeps what is written.
    chance: Option<Chance>,
    /// Something of it was found damaged.
    pub(super) is_damaged: bool,
}

impl Disk {
    /// For a session created at that instant.
    pub(super) fn new(seed: u64, made: Reckoned, rough: bool) -> Disk {
        // Every other life has a disk that keeps what is written.
        let chance = (rough && seed.is_multiple_of(2)).then(|| Chance::seeded(seed ^ 0xf11b));
        Disk {
            records: Vec::new(),
            rows: Rows::new(seed),
            opens: BTreeMap::new(),
            samples: BTreeMap::new(),
            reckoned: made,
            chance,
            is_damaged: false,
        }
    }

    pub(super) fn append(&mut self, records: &[Record], now: Reckoned) {
        if !self.reckoned.leads_to(&now, 1) {
            self.reckoned = now;
        }
        self.rows.append(records);
        records.iter().for_each(|record| self.keep(record));
    }

    fn keep(&mut self, Record { at, input }: &Record) {
        if let Input::Samples { athlete, run, samples } = input {
            let there = self.samples.entry((*athlete, *run)).or_default();
            there.extend(samples.iter().map(|sample| sample.seq));
        }
        if let Input::Skipped { athlete, run, from_seq, to_seq } = input {
            self.samples.entry((*athlete, *run)).or_default().extend(*from_seq..=*to_seq);
        }
        self.records.push((*at, input.clone()));
    }

    /// Bits of it flip while nobody looks, now and then.
    pub(super) fn may_flip(&mut self, tally: &mut Tally) {
        if let Some(chance) = &mut self.chance
            && chance.below(FLIPS_ONE_IN) == 0
        {
            self.rows.flip(chance, tally);
        }
    }

    /// A process starts with what it finds; returns what of it is damaged.
    pub(super) fn found(&mut self, seed: u64, fault: Option<Fault>) -> Vec<Damage> {
        let found = self.rows.read(fault);
        (self.records, self.samples) = (Vec::new(), BTreeMap::new());
        for (position, record) in &found.records {
            let written = self.rows.written.get(position);
            assert_eq!(
                Some(record),
                written,
                "seed {seed}: record {position} is not the one that was written"
            );
            self.keep(record);
        }
        let lost = self.rows.written.len() - found.records.len();
        assert!(lost == 0 || !found.damage.is_empty(), "seed {seed}: {lost} records are gone");
        self.is_damaged |= !found.damage.is_empty();
        found.damage
    }

    /// The session if nothing had been lost.
    pub(super) fn whole(&self) -> Session {
        let mut core = Session::new();
        for Record { at, input } in self.rows.written.values() {
            // What was written last may be lost, and then what follows is earlier.
            core.apply((*at).max(core.now()), input);
        }
        core
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
