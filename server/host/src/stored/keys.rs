//! Who and what a session's rows are about: their numbers, and the keys that prove what was said about them.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};
use thole_protocol::ids::{AthleteId, RunId, SessionId};

use super::{chain::Key, packing::Passing};

/// The numbers that a session has given to people and recordings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Numbers {
    /// Of people.
    pub persons: BTreeMap<AthleteId, u64>,
    /// People by number.
    pub athletes: BTreeMap<u64, AthleteId>,
    /// Of recordings.
    pub runs: BTreeMap<RunId, u64>,
    /// Recordings by number.
    pub recordings: BTreeMap<u64, RunId>,
}

impl Numbers {
    /// A person's.
    pub fn know(&mut self, person: u64, athlete: AthleteId) {
        self.persons.insert(athlete, person);
        self.athletes.insert(person, athlete);
    }

    /// A recording's.
    pub fn know_run(&mut self, number: u64, run: RunId) {
        self.runs.insert(run, number);
        self.recordings.insert(number, run);
    }
}

/// What makes one person's key another one.
pub type Salt = [u8; 16];

/// The keys of one person of a session. Of what is erased a hash stays, which gives nothing away once its key is destroyed: so
/// whatever may go before its person does has a key of its own, made from theirs and a salt that goes with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OwnKeys {
    said: Key,
    strokes: Salted,
    heart_rate: Salted,
}

/// A key that can be destroyed alone; without a salt it is the person's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Salted {
    salt: Option<Salt>,
    key: Key,
}

impl Salted {
    fn of(said: &Key, salt: Option<Salt>) -> Salted {
        let key = salt.map_or(*said, |salt| {
            Sha256::new().chain_update(said).chain_update(salt).finalize().into()
        });
        Salted { salt, key }
    }
}

impl OwnKeys {
    /// Of somebody new: their key, the salts for strokes and for heart rate, all random.
    #[must_use]
    pub fn new(said: Key, [strokes, heart_rate]: [Salt; 2]) -> OwnKeys {
        let salted = |salt| Salted::of(&said, Some(salt));
        OwnKeys { said, strokes: salted(strokes), heart_rate: salted(heart_rate) }
    }

    /// As they are kept: a key with two salts, or the one key that a version before this one has given to somebody; `None` for
    /// anything else.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<OwnKeys> {
        let (said, salts) = bytes.split_first_chunk::<32>()?;
        match salts.as_chunks::<16>() {
            ([], []) => {
                let alone = Salted::of(said, None);
                Some(OwnKeys { said: *said, strokes: alone, heart_rate: alone })
            }
            ([strokes, heart_rate], []) => Some(OwnKeys::new(*said, [*strokes, *heart_rate])),
            _ => None,
        }
    }

    /// As they are kept.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        let salts = [self.strokes.salt, self.heart_rate.salt];
        self.said.into_iter().chain(salts.into_iter().flatten().flatten()).collect()
    }

    /// The key for a kind of record.
    #[must_use]
    pub fn of(&self, kind: i8) -> &Key {
        match Passing::of(kind) {
            None => &self.said,
            Some(Passing::Strokes) => &self.strokes.key,
            Some(Passing::HeartRate) => &self.heart_rate.key,
        }
    }

    /// Destroys one of them and puts another in its place, for what may come later. False where there is but one for everything.
    pub fn renew(&mut self, what: Passing, new: Salt) -> bool {
        let said = self.said;
        let salted = match what {
            Passing::Strokes => &mut self.strokes,
            Passing::HeartRate => &mut self.heart_rate,
        };
        if salted.salt.is_none() {
            return false;
        }
        *salted = Salted::of(&said, Some(new));
        true
    }
}

/// What is known of one session in order to write and read its rows.
#[derive(Clone, Debug)]
pub struct Keys {
    /// Which session.
    pub session: SessionId,
    /// Of its people and recordings.
    pub numbers: Numbers,
    own: Key,
    persons: BTreeMap<u64, OwnKeys>,
    owners: BTreeMap<u64, u64>,
    /// People whose own row is damaged: what is said about them cannot be proven.
    pub doubtful: Vec<u64>,
}

impl Keys {
    /// For a session of which nothing but its own key is known.
    #[must_use]
    pub fn new(session: SessionId, own: Key) -> Keys {
        Keys {
            session,
            numbers: Numbers::default(),
            own,
            persons: BTreeMap::new(),
            owners: BTreeMap::new(),
            doubtful: Vec::new(),
        }
    }

    /// A person's keys.
    pub fn know(&mut self, person: u64, keys: OwnKeys) {
        self.persons.insert(person, keys);
    }

    /// The keys of somebody; `None` for somebody who was erased or whose row is damaged.
    #[must_use]
    pub fn own(&self, person: u64) -> Option<&OwnKeys> {
        self.persons.get(&person)
    }

    /// Whose a recording is.
    pub fn owns(&mut self, recording: u64, person: u64) {
        self.owners.insert(recording, person);
    }

    /// Whose a recording is, by its number; `None` where that is not known.
    #[must_use]
    pub fn owner(&self, recording: u64) -> Option<&AthleteId> {
        self.numbers.athletes.get(self.owners.get(&recording)?)
    }

    /// The key of a record by its kind: its person's, or the session's; `None` for somebody who was erased or whose row is damaged.
    #[must_use]
    pub fn key(&self, person: Option<u64>, kind: i8) -> Option<&Key> {
        person.map_or(Some(&self.own), |person| Some(self.persons.get(&person)?.of(kind)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_may_go_has_a_key_of_its_own_and_whoever_came_before_that_has_one_for_all() {
        let new = OwnKeys::new([7; 32], [[1; 16], [2; 16]]);
        let [said, strokes, heart_rate] = [5, 1, 2].map(|kind| *new.of(kind));
        assert!(said == [7; 32] && strokes != said && heart_rate != said && strokes != heart_rate);
        for kind in [-1, 10, -10, 27] {
            assert_eq!(new.of(kind), &strokes, "{kind}");
        }
        assert_eq!((new.bytes().len(), OwnKeys::read(&new.bytes())), (64, Some(new)));
        let mut after = new;
        assert!(after.renew(Passing::HeartRate, [3; 16]));
        assert!(after.of(2) != &heart_rate && after.of(1) == &strokes && after.of(5) == &said);
        let mut old = OwnKeys::read(&[7; 32]).unwrap();
        assert!([5, 1, 2].iter().all(|kind| old.of(*kind) == &[7; 32]));
        assert!(!old.renew(Passing::Strokes, [3; 16]) && old.bytes() == [7; 32]);
        for odd in [0, 16, 31, 33, 48, 63, 65, 80] {
            assert_eq!(OwnKeys::read(&vec![7; odd]), None, "{odd}");
        }
    }
}
