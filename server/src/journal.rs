//! The durable, ordered log of every input of every session: one small trait, so that another store can
//! take its place.

pub mod memory;
pub mod sqlite;

use std::{
    fmt,
    future::Future,
    pin::Pin,
    sync::{Arc, mpsc::SyncSender},
};

use thole_protocol::{
    ids::{AthleteId, JoinCode, SessionId},
    units::At,
};

use crate::{clock::Reckoned, secret::SecretHash};
pub use thole_host::{Damage, Found, Grant, Holder, Record, stored::packing::Passing};

/// What a secret opens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Held {
    /// Which session.
    pub session: SessionId,
    /// As whom.
    pub holder: Holder,
}

/// A session as the journal knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionRow {
    /// Which.
    pub session: SessionId,
    /// What athletes join with.
    pub code: JoinCode,
    /// When it was made, on the wall clock.
    pub created_unix_ms: u64,
    /// When its coach closed it, on the wall clock.
    pub closed_unix_ms: Option<u64>,
}

/// What is to become durable together, or not at all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Append {
    /// Of which session.
    pub session: SessionId,
    /// The session itself, when it is new.
    pub create: Option<SessionRow>,
    /// The tenure that `Journal::take` returned; whoever has taken the session since is its writer
    /// (`Fenced`).
    pub tenure: u64,
    /// Position of the first record; positions count 0, 1, 2 … within a session, one for what concerns
    /// everybody and one for each person about whom something is said. An append that does not continue them
    /// is refused (`JournalError::Fenced`): there is one writer.
    pub first: u64,
    /// In the order in which they will be applied; the session that appends them applies the very same ones.
    pub records: Arc<Vec<Record>>,
    /// Whose old secrets open nothing any more.
    pub revoke: Vec<Holder>,
    /// New secrets, granted after the revocations.
    pub grant: Vec<Grant>,
    /// Set when these records close the session.
    pub closed_unix_ms: Option<u64>,
    /// Takes the place of what `reckoned` answers; `None` leaves it as it is.
    pub reckoned: Option<Reckoned>,
}

/// What of a session is kept no longer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LetGo {
    /// Of which session.
    pub session: SessionId,
    /// What of it.
    pub what: Passing,
    /// Whose; `None`: everybody's.
    pub whose: Option<AthleteId>,
    /// What was written before this instant of the session.
    pub before: At,
}

/// What of a session is new to somebody who knows it up to a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Since {
    /// The position of the next record.
    pub next: u64,
    /// Whether a piece was settled since.
    pub is_settled: bool,
}

/// Records with their positions, a part of a session's.
pub type Slice = Vec<(u64, Record)>;

/// Records of a slice, plus any to the end of a commit. A tenth of a second's work: this is how much of a session is held
/// at once, however long it is.
pub const SLICE: usize = 10_000;

/// Why the journal could not do what it was asked.
#[derive(Debug)]
pub enum JournalError {
    /// It could not write, or not make it durable: the process stops, and the next start replays.
    Write(String),
    /// There was no room to write, or the store is read-only: nothing of it was written, and it is tried again when
    /// there is room; until then the server only reads.
    Full(String),
    /// It could not read just now.
    Read(String),
    /// What is stored there cannot be read, now or later: a person has to look.
    Unreadable(String),
    /// Somebody else has written this session: there is one writer, and it is not this one.
    Fenced,
}

impl fmt::Display for JournalError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            JournalError::Write(what) => write!(f, "the journal cannot be written: {what}"),
            JournalError::Full(what) => write!(f, "the journal has no room: {what}"),
            JournalError::Read(what) | JournalError::Unreadable(what) => {
                write!(f, "the journal cannot be read: {what}")
            }
            JournalError::Fenced => write!(f, "another process has written this session"),
        }
    }
}

impl std::error::Error for JournalError {}

impl JournalError {
    /// Whether writing may go on when there is room.
    #[must_use]
    pub fn is_full(&self) -> bool {
        matches!(self, JournalError::Full(_))
    }
}

/// An answer that comes later.
pub type Answer<T> = Pin<Box<dyn Future<Output = Result<T, JournalError>> + Send>>;

