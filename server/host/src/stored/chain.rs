//! How damage is found: a hash of each record's content under a key that erasing destroys, and one tag per
//! commit over the hashes and the tag before.

use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};
use thole_protocol::ids::SessionId;

use super::{Row, Stored, keys::Keys};

/// A random key of one person in one session, or of a session's own records.
pub type Key = [u8; 32];
/// The hash of a record's content; it stays when the content is erased.
pub type Hash = [u8; 16];
/// On the last record of a commit. 64 bits find damage; somebody who can write the file can write any tag, and a
/// longer one would not keep them out.
pub type Tag = [u8; 8];

/// The hash of a record's content. Without the key it reveals nothing about the content, not even to somebody who tries
/// everything that could have been said.
#[must_use]
pub fn content(key: &Key, position: u64, kind: i8, at: u64, payload: &[u8]) -> Hash {
    #[expect(clippy::expect_used, reason = "HMAC takes keys of any length")]
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("any key will do");
    mac.update(&position.to_be_bytes());
    mac.update(&kind.to_be_bytes());
    mac.update(&at.to_be_bytes());
    mac.update(payload);
    cut(&mac.finalize().into_bytes())
}

/// The tag of a commit, record by record.
pub struct Commit(Sha256);

impl Commit {
    /// Follows the commit of a session that has this tag.
    #[must_use]
    pub fn after(before: Tag, session: SessionId) -> Commit {
        Commit(Sha256::new().chain_update(before).chain_update(session.0.as_bytes()))
    }

    /// One more record. `kind` is that of the content even when it is erased.
    pub fn add(&mut self, position: u64, at: u64, person: Option<u64>, kind: i8, hash: Hash) {
        self.0.update(position.to_be_bytes());
        self.0.update(at.to_be_bytes());
        // Persons count from 1.
        self.0.update(person.unwrap_or(0).to_be_bytes());
        self.0.update(kind.to_be_bytes());
        self.0.update(hash);
    }

    /// The tag for the last of them.
    #[must_use]
    pub fn tag(self) -> Tag {
        cut(&self.0.finalize())
    }
}

/// Rows of one commit as they are to be stored from a position on, the tag on the last.
///
/// # Errors
/// Somebody in them has no key.
pub fn chained(
    keys: &Keys,
    (first, before): (u64, Tag),
    rows: Vec<(u64, Row)>,
) -> Result<Vec<Stored>, String> {
    let mut commit = Commit::after(before, keys.session);
    let mut stored = Vec::with_capacity(rows.len());
    for (position, (at, row)) in (first..).zip(rows) {
        let key = keys.key(row.person, row.kind).ok_or("somebody has no key")?;
        let hash = content(key, position, row.kind, at, &row.payload);
        commit.add(position, at, row.person, row.kind, hash);
        stored.push(Stored { position, at, row, tag: None });
    }
    if let Some(last) = stored.last_mut() {
        last.tag = Some(commit.tag());
    }
    Ok(stored)
}

/// What is stored beside a row of the small tables, so that a flipped bit in it is found.
#[must_use]
pub fn sum(columns: &[&[u8]]) -> Tag {
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
