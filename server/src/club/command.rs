//! The club at the command line: who is in it, what was rowed, and what is done to either.

mod deeds;
mod going;
mod keys;
mod retention;
mod table;
mod tables;

use std::{
    io::{self, Write},
    path::PathBuf,
};

use clap::{Args, Subcommand};
use serde::Serialize;
use thole_club::{ClubDay, Doer, Zone, rowed::read_piece, table::TableKind};
use thole_protocol::shown::repeats_text;

pub use deeds::{DeedTask, More};
pub use going::GoingTask;
pub use keys::{CoachTask, KeyTask, LinkArgs, RoleWord};
pub use tables::Import;

use super::{
    rebuild::rebuild,
    store::{Listed, Store, Wanted},
};
use crate::clock::Clock;

/// Which club, and what of it.
#[derive(Args, Clone, Debug)]
pub struct ClubArgs {
    /// Folder of the journal, which the club is in; a server may be using it
    #[arg(
        long,
        global = true,
        env = "THOLE_DATA",
        default_value = "thole-data",
        value_name = "FOLDER"
    )]
    pub data: PathBuf,
    /// What to do
    #[command(subcommand)]
    pub task: ClubTask,
}

/// What can be done with a club.
#[derive(Clone, Debug, Subcommand)]
pub enum ClubTask {
    /// Lists the people of the club, each with the number of results and the day of the newest
    People {
        /// A part of the name [default: everybody]
        name: Option<String>,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Lists groups, each with the coach who has it and who is in it
    Groups {
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Adds somebody to the club
    Add {
        /// As the club calls them
        name: String,
        /// Year of birth
        #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(u16).range(1900..=2200))]
        born: Option<u16>,
    },
    /// Lists results, newest first
    Results {
        /// A part of the name, of a person or of a guest
        #[arg(long, value_name = "NAME")]
        name: Option<String>,
        /// What was rowed, as pieces are written: 2000m, 6x350m/1:15
        #[arg(long, value_name = "PIECE")]
        piece: Option<String>,
        /// The first day, such as 2026-11-30
        #[arg(long, value_name = "DAY")]
        from: Option<ClubDay>,
        /// The last day
        #[arg(long, value_name = "DAY")]
        to: Option<ClubDay>,
        /// So many, the newest
        #[arg(long, value_name = "NUMBER", default_value_t = 200)]
        most: u32,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// What can be undone
    #[command(flatten)]
    Deed(DeedTask),
    /// What lets people and coaches in
    #[command(flatten)]
    Key(KeyTask),
    /// Who is to be deleted
    #[command(flatten)]
    Going(GoingTask),
    /// Says for how long strokes and heart rate are kept and what has gone by that, or sets it
    Retention {
        /// For so many days, 7 to 3650
        #[arg(long, value_name = "DAYS")]
        strokes: Option<u32>,
        /// For so many days, 7 to 3650
        #[arg(long, value_name = "DAYS")]
        heart_rate: Option<u32>,
    },
    /// Says by which time zone the club's days go, or sets it
    Zone {
        /// Such as Europe/Berlin
        zone: Option<Zone>,
    },
    /// Prints all that the club keeps but keys, one JSON object a line
    Export {
        /// People or results instead, as a table for spreadsheets, which `club import` takes without loss
        #[arg(long, value_name = "people|results", value_parser = tables::kind)]
        csv: Option<TableKind>,
    },
    /// Shows what each line of a file of people or results comes to, and stores it when that is said; 1 when a line is left that
    /// somebody has to look at
    Import(Import),
    /// Reads the club's file and says what is wrong with it
    Check,
    /// Makes all results of pieces again from the journal; people, what was typed or imported, and what was given stay
    Rebuild,
}

/// Does it, and prints what there is to say; false when something is wrong with the club.
///
/// # Errors
/// One sentence: why it cannot be done. Then nothing was changed.
pub async fn run(args: &ClubArgs, out: &mut dyn Write) -> Result<bool, String> {
    let data = &args.data;
    let read = || Store::open_read_only(data);
    let now = Clock::new(1).unix_ms();
    let says = match &args.task {
        ClubTask::People { name, json } => {
            let people = read()?.people(name.as_deref().unwrap_or_default())?;
            if *json { lines(&people)? } else { table::people(&people) }
        }
        ClubTask::Groups { json } => {
            let store = read()?;
            let groups = store.groups(&store.club().zone.day(now))?;
            if *json { lines(&groups)? } else { table::groups(&groups) }
        }
        ClubTask::Add { name, born } => {
            let doer = Doer::at_the_command_line(now);
            let person = Store::open(data)?.add_person(name, *born, &doer)?;
            format!("{} is in the club ({}).\n", person.called, person.person)
        }
        ClubTask::Results { name, piece, from, to, most, json } => {
            // As it is kept, however it was typed: `2 km`, `6 x 350 rest 1:15`.
            let work = piece.as_deref().map(read_piece).transpose()?;
            let wanted = Wanted {
                name: name.clone(),
                work: work.as_deref().map(repeats_text),
                from: from.clone().unwrap_or_else(ClubDay::first),
                to: to.clone().unwrap_or_else(ClubDay::last),
                most: *most,
                ..Wanted::default()
            };
            let store = read()?;
            let results = newest(&store, &wanted)?;
            if *json {
                lines(&results)?
            } else if results.is_empty() && wanted.work.is_some() {
                table::no_such_piece(&store.works(&wanted)?)
            } else {
                table::results(&results, *most)
            }
        }
        ClubTask::Deed(task) => deeds::run(&mut Store::open(data)?, task, now)?,
        ClubTask::Key(task) => keys::run(&mut Store::open(data)?, data, task, now)?,
        ClubTask::Going(task) => going::run(data, task, now).await?,
        ClubTask::Retention { strokes, heart_rate } => {
            retention::run(&mut Store::open(data)?, *strokes, *heart_rate)?
        }
        ClubTask::Zone { zone: None } => format!("{}\n", read()?.club().zone.name()),
        ClubTask::Zone { zone: Some(zone) } => {
            let moved = Store::open(data)?.set_zone(zone.clone())?;
            format!("{}. Results that belong to another day now: {moved}.\n", zone.name())
        }
        ClubTask::Import(asked) => {
            let (says, is_settled) = tables::import(data, asked, now)?;
            print(says.as_bytes(), out)?;
            return Ok(is_settled);
        }
        ClubTask::Export { csv: Some(kind) } => read()?.table(*kind)?,
        ClubTask::Export { csv: None } => {
            let mut all = Vec::new();
            read()?.export(&mut all)?;
            print(&all, out)?;
            return Ok(true);
        }
        ClubTask::Check => return check(&read()?, out),
        ClubTask::Rebuild => {
            let done = rebuild(data).await?;
            let kept = match done.damaged {
                0 => String::new(),
                damaged => format!(
                    " Not whole in the journal: {}; what the club had of it stays where the journal has nothing newer.",
                    many(damaged, "session")
                ),
            };
            format!(
                "Made again: {}, of {}. Removed, because the journal does not have them: {}.{kept}\n",
                many(done.results.put, "result"),
                many(done.sessions, "session"),
                done.results.removed
            )
        }
    };
    print(says.as_bytes(), out)?;
    Ok(true)
}

/// Says what is wrong with a club, a line each; true when nothing is.
///
/// # Errors
/// One sentence: it cannot be read at all.
pub fn check(store: &Store, out: &mut dyn Write) -> Result<bool, String> {
    let wrong = store.check()?;
    let mut says = String::new();
    for what in &wrong {
        says.push_str(&format!("Club: {what}\n"));
    }
    if wrong.is_empty() {
        let people = match store.people("")?.len() {
            1 => "1 person".to_owned(),
            many => format!("{many} people"),
        };
        says = format!("Club: {people}, nothing is wrong.\n");
    } else {
        says.push_str(
            "Keep a copy of the folder, stop the server, put the club of a backup in place of this one, and have \
             `thole-server club rebuild` make the results of pieces again.\n",
        );
    }
    print(says.as_bytes(), out)?;
    Ok(wrong.is_empty())
}

/// As many as are wanted. What was rowed together stands together, the best place first.
fn newest(store: &Store, wanted: &Wanted) -> Result<Vec<Listed>, String> {
    let mut results = store.results(wanted)?;
    let most = usize::try_from(wanted.most).unwrap_or(usize::MAX);
    if results.len() >= most
        && let Some(oldest) = results.last().map(|of| of.day.clone())
    {
        // Of its oldest day the store has given any, and not those of the last piece.
        let day: ClubDay = oldest.parse()?;
        results.retain(|of| of.day != oldest);
        let all = Wanted { from: day.clone(), to: day, most: u32::MAX, ..wanted.clone() };
        results.extend(store.results(&all)?);
    }
    in_their_order(&mut results);
    results.truncate(most);
    Ok(results)
}

/// Newest first; what was rowed together stands together, best place first.
fn in_their_order(results: &mut [Listed]) {
    let place = |of: &Listed| (of.place.is_none(), of.place);
    results.sort_by(|a, b| {
        let newest = (&b.day, b.at_unix_ms).cmp(&(&a.day, a.at_unix_ms));
        let together = (&a.session, a.piece).cmp(&(&b.session, b.piece));
        let name = (&a.name, &a.result).cmp(&(&b.name, &b.result));
        newest.then(together).then(place(a).cmp(&place(b))).then(name)
    });
}

fn many(count: usize, one: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
}

fn lines(all: &[impl Serialize]) -> Result<String, String> {
    let mut text = String::new();
    for one in all {
        text.push_str(&serde_json::to_string(one).map_err(|error| format!("{error}."))?);
        text.push('\n');
    }
    Ok(text)
}

fn print(text: &[u8], out: &mut dyn Write) -> Result<(), String> {
    match out.write_all(text).and_then(|()| out.flush()) {
        // Whoever reads has seen enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|error| format!("It cannot be written: {error}.")),
    }
}