/// Append, and return when durable; read from a position; one writer.
pub trait Journal: Send + Sync + 'static {
    /// Becomes the writer of a session: returns the tenure that its appends carry from now on, one more than the last
    /// one's, whose appends are refused from then on. 0 for a session that nobody has made.
    fn take(&self, session: SessionId) -> Answer<u64>;

    /// Makes all of it durable, or nothing, and returns the position of the next record. Appends of different
    /// sessions that arrive together share one commit.
    fn append(&self, append: Append) -> Answer<u64>;

    /// What there is of a session from a position on. Damage is named and is not an error: the rest is
    /// returned.
    fn read(&self, session: SessionId, from: u64) -> Answer<Found>;

    /// Everything there is of a session, handed over slice by slice, so that what takes long keeps nobody else waiting.
    /// The answer comes when the last slice is taken, and has no records of its own.
    fn read_in_slices(&self, session: SessionId, taken: SyncSender<Slice>) -> Answer<Found> {
        let all = self.read(session, 0);
        Box::pin(async move {
            let mut found = all.await?;
            hand_over(&taken, std::mem::take(&mut found.records))?;
            Ok(found)
        })
    }

    /// What is new of a session from a position on, without reading it.
    fn since(&self, session: SessionId, from: u64) -> Answer<Since>;

    /// Erases what was said about a person in a session: their records, their name and their key are gone, and a
    /// hash takes the place of each record. Others' records are unchanged to the byte.
    fn erase(&self, session: SessionId, athlete: AthleteId) -> Answer<()>;

    /// Erases what of a session is kept no longer, as `erase` does: everything else is unchanged to the byte. How many records
    /// that were. Traces of them may be left in the store until `overwrite`. What an athlete takes back their consent to is
    /// erased so with the record that says so.
    fn let_go(&self, what: LetGo) -> Answer<u64>;

    /// Overwrites every trace of what was let go, if there may be any, and says so. Appends wait in the meantime.
    fn overwrite(&self) -> Answer<bool>;

    /// When the newest record was written of what is kept for a while; `None` when there is none.
    fn newest(&self, session: SessionId, what: Passing) -> Answer<Option<At>>;

    /// Leaves a record out of every later `read` because replaying it has failed twice. It is kept.
    fn set_aside(&self, session: SessionId, position: u64) -> Answer<()>;

    /// A session by its identity.
    fn session(&self, session: SessionId) -> Answer<Option<SessionRow>>;

    /// A session by its join code; the newest if several have it.
    fn session_of(&self, code: &JoinCode) -> Answer<Option<SessionRow>>;

    /// The instant from which the session's clock goes on: the newest that was appended. `None` for a session
    /// written by a version before this one.
    fn reckoned(&self, session: SessionId) -> Answer<Option<Reckoned>>;

    /// All sessions, oldest first.
    fn sessions(&self) -> Answer<Vec<SessionRow>>;

    /// Keeps a note of the server under a name, replacing the one before.
    fn keep(&self, name: &'static str, note: String) -> Answer<()>;

    /// Puts what was written ahead where it belongs, when a server stops.
    fn fold_in(&self) -> Answer<()> {
        Box::pin(async { Ok(()) })
    }

    /// The note that was kept under a name.
    fn kept(&self, name: &'static str) -> Answer<Option<String>>;

    /// What a secret opens; `None` for one that is unknown or revoked.
    fn held(&self, hash: SecretHash) -> Answer<Option<Held>>;

    /// Whether a link that opens nothing may have been a valid one: its row is damaged, or the store has lost
    /// something and noted that (`LOST`) at this instant, in Unix ms, or later. Never for a link that was revoked.
    fn may_have_lost(&self, hash: SecretHash, since_unix_ms: u64) -> Answer<bool> {
        let _ = hash;
        let noted = self.kept(LOST);
        Box::pin(async move { Ok(is_noted(noted.await?.as_deref(), since_unix_ms)) })
    }

    /// Random, made with the journal: when it changes, everything before is lost.
    fn epoch(&self) -> String;
}

/// The note under this name says when a store last found that something is missing from it, in Unix ms.
pub const LOST: &str = "lost";

fn is_noted(lost: Option<&str>, since_unix_ms: u64) -> bool {
    lost.and_then(|unix_ms| unix_ms.parse::<u64>().ok()).is_some_and(|lost| lost >= since_unix_ms)
}

/// Gives a slice to whoever takes them.
fn hand_over(taken: &SyncSender<Slice>, slice: Slice) -> Result<(), JournalError> {
    let gone = |_| JournalError::Read("nobody takes what is read".to_owned());
    taken.send(slice).map_err(gone)
}
