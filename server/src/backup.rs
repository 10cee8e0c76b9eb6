//! Copies of a journal and of the club beside it: made while a server is writing them, and put where a server starts from
//! them.

use std::{
    fs::{self, File, OpenOptions},
    io::ErrorKind,
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use clap::Args;
use rusqlite::{Connection, OpenFlags, backup::Backup};

use crate::{
    clock::Clock,
    club,
    journal::sqlite::{folder, lost},
    secret::random_epoch,
};

/// Where a journal is copied from.
#[derive(Args, Debug)]
pub struct BackupArgs {
    /// The copy, a file that does not exist yet
    pub file: PathBuf,
    /// Folder of the journal; a server may be using it
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data")]
    pub data: PathBuf,
}

/// Where a copy is put back.
#[derive(Args, Debug)]
pub struct RestoreArgs {
    /// A copy made by `backup`
    pub file: PathBuf,
    /// Folder of the journal, which is empty or does not exist yet
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data")]
    pub data: PathBuf,
}

/// Copies everything that is durable at one instant, as one file for this user only, and reads the copy once to see that it
/// is whole; returns what was written. The club is a file beside it, copied first: whatever it has not taken yet it takes
/// from the journal, and it never has more than the journal.
///
/// # Errors
/// There is no journal, the file exists already, or there is no room for it; says which, and leaves no half copy.
pub fn backup(args: &BackupArgs) -> Result<String, String> {
    let from = folder::file(&args.data);
    let source = readable(&from)?;
    if args.file.exists() {
        return Err(is_there(&args.file));
    }
    let club = club::file(&args.data);
    let with_it =
        if club.exists() { Some(copied(&club, &beside(&args.file), What::Club)?) } else { None };
    let there = copied_from(&source, &args.file, What::Journal).inspect_err(|_| {
        // Half a copy that looks like a whole one is worse than none; what went wrong is reported.
        if with_it.is_some() {
            let _ = fs::remove_file(beside(&args.file));
        }
    })?;
    let club = with_it.map_or_else(String::new, |has| {
        format!(" {} has the club, {has}: keep the two together.", beside(&args.file).display())
    });
    Ok(format!(
        "{} has {there}, everything that was durable just now.{club} The head coach's link and a certificate that was made here \
         are not in it.",
        args.file.display()
    ))
}

/// What a file is a copy of.
#[derive(Clone, Copy)]
enum What {
    Journal,
    Club,
}

/// Copies the club of a data folder, if there is one, beside a journal that was saved from there; returns what there is to say.
pub(crate) fn saved_club(data: &Path, journal: &Path) -> Option<String> {
    let from = club::file(data);
    // A server started on the new file looks for its club there.
    let starts = journal.file_name() == folder::file(data).file_name();
    let to = match journal.parent() {
        Some(folder) if starts => club::file(folder),
        _ => beside(journal),
    };
    let (file, club) = (to.display(), from.display());
    from.exists().then(|| match copied(&from, &to, What::Club) {
        Ok(has) => format!("{file} has the club, {has}: keep the two together."),
        Err(why) => format!(
            "The club, {club}, is not saved with it. {why} Take the club of a backup, or have `thole-server club rebuild` make \
             the results of pieces again from the journal, as guests\u{2019}."
        ),
    })
}

/// Where the club of a copy is.
fn beside(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(".club");
    PathBuf::from(name)
}

fn copied(from: &Path, to: &Path, what: What) -> Result<String, String> {
    copied_from(&readable(from)?, to, what)
}

/// A whole copy, or none.
fn copied_from(source: &Connection, to: &Path, what: What) -> Result<String, String> {
    own_file(to)?;
    let copied = copy(source, to).and_then(|copy| judged(&copy, to, what));
    if copied.is_err() {
        let _ = fs::remove_file(to);
    }
    copied
}

/// Puts a copy where a server starts from it. The journal gets a new epoch: clients send again everything that they
/// have and the copy lacks. Returns what was written, and what starts afresh.
///
/// # Errors
/// The file is not a copy of a journal, or the folder is not empty; says which, and changes nothing.
pub fn restore(args: &RestoreArgs) -> Result<String, String> {
    let source = readable(&args.file)?;
    let in_copy = judged(&source, &args.file, What::Journal)?;
    let club = beside(&args.file);
    let club = club.exists().then(|| readable(&club)).transpose()?;
    if let Some(club) = &club {
        judged(club, &beside(&args.file), What::Club)?;
    }
    let there = fs::read_dir(&args.data).is_ok_and(|mut folder| folder.next().is_some());
    if there {
        return Err(format!(
            "{} is not empty, and nothing is overwritten; name a folder that is empty or does not exist yet.",
            args.data.display()
        ));
    }
    folder::made(&args.data).map_err(|error| unwritten(&args.data, &error))?;
    let file = folder::file(&args.data);
    own_file(&file)?;
    let restored = copy(&source, &file).and_then(|copy| {
        let sql = "UPDATE meta SET value = ? WHERE name = 'epoch'";
        let renewed = copy.execute(sql, [random_epoch()]);
        // What came after the copy is missing here: links made since then are answered as lost, not as wrong.
        let noted = renewed.and_then(|_| lost::note(&copy, Clock::new(1).unix_ms()));
        noted.map_err(|error| unwritten(&file, &error))
    });
    let to = club::file(&args.data);
    let restored = restored.and_then(|()| {
        let club = club.as_ref().map(|club| copied_from(club, &to, What::Club));
        club.transpose()
    });
    let with_it = restored.inspect_err(|_| {
        let _ = fs::remove_file(&file);
    })?;
    let club = with_it.map_or_else(
        || {
            "; no club was beside it: results are made again from the journal, as guests'"
                .to_owned()
        },
        |has| format!("; its club has {has}"),
    );
    Ok(format!(
        "{} has {in_copy}{club}. Coaches, boards and athletes come in by the links that they had when the copy was made; the head \
         coach's link opens nothing here: the next start makes a new one, unless it is open to all. Leave on any \
         devices that have been in a session since: they send what the copy lacks.",
        args.data.display()
    ))
}

fn unwritten(file: &Path, error: &dyn std::fmt::Display) -> String {
    format!("{} cannot be written ({error}).", file.display())
}

fn readable(file: &Path) -> Result<Connection, String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Connection::open_with_flags(file, flags)
        .map_err(|error| format!("{} cannot be read ({error}).", file.display()))
}

