//! What becomes of a copy of a journal that is put in place: who was deleted since is erased, and links that were ended stay so.

use rusqlite::Connection;
use thole_protocol::ids::{AthleteId, SessionId};

use super::{erasing, tables, writing};

/// Erases people in sessions, and every trace of them.
///
/// # Errors
/// It cannot be written.
pub(crate) fn erase(
    copy: &Connection,
    people: impl Iterator<Item = (SessionId, AthleteId)>,
) -> rusqlite::Result<()> {
    copy.pragma_update(None, "secure_delete", true)?;
    let changes = copy.unchecked_transaction()?;
    for (session, athlete) in people {
        erasing::person(&changes, session, athlete)?;
    }
    changes.commit()?;
    tables::overwrite(copy)
}

/// Ends every link of every session.
///
/// # Errors
/// It cannot be written.
pub(crate) fn end_links(copy: &Connection) -> rusqlite::Result<()> {
    let changes = copy.unchecked_transaction()?;
    writing::revoke_all(&changes)?;
    changes.commit()
}
