//! How the tables of the store come to be, step by step: a file a step, numbered, never changed once it has been released.

use std::{fs, path::Path};

use rusqlite::{Connection, TransactionBehavior};

use super::store::ClubError;
use crate::backup;

/// In their order; the version of a file is how many of them it has seen.
pub(super) const ALL: [&str; 11] = [
    include_str!("migrations/0001_people_and_results.sql"),
    include_str!("migrations/0002_deeds.sql"),
    include_str!("migrations/0003_sessions.sql"),
    include_str!("migrations/0004_keys.sql"),
    include_str!("migrations/0005_rulings.sql"),
    include_str!("migrations/0006_kept_answers.sql"),
    include_str!("migrations/0007_going.sql"),
    include_str!("migrations/0008_came_as.sql"),
    include_str!("migrations/0009_retention.sql"),
    include_str!("migrations/0010_groups.sql"),
    include_str!("migrations/0011_hall.sql"),
];

/// Brings a file to the newest version. What was there before is copied beside it first, so that the program before this one can
/// go on from there.
///
/// # Errors
/// `Newer` for a file of a later program, of which nothing is changed; else the store's: then the file is as it was.
pub(super) fn bring(
    connection: &mut Connection,
    file: &Path,
    all: &[&str],
) -> Result<(), ClubError> {
    let there = checked(connection, all)?;
    if there == all.len() {
        return Ok(());
    }
    if there > 0 {
        keep_copy(connection, file, there)?;
    }
    // Whoever else is doing the same is waited for, and then there is nothing left to do.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let there = checked(&transaction, all)?;
    for step in all.iter().skip(there) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(
        None,
        "user_version",
        i64::try_from(all.len()).unwrap_or(i64::MAX),
    )?;
    transaction.commit()?;
    Ok(())
}

/// How many steps a file has seen.
///
/// # Errors
/// `Newer`: more than there are here.
pub(super) fn checked(connection: &Connection, all: &[&str]) -> Result<usize, ClubError> {
    let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    match usize::try_from(version) {
        Ok(there) if there <= all.len() => Ok(there),
        _ => Err(ClubError::Newer { version, known: all.len() }),
    }
}

/// Removes the copies that were kept when a file was brought to a newer version: somebody is gone who is still in them.
///
/// # Errors
/// As the system reports it.
pub(super) fn remove_copies(file: &Path) -> std::io::Result<()> {
    for version in 1..=ALL.len() {
        for ending in ["", ".half"] {
            let kept = file.with_extension(format!("sqlite.version-{version}{ending}"));
            match fs::remove_file(&kept) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
                Ok(()) => {
                    tracing::info!(copy = %kept.display(), "a copy of the club's file as it was in an older version is removed: somebody in it is deleted")
                }
                Err(_) => {}
            }
        }
    }
    Ok(())
}

