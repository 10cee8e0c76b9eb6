//! The journal's rows as they lie on a disk, and bits of them that flip between two starts.

use std::collections::BTreeMap;

use thole::chance::Chance;
use thole_host::{
    Fault, Found, RandomBits, Record,
    stored::{
        Stored,
        chain::{Key, Tag, chained},
        keys::{Keys, OwnKeys},
        packing::{SAMPLES, SETTLED, people, recording, split},
        proof::Proof,
    },
};
use thole_protocol::ids::{AthleteId, SessionId};
use uuid::Uuid;

use super::{Tally, post::Bits};

/// Rows of one session, and what was written into them.
#[derive(Clone, Debug)]
pub(super) struct Rows {
    rows: Vec<Stored>,
    keys: Keys,
    /// That of the last commit: a witness has seen it.
    tag: Tag,
    bits: Bits,
    /// By their positions, as they were written.
    pub(super) written: BTreeMap<u64, Record>,
}

impl Rows {
    pub(super) fn new(seed: u64) -> Rows {
        let mut bits = Bits(Chance::seeded(seed ^ 0x6e75));
        let keys = Keys::new(SessionId(Uuid::nil()), key(&mut bits));
        let written = BTreeMap::new();
        Rows { rows: Vec::new(), keys, tag: Tag::default(), bits, written }
    }

    /// One commit.
    pub(super) fn append(&mut self, records: &[Record]) {
        let mut rows = Vec::new();
        for record in records {
            let Record { at, input } = record;
            for athlete in people(input) {
                self.person(athlete);
            }
            if let Some((athlete, run)) = recording(input)
                && !self.keys.numbers.runs.contains_key(&run)
            {
                let (person, number) = (self.person(athlete), self.keys.numbers.runs.len() + 1);
                self.keys.numbers.know_run(number as u64, run);
                self.keys.owns(number as u64, person);
            }
            let position = (self.rows.len() + rows.len()) as u64;
            self.written.insert(position, record.clone());
            let split = split(at.0, input, &self.keys.numbers).expect("all have their numbers");
            rows.extend(split.into_iter().map(|row| (at.0, row)));
        }
        let first = self.rows.len() as u64;
        let rows = chained(&self.keys, (first, self.tag), rows).expect("all have their keys");
        self.tag = rows.last().and_then(|last| last.tag).unwrap_or(self.tag);
        self.rows.extend(rows);
    }

    fn person(&mut self, athlete: AthleteId) -> u64 {
        if let Some(number) = self.keys.numbers.persons.get(&athlete) {
            return *number;
        }
        let number = self.keys.numbers.persons.len() as u64 + 1;
        self.keys.numbers.know(number, athlete);
        let key = key(&mut self.bits);
        self.keys.know(number, OwnKeys::new(key, [[1; 16], [2; 16]]));
        number
    }

    /// What the next process finds.
    pub(super) fn read(&self, fault: Option<Fault>) -> Found {
        let mut proof = Proof::from(&self.keys, 0, Tag::default());
        if let Some(fault) = fault {
            proof.plant(fault);
        }
        self.rows.iter().cloned().for_each(|row| proof.take(row));
        proof.end();
        let there = self.rows.last().and_then(|last| last.tag);
        proof.seen(self.rows.len() as u64, self.tag, there);
        proof.found()
    }

    /// A bit flips in some rows that hold strokes, or what became of a piece: what is lost with them comes again. Those
    /// that end a piece matter more than one in hundreds.
    pub(super) fn flip(&mut self, chance: &mut Chance, tally: &mut Tally) {
        let kind = |row: &Stored| row.row.kind;
        let ends = |pair: &[Stored]| pair.iter().map(kind).eq([SAMPLES, SETTLED]);
        let ending = self.rows.windows(2).zip(0..).filter(|(pair, _)| ends(pair));
        let ending: Vec<usize> = ending.map(|(_, place)| place).collect();
        let of_kind = |rows: &[Stored], wanted: i8| -> Vec<usize> {
            rows.iter().zip(0..).filter(|(row, _)| kind(row) == wanted).map(|(_, at)| at).collect()
        };
        for _ in 0..=chance.below(3) {
            let (may, what) = match chance.below(8) {
                0 => (ending.clone(), "row that ended a piece flipped"),
                1 => (of_kind(&self.rows, SETTLED), "settled row flipped"),
                _ => (of_kind(&self.rows, SAMPLES), "row flipped"),
            };
            let which = usize::try_from(chance.below(may.len().max(1) as u64)).unwrap_or(0);
            let row = may.get(which).and_then(|place| self.rows.get_mut(*place));
            if let Some(row) = row {
                tally.add(what);
                flip_in(row, chance);
            }
        }
    }

    /// A bit flips in any row.
    pub(super) fn flip_any(&mut self, chance: &mut Chance) {
        let which = usize::try_from(chance.below(self.rows.len().max(1) as u64)).unwrap_or(0);
        if let Some(row) = self.rows.get_mut(which) {
            flip_in(row, chance);
        }
    }
}

/// One bit of a row, anywhere in it.
fn flip_in(stored: &mut Stored, chance: &mut Chance) {
    let bit = |chance: &mut Chance, of: u64| 1_u64 << chance.below(of);
    match chance.below(8) {
        0 => stored.at ^= bit(chance, 42),
        1 => stored.row.person = stored.row.person.map(|person| person ^ bit(chance, 5)),
        2 => stored.row.kind ^= i8::from_le_bytes([bit(chance, 8).to_le_bytes()[0]]),
        3 => flip_byte(stored.tag.iter_mut().flatten(), chance),
        _ => flip_byte(stored.row.payload.iter_mut(), chance),
    }
}

fn flip_byte<'a>(bytes: impl Iterator<Item = &'a mut u8>, chance: &mut Chance) {
    let mut bytes: Vec<&mut u8> = bytes.collect();
    let which = usize::try_from(chance.below(bytes.len().max(1) as u64)).unwrap_or(0);
    if let Some(byte) = bytes.get_mut(which) {
        **byte ^= 1 << chance.below(8);
    }
}

fn key(bits: &mut Bits) -> Key {
    let mut key = Key::default();
    bits.fill(&mut key);
    key
}
