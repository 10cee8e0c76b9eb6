//! The power is lost: what was not synced is there, gone, or partly there, in whatever order the disk has chosen.
//!
//! A child writes a journal while a shim in front of the C library (`power/disk.c`) notes every write and every sync. The
//! notes are then read up to a point, and made into a disk as it may be after a loss of power there. File names are
//! assumed to be durable as soon as they are created.

use std::{
    collections::BTreeMap,
    fs::{self, OpenOptions},
    io::Write,
    path::Path,
    process::Command,
};

use thole::chance::Chance;
use thole_server::journal::{Journal, Record, sqlite::SqliteJournal};

use crate::journal::{heard, made, more, rowing, session, stroke};

/// Where the power is lost, besides at the very end.
const CUTS: usize = 40;
/// Appends of the child, to these sessions in turn, and records in most of them: enough for SQLite to fold in by
/// itself.
const APPENDS: u64 = 150;
const SESSIONS: u64 = 3;
const RECORDS: u64 = 300;
/// After this many the write-ahead file is folded in, as at a stop.
const FOLDED: u64 = 40;
/// What a disk writes as a whole (SQLite's own assumption is no stronger).
const SECTOR: usize = 512;

/// What the `no`th append of a session says, after the one that makes it.
fn said(no: u64) -> Vec<Record> {
    match no {
        1 => rowing(0, 0),
        _ if no.is_multiple_of(3) => (0..RECORDS).map(|i| heard(no, u128::from(i % 7))).collect(),
        _ => vec![stroke(no, 1)],
    }
}

#[tokio::test]
#[ignore = "the child of the test below"]
async fn writes_until_it_has_said_all() {
    let folder = std::env::var("POWER_FOLDER").unwrap();
    let folder = Path::new(&folder);
    let journal = SqliteJournal::open(folder).unwrap();
    let told = OpenOptions::new().create(true).append(true).open(folder.join("told"));
    let mut told = told.unwrap();
    let mut next = BTreeMap::new();
    for append in 0..APPENDS {
        let (no, of) = (append / SESSIONS, append % SESSIONS);
        let id = u128::from(of);
        let from = next.get(&of).copied().unwrap_or(0);
        let append = if no == 0 { made(id) } else { more(id, from, said(no)) };
        let now = journal.append(append).await.unwrap();
        next.insert(of, now);
        // Whoever sent it is told that it is durable.
        told.write_all(format!("{of} {now}\n").as_bytes()).unwrap();
        if (no * SESSIONS + of) % FOLDED == FOLDED - 1 {
            journal.fold_in().await.unwrap();
        }
    }
    assert!(next.values().all(|next| *next > 1_000), "{next:?}");
}

/// One thing that the child did to a file.
pub(crate) struct Done {
    what: char,
    pub(crate) file: String,
    at: usize,
    bytes: Vec<u8>,
}

impl Done {
    pub(crate) fn is_sync_of(&self, file: &str) -> bool {
        self.what == 's' && self.file == file
    }
}

fn notes(bytes: &[u8]) -> Vec<Done> {
    let mut rest = bytes;
    let mut take = |many: usize| {
        let (taken, behind) = rest.split_at_checked(many)?;
        rest = behind;
        Some(taken)
    };
    let mut all = Vec::new();
    while let Some([what, name]) = take(2) {
        let file = String::from_utf8(take(usize::from(*name)).unwrap().to_vec()).unwrap();
        let mut number = || usize::from_ne_bytes(take(8).unwrap().try_into().unwrap());
        let (at, length) = (number(), number());
        let bytes = if *what == b'w' { take(length).unwrap().to_vec() } else { Vec::new() };
        all.push(Done { what: char::from(*what), file, at, bytes });
    }
    all
}

/// A file as it certainly is on the disk, and what may have been added since.
#[derive(Default)]
pub(crate) struct Disk<'a> {
    durable: Vec<u8>,
    since: Vec<&'a Done>,
}

impl<'a> Disk<'a> {
    pub(crate) fn takes(&mut self, done: &'a Done) {
        match done.what {
            's' => {
                for done in std::mem::take(&mut self.since) {
                    write(&mut self.durable, done, |_| true);
                }
            }
            'u' => *self = Disk::default(),
            _ => self.since.push(done),
        }
    }

    /// Each write that was not synced is whole, lost, or partly there, sector by sector.
    pub(crate) fn after_a_loss(&self, chance: &mut Chance) -> Vec<u8> {
        let mut bytes = self.durable.clone();
        for done in &self.since {
            match chance.below(3) {
                0 => {}
                1 => write(&mut bytes, done, |_| true),
                _ => write(&mut bytes, done, |_| chance.below(2) == 0),
            }
        }
        bytes
    }
}

fn write(bytes: &mut Vec<u8>, done: &Done, mut lasts: impl FnMut(usize) -> bool) {
    if done.what == 't' {
        if lasts(0) {
            bytes.resize(done.at, 0);
        }
        return;
    }
    let end = done.at + done.bytes.len();
    let mut at = done.at;
    while at < end {
        let next = (at / SECTOR + 1) * SECTOR;
        let to = next.min(end);
        if lasts(at) {
            if bytes.len() < to {
                bytes.resize(to, 0);
            }
            bytes[at..to].copy_from_slice(&done.bytes[at - done.at..to - done.at]);
        }
        at = to;
    }
}

