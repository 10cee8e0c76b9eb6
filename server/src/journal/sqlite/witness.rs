//! A second small file that knows where each session's records end: it notices what a damaged write-ahead file loses
//! in silence. Written after each commit, synced once a second, never waited for; so it may be behind the journal
//! after a loss of power, and is never ahead of it.

use std::{
    collections::BTreeMap,
    fs::{File, OpenOptions},
    io,
    os::unix::fs::{FileExt, OpenOptionsExt},
    path::Path,
    sync::mpsc::{SyncSender, sync_channel},
    thread,
    time::Duration,
};

use thole_host::stored::chain::{Tag, sum};
use thole_protocol::ids::SessionId;
use uuid::Uuid;

/// How much of it a loss of power may take away.
const SYNC_EVERY: Duration = Duration::from_secs(1);
/// Session, next position, tag, checksum.
const SLOT: usize = 40;
/// The first slot says which journal it belongs to.
const HEAD: &[u8] = b"thole-witness 1 ";

/// Where the records of a session ended, according to the witness.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seen {
    pub(super) next: u64,
    pub(super) tag: Tag,
}

/// For all sessions, as it was at the start.
pub(super) type AllSeen = BTreeMap<SessionId, Seen>;

/// The file, held by the writer; its other thread ends with it.
pub(super) struct Witness {
    file: File,
    written: SyncSender<()>,
}

impl Witness {
    /// Opens the witness of a journal, and returns what it has seen; one of another journal has seen nothing of
    /// this one.
    pub(super) fn open(data: &Path, epoch: &str) -> io::Result<(Witness, AllSeen)> {
        let path = data.join("witness");
        let mut options = OpenOptions::new();
        let options = options.read(true).write(true).create(true).truncate(false).mode(0o600);
        let file = options.open(&path)?;
        let seen = read(&path, epoch)?;
        if seen.is_none() {
            file.set_len(0)?;
            file.write_all_at(&head(epoch), 0)?;
        }
        // One signal waiting is as good as many.
        let (written, told) = sync_channel(1);
        let synced = file.try_clone()?;
        thread::Builder::new().name("witness".to_owned()).spawn(move || {
            while told.recv().is_ok() {
                // What is written within the second is synced with it.
                thread::sleep(SYNC_EVERY);
                let _ = told.try_recv();
                if let Err(error) = synced.sync_data() {
                    tracing::warn!(%error, "the witness of the journal cannot be synced");
                }
            }
        })?;
        Ok((Witness { file, written }, seen.unwrap_or_default()))
    }

    /// Notes where a session's records end now. What it fails to note it will not miss: the journal is what
    /// counts.
    pub(super) fn note(&self, number: i64, session: SessionId, seen: Seen) {
        let offset = number.unsigned_abs().saturating_mul(SLOT as u64);
        if let Err(error) = self.file.write_all_at(&slot(session, seen), offset) {
            tracing::warn!(%error, "the witness of the journal cannot be written");
        }
    }

    /// What was noted is to be synced when the second is over.
    pub(super) fn sync_soon(&self) {
        let _ = self.written.try_send(());
    }
}

/// What the witness in a folder has seen; `None` when it belongs to another journal.
pub(super) fn read(path: &Path, epoch: &str) -> io::Result<Option<AllSeen>> {
    let bytes = match std::fs::read(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        bytes => bytes?,
    };
    let mut slots = bytes.chunks_exact(SLOT);
    if slots.next() != Some(&head(epoch)[..]) {
        return Ok(None);
    }
    Ok(Some(slots.filter_map(seen).collect()))
}

fn head(epoch: &str) -> [u8; SLOT] {
    let mut head = [0; SLOT];
    let whole = HEAD.iter().copied().chain(sum(&[epoch.as_bytes()])).chain([b'\n']);
    head.iter_mut().zip(whole).for_each(|(at, byte)| *at = byte);
    head
}

fn slot(session: SessionId, seen: Seen) -> [u8; SLOT] {
    let mut slot = [0; SLOT];
    let next = seen.next.to_be_bytes();
    let check = sum(&[session.0.as_bytes(), &next, &seen.tag]);
    let whole = session.0.as_bytes().iter().copied().chain(next).chain(seen.tag).chain(check);
    slot.iter_mut().zip(whole).for_each(|(at, byte)| *at = byte);
    slot
}

/// What a slot says; `None` for one that is empty or damaged.
fn seen(bytes: &[u8]) -> Option<(SessionId, Seen)> {
    let session = SessionId(Uuid::from_slice(bytes.get(..16)?).ok()?);
    let next = u64::from_be_bytes(bytes.get(16..24)?.try_into().ok()?);
    let seen = Seen { next, tag: bytes.get(24..32)?.try_into().ok()? };
    (slot(session, seen)[..] == *bytes && next > 0).then_some((session, seen))
}
