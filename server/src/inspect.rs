//! What a journal holds, for whoever looks after it: `thole-server check`, `salvage` and `journal`; and for `replay`
//! and `fit`, which read it through here.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use serde_json::json;
use thole_protocol::ids::JoinCode;
use thole_study::Logged;

use crate::{
    backup,
    journal::{Found, Journal, Record, sqlite::SqliteJournal},
};

/// Which journal to check against its own tags.
#[derive(Clone, Debug, clap::Args)]
pub struct CheckArgs {
    /// Folder of the journal
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_name = "FOLDER")]
    pub data: PathBuf,
}

/// What to save out of a damaged journal, and where to.
#[derive(Clone, Debug, clap::Args)]
pub struct SalvageArgs {
    /// Folder of the journal, which is left unchanged
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_name = "FOLDER")]
    pub data: PathBuf,
    /// New file; if it is named thole.db in a folder of its own, a server can be started on it
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
}

/// Which records to print.
#[derive(Clone, Debug, clap::Args)]
pub struct JournalArgs {
    /// Folder of the journal
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_name = "FOLDER")]
    pub data: PathBuf,
    /// Join code of the session
    #[arg(long, value_name = "CODE")]
    pub session: String,
    /// Whole records, one JSON object a line, instead of their kinds
    #[arg(long)]
    pub json: bool,
}

/// Reads all of a journal and says what is wrong with it; true when nothing is.
///
/// # Errors
/// One sentence: there is no journal, or none of it can be read.
pub async fn check(args: &CheckArgs, out: &mut dyn Write) -> Result<bool, String> {
    let told = |error: &dyn std::fmt::Display| format!("{error}.");
    let journal = SqliteJournal::open_read_only(&args.data).map_err(|error| told(&error))?;
    let Inventory { is_whole, sessions, records } = wrong(&journal, out).await?;
    let mut say = |line: String| writeln!(out, "{line}").map_err(|error| told(&error));
    if is_whole {
        say(format!("{sessions} sessions, {records} records: all as they were written."))?;
    } else {
        say("What is whole is used all the same, and phones that still have their strokes send them again when they \
             come back. Keep a copy of the folder, look at the disk, and where the file itself is damaged go on with \
             what `thole-server salvage` makes of it, or with a backup."
            .to_owned())?;
    }
    Ok(is_whole)
}

/// Says what is damaged in a copy that was just made, and so in its journal; true when nothing is.
///
/// # Errors
/// One sentence: the copy cannot be read.
pub async fn copied(file: &Path, out: &mut dyn Write) -> Result<bool, String> {
    // A copy stands alone: what a witness beside the journal has seen since does not count as missing from
    // it.
    let copy = SqliteJournal::open_copy(file, file).map_err(|error| format!("{error}."))?;
    let Inventory { is_whole, .. } = wrong(&copy, out).await?;
    if !is_whole {
        writeln!(
            out,
            "The copy has the damage named above, as the journal had it. Keep older copies, and see \
             `thole-server check` and `salvage`."
        )
        .map_err(|error| format!("{error}."))?;
    }
    Ok(is_whole)
}

/// How much of a journal there is.
struct Inventory {
    is_whole: bool,
    sessions: usize,
    records: usize,
}

/// Says what is wrong with a journal, one line each.
async fn wrong(journal: &SqliteJournal, out: &mut dyn Write) -> Result<Inventory, String> {
    let told = |error: &dyn std::fmt::Display| format!("{error}.");
    let mut is_whole = true;
    let mut say = |line: String| writeln!(out, "{line}").map_err(|error| told(&error));
    for page in journal.pages().await.map_err(|error| told(&error))? {
        is_whole = false;
        say(format!("The file: {page}"))?;
    }
    for session in journal.missing().await.map_err(|error| told(&error))? {
        is_whole = false;
        say(format!(
            "Session {session}: the whole session is missing; its devices still have their strokes."
        ))?;
    }
    match journal.damaged_links().await {
        Ok(0) => {}
        Ok(1) => {
            is_whole = false;
            say("1 link is damaged and opens nothing: make a new one for whoever held it.".into())?;
        }
        Ok(damaged) => {
            is_whole = false;
            say(format!(
                "{damaged} links are damaged and open nothing: make new ones for those who held them."
            ))?;
        }
        Err(error) => {
            is_whole = false;
            say(format!("Links: {error}"))?;
        }
    }
    let sessions = journal.sessions().await.map_err(|error| told(&error))?;
    let mut records = 0;
    for row in &sessions {
        let found = journal.read(row.session, 0).await.map_err(|error| told(&error))?;
        records += found.records.len();
        for damage in found.damage {
            is_whole = false;
            say(format!("Session {} ({}): {damage}", row.code.as_str(), row.session))?;
        }
    }
    Ok(Inventory { is_whole, sessions: sessions.len(), records })
}

