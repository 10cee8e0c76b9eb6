//! Who and what a session's rows are about: their numbers, and the keys that prove what was said about them.

use std::collections::BTreeMap;

use thole_protocol::ids::{AthleteId, RunId, SessionId};

use super::chain::Key;

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

/// What is known of one session in order to write and read its rows.
#[derive(Clone, Debug)]
pub struct Keys {
    /// Which session.
    pub session: SessionId,
    /// Of its people and recordings.
    pub numbers: Numbers,
    own: Key,
    persons: BTreeMap<u64, Key>,
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

    /// A person's key.
    pub fn know(&mut self, person: u64, key: Key) {
        self.persons.insert(person, key);
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

    /// The key of a record: its person's, or the session's; `None` for somebody who was erased or whose row is damaged.
    #[must_use]
    pub fn key(&self, person: Option<u64>) -> Option<&Key> {
        person.map_or(Some(&self.own), |person| self.persons.get(&person))
    }
}
