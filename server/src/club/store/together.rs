//! Changes that are made together, all of them or none.

use std::ops::Deref;

use rusqlite::{Connection, Savepoint, Transaction, TransactionBehavior};

use super::{ClubError, Store};

/// Changes that stand once they are committed; dropped before, none of them does. Where others are being made already, they are a
/// part of those.
#[derive(Debug)]
pub(super) enum Writing<'a> {
    /// All that is being changed.
    Whole(Transaction<'a>),
    /// A part of more.
    Part(Savepoint<'a>),
}

impl Writing<'_> {
    pub(super) fn commit(self) -> rusqlite::Result<()> {
        match self {
            Writing::Whole(transaction) => transaction.commit(),
            Writing::Part(savepoint) => savepoint.commit(),
        }
    }
}

impl Deref for Writing<'_> {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        match self {
            Writing::Whole(transaction) => transaction,
            Writing::Part(savepoint) => savepoint,
        }
    }
}

/// Waits for whoever else is writing, and keeps everybody else from it until it is committed or dropped.
pub(super) fn writing(connection: &mut Connection) -> Result<Writing<'_>, ClubError> {
    Ok(if connection.is_autocommit() {
        let immediate = TransactionBehavior::Immediate;
        Writing::Whole(connection.transaction_with_behavior(immediate)?)
    } else {
        Writing::Part(connection.savepoint()?)
    })
}

impl Store {
    /// Makes all changes of `does`, or none when it fails. Nobody else changes anything meanwhile.
    ///
    /// # Errors
    /// That of `does`, or it cannot be written.
    pub fn all_or_nothing<T, E: From<ClubError>>(
        &mut self,
        does: impl FnOnce(&mut Store) -> Result<T, E>,
    ) -> Result<T, E> {
        if !self.connection.is_autocommit() {
            let bug = "changes are being made together already";
            return Err(ClubError::Store(bug.to_owned()).into());
        }
        self.carried_out("BEGIN IMMEDIATE")?;
        // A panic in it closes the connection, and that takes everything back.
        let done = does(self).and_then(|done| Ok(self.carried_out("COMMIT").map(|()| done)?));
        if done.is_err() && !self.connection.is_autocommit() {
            self.carried_out("ROLLBACK")?;
        }
        if std::mem::take(&mut self.lists_ended) && done.is_ok() {
            self.list_ended();
        }
        done
    }

    fn carried_out(&self, sql: &str) -> Result<(), ClubError> {
        Ok(self.connection.execute_batch(sql)?)
    }
}

#[cfg(test)]
mod tests {
    use thole_club::Doer;

    use super::*;

    #[test]
    fn changes_are_made_together_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let doer = Doer::at_the_command_line(1);
        let failed = store.all_or_nothing(|store| {
            store.add_person("Ana", None, &doer)?;
            store.add_person("Bo", None, &doer)?;
            Err::<(), _>(ClubError::Refused("no".to_owned()))
        });
        assert!(failed.is_err() && store.people("").unwrap().is_empty());
        store
            .all_or_nothing(|store| {
                store.add_person("Ana", None, &doer)?;
                // Its own part alone is taken back.
                assert!(store.add_person("ana", None, &doer).is_err());
                store.add_person("Bo", None, &doer)
            })
            .unwrap();
        assert_eq!(store.people("").unwrap().len(), 2);
        assert_eq!(Store::open_read_only(folder.path()).unwrap().people("").unwrap().len(), 2);
    }
}