/// Saves what can be read of a damaged journal into a new file, and says what is missing from it. It succeeds
/// when everything that can be read is saved, however much that is.
///
/// # Errors
/// One sentence: there is no journal, nothing of it can be saved, or the new file exists already or cannot be written.
pub async fn salvage(args: &SalvageArgs, out: &mut dyn Write) -> Result<(), String> {
    let lost = SqliteJournal::salvage(&args.data, &args.out)?;
    let told = |error: std::io::Error| format!("{error}.");
    for what in &lost {
        writeln!(out, "{what}").map_err(told)?;
    }
    // Missing rows break nothing when the rest is read: only the journal's own tags and its witness notice them.
    let copy =
        SqliteJournal::open_copy(&args.out, &args.data).map_err(|error| format!("{error}."))?;
    let Inventory { is_whole, sessions, records } = wrong(&copy, out).await?;
    drop(copy);
    let file = args.out.display();
    if sessions == 0 && !lost.is_empty() {
        std::fs::remove_file(&args.out).map_err(told)?;
        return Err(format!(
            "Nothing of {} can be saved: go on with a backup.",
            args.data.display()
        ));
    }
    let club = backup::saved_club(&args.data, &args.out);
    if let Some(says) = club {
        writeln!(out, "{says}").map_err(told)?;
    }
    if let Err(says) = backup::saved_gone(&args.data, &args.out) {
        writeln!(
            out,
            "The list of who was deleted and what was ended is not saved with it. {says}"
        )
        .map_err(told)?;
    }
    if is_whole && lost.is_empty() {
        let says = format!(
            "{file} has everything: {sessions} sessions, {records} records, all as they were written."
        );
        return writeln!(out, "{says}").map_err(told);
    }
    SqliteJournal::note_lost(&args.out)?;
    writeln!(
        out,
        "{file} has what could be read, {sessions} sessions and {records} records; what is named above is missing or damaged in it. \
         Phones that still have their strokes send them again when they come back."
    )
    .map_err(told)
}

/// Prints the records of a session.
///
/// # Errors
/// One sentence: there is no such session, or it cannot be read.
pub async fn journal(args: &JournalArgs, out: &mut dyn Write) -> Result<(), String> {
    let told = |error: &dyn std::fmt::Display| format!("{error}.");
    let (_, found) = found(&args.data, &args.session).await?;
    for (position, record) in &found.records {
        let line = if args.json {
            json!({"position": position, "at_ms": record.at, "input": record.input}).to_string()
        } else {
            format!("{position} {} {}", record.at.0, record.input.kind())
        };
        writeln!(out, "{line}").map_err(|error| told(&error))?;
    }
    for damage in found.damage {
        eprintln!("{damage}");
    }
    Ok(())
}

/// A session of a journal, found by its join code, to be replayed.
///
/// # Errors
/// One sentence: there is no such session, or it cannot be read.
pub async fn session(data: &Path, code: &str) -> Result<Logged, String> {
    let (code, found) = found(data, code).await?;
    Ok(logged(code.as_str(), found))
}

/// Hands over every session of a journal, oldest first, one after the other: together they may be too big for
/// memory.
///
/// # Errors
/// One sentence: there is no journal, or a session cannot be read.
pub async fn each_session(data: &Path, mut take: impl FnMut(Logged)) -> Result<(), String> {
    let journal = SqliteJournal::open_read_only(data).map_err(|error| format!("{error}."))?;
    for row in journal.sessions().await.map_err(|error| format!("{error}."))? {
        let found = journal.read(row.session, 0).await.map_err(|error| format!("{error}."))?;
        take(logged(&row.session.to_string(), found));
    }
    Ok(())
}

async fn found(data: &Path, session: &str) -> Result<(JoinCode, Found), String> {
    let told = |error: &dyn std::fmt::Display| format!("{error}.");
    let journal = SqliteJournal::open_read_only(data).map_err(|error| told(&error))?;
    let unknown = || format!("There is no session {session} in this journal: check the join code.");
    let code = JoinCode::read(session).ok_or_else(unknown)?;
    let row = journal.session_of(&code).await.map_err(|error| told(&error))?;
    let row = row.ok_or_else(unknown)?;
    let found = journal.read(row.session, 0).await.map_err(|error| told(&error))?;
    Ok((code, found))
}

fn logged(name: &str, found: Found) -> Logged {
    let records = found.records.into_iter().map(|(_, Record { at, input })| (at, input));
    Logged { name: name.to_owned(), records: records.collect() }
}
