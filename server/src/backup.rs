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
use thole_protocol::ids::{AthleteId, SessionId};

use crate::{
    clock::Clock,
    club::{
        self, Store,
        gone::{self, Gone},
    },
    journal::sqlite::{copied, folder, lost},
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
    /// A newer list of what is gone than the one beside the copy, such as the one beside the newest copy or in the old folder; both
    /// are used
    #[arg(long, value_name = "FILE")]
    pub gone: Vec<PathBuf>,
    /// Without any list of what is gone: every key and every link ends, and who was deleted since is there again
    #[arg(long, conflicts_with = "gone")]
    pub without_gone: bool,
}

/// Copies everything that is durable at one instant, as one file for this user only, and reads the copy once to see that it
/// is whole; returns what was written. The club is a file beside it, copied first: whatever it has not taken yet it takes
/// from the journal, and it never has more than the journal. The list of what is gone is another one, copied last: nothing that
/// is in neither is missing there.
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
    copy_gone(&args.data, &gone_beside(&args.file)).inspect_err(|_| {
        for copy in [args.file.clone(), beside(&args.file)] {
            let _ = fs::remove_file(copy);
        }
    })?;
    let club = with_it.map_or_else(String::new, |has| {
        format!(" {} has the club, {has}: keep the two together.", beside(&args.file).display())
    });
    Ok(format!(
        "{} has {there}, everything that was durable just now.{club} {} lists who was deleted and what was ended: keep the newest of \
         these lists, `restore` asks for it. The head coach's link and a certificate that was made here are not in it.",
        args.file.display(),
        gone_beside(&args.file).display()
    ))
}

/// Copies the list of what is gone of a data folder; what was never listed is an empty list.
fn copy_gone(data: &Path, to: &Path) -> Result<(), String> {
    // A club of another version lists what was ended when it is next opened.
    if let Ok(club) = Store::open_read_only(data) {
        club.list_ended();
    }
    let list = gone::file(data);
    let gone = Gone::read(&list).map_err(|error| unread(&list, &error))?;
    gone.unwrap_or_default().write_new(to)
}

/// Copies the list of what is gone beside a journal that was saved.
///
/// # Errors
/// It cannot be read or written.
pub(crate) fn saved_gone(data: &Path, journal: &Path) -> Result<(), String> {
    let starts = journal.file_name() == folder::file(data).file_name();
    match journal.parent() {
        Some(folder) if starts => copy_gone(data, &gone::file(folder)),
        _ => copy_gone(data, &gone_beside(journal)),
    }
}

fn unread(file: &Path, error: &dyn std::fmt::Display) -> String {
    format!("{} cannot be read ({error}).", file.display())
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
    with_ending(file, ".club")
}

/// Where the list of what is gone is that was made with a copy.
fn gone_beside(file: &Path) -> PathBuf {
    with_ending(file, ".gone")
}

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
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

/// All that is known to be gone of what a copy may have; `None` when nothing is to be known.
fn known_gone(args: &RestoreArgs) -> Result<Option<Gone>, String> {
    if args.without_gone {
        return Ok(None);
    }
    let beside = gone_beside(&args.file);
    let read = |list: &Path| Gone::read(list).map_err(|error| unread(list, &error));
    let mut all = read(&beside)?;
    for list in &args.gone {
        let Some(gone) = read(list)? else {
            return Err(unread(list, &"it is not there"));
        };
        all = Some(all.unwrap_or_default().and(gone));
    }
    let missing = || {
        format!(
            "{} is not there, the list of who was deleted and which keys were ended. Name the newest that there is, beside a newer \
             copy or in the old folder, with --gone; or say --without-gone: then every key and every link ends, and who was deleted \
             is there again.",
            beside.display()
        )
    };
    all.map(Some).ok_or_else(missing)
}

/// Puts a copy where a server starts from it. The journal gets a new epoch: clients send again everything that they
/// have and the copy lacks. What is gone by the lists of that is gone here, too. Returns what was written, and what starts afresh.
///
/// # Errors
/// The file is not a copy of a journal, there is no list of what is gone, or the folder is not empty; says which, and changes nothing.
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
    let gone = known_gone(args)?;
    folder::made(&args.data).map_err(|error| unwritten(&args.data, &error))?;
    let file = folder::file(&args.data);
    own_file(&file)?;
    let restored = copy(&source, &file).and_then(|copy| {
        let sql = "UPDATE meta SET value = ? WHERE name = 'epoch'";
        let renewed = copy.execute(sql, [random_epoch()]);
        // What came after the copy is missing here: links made since then are answered as lost, not as wrong.
        let noted = renewed.and_then(|_| lost::note(&copy, Clock::new(1).unix_ms()));
        let ended = noted.and_then(|()| match &gone {
            Some(gone) => copied::erase(&copy, athletes(gone)),
            None => copied::end_links(&copy),
        });
        ended.map_err(|error| unwritten(&file, &error))
    });
    let to = club::file(&args.data);
    let list = gone::file(&args.data);
    let restored = restored.and_then(|()| {
        gone.clone().unwrap_or_default().write_new(&list)?;
        let club = club.as_ref().map(|club| copied_from(club, &to, What::Club)).transpose()?;
        Ok(club.map(|has| (has, ended_in_club(&args.data, gone.as_ref()))))
    });
    let restored = restored
        .and_then(|club| club.map(|(has, ended)| ended.map(|deleted| (has, deleted))).transpose());
    let with_it = restored.inspect_err(|_| {
        for half in [&file, &to, &list] {
            let _ = fs::remove_file(half);
        }
    })?;
    let club = with_it.map_or_else(
        || {
            "; no club was beside it: results are made again from the journal, as guests'"
                .to_owned()
        },
        |(has, deleted)| match deleted {
            0 => format!("; its club has {has}"),
            1 => format!("; its club had {has}, and 1 of the people was deleted since and is deleted again"),
            many => format!("; its club had {has}, and {many} of the people were deleted since and are deleted again"),
        },
    );
    let links = match gone {
        Some(_) => {
            "Coaches, boards and athletes come in by the links that they had when the copy was made, but for those that were ended since"
        }
        None => {
            "Every key and every link has ended: people need new cards, coaches and boards new links"
        }
    };
    Ok(format!(
        "{} has {in_copy}{club}. {links}; the head coach's link opens nothing here: the next start makes a new one, unless it is open \
         to all. Leave on any devices that have been in a session since: they send what the copy lacks.",
        args.data.display()
    ))
}

fn athletes(gone: &Gone) -> impl Iterator<Item = (SessionId, AthleteId)> {
    gone.all().filter_map(|(what, _)| match what {
        gone::GoneId::Athlete(session, athlete) => Some((session, athlete)),
        gone::GoneId::Person(_)
        | gone::GoneId::Result(_)
        | gone::GoneId::Key(_)
        | gone::GoneId::Consent(_) => None,
    })
}

/// What is gone is gone in the club of a copy, too; without a list every key is. How many people were deleted.
fn ended_in_club(data: &Path, gone: Option<&Gone>) -> Result<usize, String> {
    let (mut store, now) = (Store::open(data)?, Clock::new(1).unix_ms());
    match gone {
        Some(gone) => Ok(store.apply_gone(gone, now)?),
        None => Ok(store.end_everything(now).map(|()| 0)?),
    }
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