/// A new file that only this user can read, on the disk along with its entry in the folder.
pub(crate) fn own_file(file: &Path) -> Result<(), String> {
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(file);
    made.map(drop).map_err(|error| {
        if error.kind() == ErrorKind::AlreadyExists {
            return is_there(file);
        }
        if error.kind() == ErrorKind::NotFound {
            return format!("{} cannot be written: make its folder first.", file.display());
        }
        unwritten(file, &error)
    })
}

fn is_there(file: &Path) -> String {
    let file = file.display();
    format!(
        "{file} is there already, and nothing is overwritten: name a new file, or move that one away."
    )
}

/// In one step, which reads the journal as it was at one instant however much is written in the meantime.
pub(crate) fn copy(source: &Connection, file: &Path) -> Result<Connection, String> {
    let error = |error: &dyn std::fmt::Display| unwritten(file, error);
    let mut copy = Connection::open(file).map_err(|why| error(&why))?;
    Backup::new(source, &mut copy).and_then(|backup| backup.step(-1)).map_err(|why| error(&why))?;
    // The journal is written ahead; a copy is a single file.
    copy.pragma_update(None, "journal_mode", "DELETE").map_err(|why| error(&why))?;
    let synced = File::open(file).and_then(|copy| copy.sync_all());
    synced.map_err(|why| error(&why))?;
    sync_folder(file).map_err(|why| error(&why))?;
    Ok(copy)
}

/// The entry of a file in its folder is on the disk, too.
pub(crate) fn sync_folder(file: &Path) -> std::io::Result<()> {
    match file.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

/// What is in it, if it is whole.
fn judged(copy: &Connection, file: &Path, what: What) -> Result<String, String> {
    let whole = match what {
        What::Journal => "a whole journal",
        What::Club => "a whole club",
    };
    let damaged =
        |why: &dyn std::fmt::Display| format!("{} is not {whole} ({why}).", file.display());
    let says: String = copy
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .map_err(|error| damaged(&error))?;
    if says != "ok" {
        return Err(damaged(&says));
    }
    let counted = |sql: &str, one: &str, many: &str| {
        let count = copy.query_row(sql, [], |row| row.get::<_, i64>(0));
        let count = count.map_err(|error| damaged(&error))?;
        Ok::<_, String>(if count == 1 { format!("1 {one}") } else { format!("{count} {many}") })
    };
    match what {
        What::Journal => {
            let epoch = "SELECT value FROM meta WHERE name = 'epoch'";
            let epoch: Result<String, _> = copy.query_row(epoch, [], |row| row.get(0));
            epoch.map_err(|error| damaged(&error))?;
            let sessions = counted("SELECT count(*) FROM session", "session", "sessions")?;
            let bytes = fs::metadata(file).map_err(|error| damaged(&error))?.len();
            Ok(format!("{sessions} ({})", size(bytes)))
        }
        What::Club => {
            let people = counted("SELECT count(*) FROM person", "person", "people")?;
            let results = counted("SELECT count(*) FROM result", "result", "results")?;
            Ok(format!("{people} and {results}"))
        }
    }
}

/// For people: in the largest unit of which there is at least one.
fn size(bytes: u64) -> String {
    match bytes {
        0..1_024 => format!("{bytes} bytes"),
        1_024..1_048_576 => format!("{} KiB", bytes.div_ceil(1_024)),
        _ => format!("{} MiB", bytes.div_ceil(1_048_576)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_large_a_copy_is_reads_well() {
        let sizes = [0, 1_023, 1_024, 86_017, 1_048_576, 3_000_000_000].map(size);
        assert_eq!(sizes, ["0 bytes", "1023 bytes", "1 KiB", "85 KiB", "1 MiB", "2862 MiB"]);
    }
}