/// A file half written is not taken for a copy: it gets its name when it is whole.
fn keep_copy(connection: &Connection, file: &Path, version: usize) -> Result<(), ClubError> {
    let named = |ending: &str| file.with_extension(format!("sqlite.version-{version}{ending}"));
    let (half, kept) = (named(".half"), named(""));
    let failed = |error: &dyn std::fmt::Display| {
        ClubError::Store(format!("{} cannot be written ({error})", kept.display()))
    };
    match fs::remove_file(&half) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(failed(&error)),
        Ok(()) | Err(_) => {}
    }
    backup::own_file(&half)
        .and_then(|()| backup::copy(connection, &half))
        .map_err(|error| failed(&error))?;
    fs::rename(&half, &kept).map_err(|error| failed(&error))?;
    backup::sync_folder(&kept).map_err(|error| failed(&error))?;
    tracing::info!(copy = %kept.display(), "the club's file is brought to a newer version; a copy of it as it was is kept");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::club::store::{Store, file};

    const NEXT: &str = "CREATE TABLE later (club TEXT NOT NULL, what TEXT NOT NULL) STRICT;
                          UPDATE club SET name = 'renamed';";

    fn with(step: &str) -> Vec<&str> {
        ALL.into_iter().chain([step]).collect()
    }

    fn name(connection: &Connection) -> String {
        connection.query_row("SELECT name FROM club", [], |row| row.get(0)).unwrap()
    }

    #[test]
    fn what_was_there_before_a_step_is_kept_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        drop(Store::open(folder.path()).unwrap());
        let file = file(folder.path());
        let kept = folder.path().join(format!("club.sqlite.version-{}", ALL.len()));
        assert!(!kept.exists(), "a new file has no version before it");
        // What an end of the process in the middle of a copy leaves.
        fs::write(format!("{}.half", kept.display()), "half").unwrap();
        let mut connection = Connection::open(&file).unwrap();
        bring(&mut connection, &file, &with(NEXT)).unwrap();
        assert_eq!(name(&connection), "renamed");
        assert_eq!(name(&Connection::open(&kept).unwrap()), "");
        assert_eq!(checked(&Connection::open(&kept).unwrap(), &ALL).unwrap(), ALL.len());
        // Nothing is done twice.
        fs::remove_file(&kept).unwrap();
        bring(&mut connection, &file, &with(NEXT)).unwrap();
        assert!(!kept.exists());
        let half = |entry: fs::DirEntry| entry.file_name().to_string_lossy().ends_with("half");
        assert!(!fs::read_dir(folder.path()).unwrap().any(|entry| half(entry.unwrap())));
    }

    #[test]
    fn notes_and_attendance_of_an_older_file_are_there_in_the_newest() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("club.sqlite");
        let mut connection = Connection::open(&file).unwrap();
        connection.pragma_update(None, "foreign_keys", true).unwrap();
        let before: Vec<&str> =
            ALL.into_iter().take_while(|step| !step.contains("note_as_before")).collect();
        bring(&mut connection, &file, &before).unwrap();
        connection
            .execute_batch(
                "INSERT INTO club (club, zone) VALUES ('c', 'UTC');
                 INSERT INTO person (club, person, called, folded, added_unix_ms) VALUES ('c', 'p', 'Ana', 'ana', 1);
                 INSERT INTO \"group\" VALUES ('c', 'g', 'Mornings');
                 INSERT INTO membership VALUES ('c', 'g', 'p', '2026-11-02', NULL);
                 INSERT INTO note (club, note, person, words, readers, said_unix_ms) VALUES ('c', 'n', 'p', 'Tall', 'author', 7);
                 INSERT INTO attendance (club, person, day, session, state) VALUES
                    ('c', 'p', '2026-11-02', 's', 'away'), ('c', 'p', '2026-11-03', '', 'excused');",
            )
            .unwrap();
        bring(&mut connection, &file, &ALL).unwrap();
        let text =
            |sql: &str| -> String { connection.query_row(sql, [], |row| row.get(0)).unwrap() };
        assert_eq!(
            text("SELECT words || person || readers || said_unix_ms FROM note"),
            "Tallpauthor7"
        );
        assert_eq!(text("SELECT called || (coach IS NULL) FROM \"group\""), "Mornings1");
        assert_eq!(
            text("SELECT group_concat(day || session || state, ' ') FROM attendance"),
            "2026-11-02sabsent 2026-11-03excused"
        );
    }

    #[test]
    fn a_step_that_fails_leaves_the_file_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        drop(Store::open(folder.path()).unwrap());
        let file = file(folder.path());
        let mut connection = Connection::open(&file).unwrap();
        let broken = format!("{NEXT} INSERT INTO nowhere VALUES (1);");
        bring(&mut connection, &file, &with(&broken)).unwrap_err();
        assert_eq!(
            (name(&connection).as_str(), checked(&connection, &ALL).unwrap()),
            ("", ALL.len())
        );
        drop(connection);
        Store::open(folder.path()).unwrap();
    }

    #[test]
    fn a_file_of_a_newer_program_is_refused_and_not_changed() {
        let folder = tempfile::tempdir().unwrap();
        drop(Store::open(folder.path()).unwrap());
        let connection = Connection::open(file(folder.path())).unwrap();
        connection
            .pragma_update(None, "user_version", i64::try_from(ALL.len() + 1).unwrap())
            .unwrap();
        drop(connection);
        let before = fs::read(file(folder.path())).unwrap();
        for refused in [Store::open(folder.path()), Store::open_read_only(folder.path())] {
            let says = refused.unwrap_err().to_string();
            assert!(
                says.contains(&format!("version {}", ALL.len() + 1))
                    && says.contains(&format!("up to {}", ALL.len())),
                "{says}"
            );
        }
        assert_eq!(fs::read(file(folder.path())).unwrap(), before);
    }
}
