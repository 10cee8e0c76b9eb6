//! Copies of a journal: made while a server writes it, and put where a server begins from them.

use std::{
    fs::{self, File, OpenOptions},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use clap::Args;
use rusqlite::{Connection, OpenFlags, backup::Backup};

use crate::{journal::sqlite::folder, secret::random_epoch};

/// Where a journal is copied from.
#[derive(Args, Debug)]
pub struct BackupArgs {
    /// The copy, a file that is not there yet
    pub file: PathBuf,
    /// Folder of the journal; a server may be using it
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data")]
    pub data: PathBuf,
}

/// Where a copy is put back.
#[derive(Args, Debug)]
pub struct RestoreArgs {
    /// A copy that `backup` has made
    pub file: PathBuf,
    /// Folder of the journal, which is empty or not there yet
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data")]
    pub data: PathBuf,
}

/// Copies all that is durable at one instant, as one file for this user alone, and reads the copy once to see that it
/// is whole.
///
/// # Errors
/// There is no journal, the file is there already, or there is no room for it; says which, and leaves no half copy.
pub fn backup(args: &BackupArgs) -> Result<(), String> {
    let from = folder::file(&args.data);
    let source = readable(&from)?;
    own_file(&args.file)?;
    let copied = copy(&source, &args.file).and_then(|copy| judged(&copy, &args.file));
    if copied.is_err() {
        // Half a copy that looks like one is worse than none; what went wrong is said.
        let _ = fs::remove_file(&args.file);
    }
    copied
}

/// Puts a copy where a server begins from it. The journal gets a new epoch: clients send everything again that they
/// have and the copy has not.
///
/// # Errors
/// The file is no copy of a journal, or the folder has something in it; says which, and changes nothing.
pub fn restore(args: &RestoreArgs) -> Result<(), String> {
    let source = readable(&args.file)?;
    judged(&source, &args.file)?;
    let there = fs::read_dir(&args.data).is_ok_and(|mut folder| folder.next().is_some());
    if there {
        return Err(format!(
            "{} has something in it, and nothing is overwritten; name a folder that is empty or not there.",
            args.data.display()
        ));
    }
    folder::made(&args.data).map_err(|error| unwritten(&args.data, &error))?;
    let file = folder::file(&args.data);
    own_file(&file)?;
    let restored = copy(&source, &file).and_then(|copy| {
        let sql = "UPDATE meta SET value = ? WHERE name = 'epoch'";
        let renewed = copy.execute(sql, [random_epoch()]);
        renewed.map(drop).map_err(|error| unwritten(&file, &error))
    });
    if restored.is_err() {
        let _ = fs::remove_file(&file);
    }
    restored
}

fn unwritten(file: &Path, error: &dyn std::fmt::Display) -> String {
    format!("{} cannot be written ({error}).", file.display())
}

fn readable(file: &Path) -> Result<Connection, String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Connection::open_with_flags(file, flags)
        .map_err(|error| format!("{} cannot be read ({error}).", file.display()))
}

/// A new file that only this user can read, on the disk with its folder's entry.
fn own_file(file: &Path) -> Result<(), String> {
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(file);
    made.map(drop).map_err(|error| unwritten(file, &error))
}

/// In one step, which reads the journal as it was at one instant however much is written meanwhile.
fn copy(source: &Connection, file: &Path) -> Result<Connection, String> {
    let error = |error: &dyn std::fmt::Display| unwritten(file, error);
    let mut copy = Connection::open(file).map_err(|why| error(&why))?;
    Backup::new(source, &mut copy).and_then(|backup| backup.step(-1)).map_err(|why| error(&why))?;
    // The journal is written ahead; a copy is one file.
    copy.pragma_update(None, "journal_mode", "DELETE").map_err(|why| error(&why))?;
    let synced = File::open(file).and_then(|copy| copy.sync_all());
    synced.map_err(|why| error(&why))?;
    if let Some(folder) = file.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(|why| error(&why))?;
    }
    Ok(copy)
}

/// Whether it is a whole journal.
fn judged(copy: &Connection, file: &Path) -> Result<(), String> {
    let damaged =
        |what: &dyn std::fmt::Display| format!("{} is no whole journal ({what}).", file.display());
    let says: String = copy
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .map_err(|error| damaged(&error))?;
    if says != "ok" {
        return Err(damaged(&says));
    }
    let epoch = "SELECT value FROM meta WHERE name = 'epoch'";
    let epoch: Result<String, _> = copy.query_row(epoch, [], |row| row.get(0));
    epoch.map(drop).map_err(|error| damaged(&error))
}
