//! How records are kept in a store that can be damaged: rows under the keys of those they are about, chained commit
//! by commit, and proven when they are read again. Bytes in and out; where they are kept is up to the shell.

pub mod chain;
pub mod keys;
pub mod packing;
pub mod proof;

use chain::Tag;

/// What one row says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Whose it is, by number; `None` for those of the session.
    pub person: Option<u64>,
    /// What kind of record, or of a part of one.
    pub kind: i8,
    /// The rest.
    pub payload: Vec<u8>,
}

/// One row as it is stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Which of the session's.
    pub position: u64,
    /// When it was written, milliseconds of the session.
    pub at: u64,
    /// What it says.
    pub row: Row,
    /// The tag of its commit, on the last row; `None` on the others.
    pub tag: Option<Tag>,
}