/// What the child was told before the power was lost: where each session's records ended.
fn told(disks: &BTreeMap<&str, Disk<'_>>) -> BTreeMap<u64, u64> {
    let Some(told) = disks.get("told") else { return BTreeMap::new() };
    let text = all_of(told);
    let line = |line: &str| {
        let (of, next) = line.split_once(' ').unwrap();
        (of.parse::<u64>().unwrap(), next.parse::<u64>().unwrap())
    };
    text.lines().map(line).collect()
}

#[tokio::test]
async fn what_was_acknowledged_is_there_wherever_the_power_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let notes = noted(folder.path(), "power::writes_until_it_has_said_all");
    let syncs = |file: &str| notes.iter().filter(|note| note.is_sync_of(file)).count();
    assert!(syncs("thole.db-wal") >= 150, "{} syncs are noted", syncs("thole.db-wal"));
    assert!(syncs("thole.db") >= 4, "nothing was folded in: {} syncs", syncs("thole.db"));
    let seed = seed();
    let mut chance = Chance::seeded(seed);
    let cuts = cuts(notes.len(), &mut chance);
    let (mut disks, mut done) = (BTreeMap::<&str, Disk<'_>>::new(), 0);
    for cut in cuts {
        for note in &notes[done..cut] {
            disks.entry(&note.file).or_default().takes(note);
        }
        done = cut;
        let where_to = tempfile::tempdir_in(folder.path()).unwrap();
        for file in ["thole.db", "thole.db-wal", "thole.db-journal", "witness"] {
            let Some(disk) = disks.get(file) else { continue };
            fs::write(where_to.path().join(file), disk.after_a_loss(&mut chance)).unwrap();
        }
        is_all_there(where_to.path(), &told(&disks), &format!("seed {seed}, cut {cut}")).await;
    }
}

/// Makes a test a child whose files are in the folder `data`, and returns what it did to them.
pub(crate) fn noted(folder: &Path, child: &str) -> Vec<Done> {
    let (shim, noted) = (folder.join("disk.so"), folder.join("notes"));
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/shell/power/disk.c");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .args([shim.as_os_str(), source.as_ref()])
        .args(["-ldl", "-pthread"])
        .output()
        .expect("a C compiler builds SQLite, too");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let data = folder.join("data");
    fs::create_dir(&data).unwrap();
    let ended = Command::new(std::env::current_exe().unwrap())
        .args([child, "--exact", "--ignored"])
        .env("LD_PRELOAD", &shim)
        .env("POWER_FOLDER", &data)
        .env("POWER_NOTES", &noted)
        .output()
        .unwrap();
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stdout));
    notes(&fs::read(&noted).unwrap())
}

/// Another one each time, and the same again with `SEED` as a failure has named it.
pub(crate) fn seed() -> u64 {
    let said = std::env::var("SEED").ok().and_then(|seed| seed.parse().ok());
    said.unwrap_or_else(|| u64::from(std::process::id()))
}

/// The files of a club. A new one is written before its first commit ahead, and until then its journal puts it right.
pub(crate) const CLUB_FILES: [&str; 3] = ["club.sqlite", "club.sqlite-wal", "club.sqlite-journal"];

/// Where the power is lost, in order, and at the very end.
pub(crate) fn cuts(notes: usize, chance: &mut Chance) -> Vec<usize> {
    let many = u64::try_from(notes).unwrap();
    let mut cuts: Vec<usize> =
        (0..CUTS).map(|_| usize::try_from(chance.below(many)).unwrap()).collect();
    cuts.push(notes);
    cuts.sort_unstable();
    cuts
}

/// What a file that is only appended to has, synced or not: the child is told of nothing else.
pub(crate) fn all_of(disk: &Disk<'_>) -> String {
    let mut text = disk.durable.clone();
    disk.since.iter().for_each(|done| write(&mut text, done, |_| true));
    String::from_utf8(text).unwrap()
}

/// The journal opens; each session has what was acknowledged, as it was said, and nothing that was not; it goes on.
async fn is_all_there(folder: &Path, told: &BTreeMap<u64, u64>, which: &str) {
    let journal = SqliteJournal::open(folder).unwrap_or_else(|error| panic!("{which}: {error}"));
    for of in 0..SESSIONS {
        let id = u128::from(of);
        let found = journal.read(session(id), 0).await.unwrap();
        assert_eq!(found.damage, [], "{which}");
        let least = told.get(&of).copied().unwrap_or(0);
        assert!(found.next >= least, "{which}: {} of {least} records of session {of}", found.next);
        let all = made(id).records.to_vec().into_iter().chain((1..).flat_map(said));
        let there = found.records.iter().map(|(_, record)| record.clone());
        assert!(all.take(found.records.len()).eq(there), "{which}: session {of} is another one");
        if found.next > 0 {
            journal.append(more(id, found.next, vec![heard(9_000, 1)])).await.unwrap();
        }
    }
}
