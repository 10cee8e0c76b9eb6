//! How damage is found: a hash of each record's content under a key that erasing destroys, and one tag a commit
//! over the hashes and the tag before.

use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};
use thole_protocol::ids::SessionId;

/// A random key of one person in one session, or of a session's own records.
pub(crate) type Key = [u8; 32];
/// The hash of a record's content; it stays when the content is erased.
pub(crate) type Hash = [u8; 16];
/// Stands on the last record of a commit. 64 bits find damage; whoever can write the file can write any tag, and
/// is not kept out by a longer one.
pub(crate) type Tag = [u8; 8];

/// Without the key it tells nothing of the content, not even to somebody who tries all that could have been said.
pub(crate) fn content(key: &Key, position: u64, kind: i8, at: u64, payload: &[u8]) -> Hash {
    #[expect(clippy::expect_used, reason = "HMAC takes keys of any length")]
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("any key will do");
    mac.update(&position.to_be_bytes());
    mac.update(&kind.to_be_bytes());
    mac.update(&at.to_be_bytes());
    mac.update(payload);
    cut(&mac.finalize().into_bytes())
}

/// The tag of a commit, record by record.
pub(crate) struct Commit(Sha256);

impl Commit {
    pub(crate) fn after(before: Tag, session: SessionId) -> Commit {
        Commit(Sha256::new().chain_update(before).chain_update(session.0.as_bytes()))
    }

    /// `kind` is that of the content also when it is erased.
    pub(crate) fn add(
        &mut self,
        position: u64,
        at: u64,
        person: Option<u64>,
        kind: i8,
        hash: Hash,
    ) {
        self.0.update(position.to_be_bytes());
        self.0.update(at.to_be_bytes());
        // Persons count from 1.
        self.0.update(person.unwrap_or(0).to_be_bytes());
        self.0.update(kind.to_be_bytes());
        self.0.update(hash);
    }

    pub(crate) fn tag(self) -> Tag {
        cut(&self.0.finalize())
    }
}

/// What stands beside a row of the small tables, so that a flipped bit in it is found.
pub(crate) fn sum(columns: &[&[u8]]) -> Tag {
    let mut hash = Sha256::new();
    for column in columns {
        hash.update((column.len() as u64).to_be_bytes());
        hash.update(column);
    }
    cut(&hash.finalize())
}

fn cut<const N: usize>(whole: &[u8]) -> [u8; N] {
    let mut first = [0; N];
    first.copy_from_slice(whole.get(..N).unwrap_or(&[0; N]));
    first
}
