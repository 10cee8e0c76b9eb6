//! People who are to be deleted.

use std::path::Path;

use clap::Subcommand;
use thole_club::Doer;
use thole_protocol::club::Going;

use super::lines;
use crate::{
    club::{leaving, store::Store},
    journal::sqlite::{SqliteJournal, folder},
};

/// What can be done about people who are to be deleted.
#[derive(Clone, Debug, Subcommand)]
pub enum GoingTask {
    /// Says that somebody is to be deleted, in the club and in all journals: hidden at once, and gone in some days
    Delete {
        /// The person, by their name
        person: String,
        /// Without waiting; nobody can take it back
        #[arg(long)]
        now: bool,
    },
    /// Takes it back that somebody is to be deleted
    Keep {
        /// The person, by their name
        person: String,
    },
    /// Lists who is to be deleted
    Going {
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
}

/// Does it; what there is to say of it.
///
/// # Errors
/// One sentence: why it cannot be done.
pub(super) async fn run(data: &Path, task: &GoingTask, now: u64) -> Result<String, String> {
    let doer = Doer::at_the_command_line(now);
    match task {
        GoingTask::Delete { person, now: false } => {
            let mut store = Store::open(data)?;
            let person = store.person(person)?;
            let going = store.go(person.person, &doer)?;
            let day = store.club().zone.day(going.runs_unix_ms);
            Ok(format!(
                "{} is hidden from now on and deleted on {day}. `club keep` takes it back until then.\n",
                going.called
            ))
        }
        GoingTask::Delete { person, now: true } => {
            let going = {
                let mut store = Store::open(data)?;
                let id = match store.going_called(person) {
                    Ok(going) => going.person,
                    Err(_) => store.person(person)?.person,
                };
                store.go(id, &doer)?;
                store.go_now(id, &doer)?
            };
            at_once(data, &going, now).await
        }
        GoingTask::Keep { person } => {
            let mut store = Store::open(data)?;
            let going = store.going_called(person)?;
            let kept = store.keep(going.person)?;
            Ok(format!("{} is in the club as before.\n", kept.called))
        }
        GoingTask::Going { json } => {
            let store = Store::open(data)?;
            let all = store.all_going()?;
            if *json {
                return lines(&all);
            }
            let line = |going: &Going| {
                let day = store.club().zone.day(going.runs_unix_ms);
                let waits = going.waits.as_ref();
                let waits = waits.map(|waits| format!(" {waits}")).unwrap_or_default();
                format!("{day}  {}, as {} asked.{waits}\n", going.called, going.asked_by)
            };
            Ok(match all.as_slice() {
                [] => "Nobody is to be deleted.\n".to_owned(),
                all => all.iter().map(line).collect(),
            })
        }
    }
}

/// A server that is using the folder does it; without one it is done here.
async fn at_once(data: &Path, going: &Going, now: u64) -> Result<String, String> {
    let called = &going.called;
    if folder::file(data).exists() {
        let Ok(journal) = SqliteJournal::open(data) else {
            return Ok(format!(
                "{called} is hidden from now on; the server that is using this folder deletes them within an hour.\n"
            ));
        };
        let waiting = leaving::look(&journal, None, data, now).await?;
        let own = waiting.into_iter().find(|of| of.person == going.person);
        return match own {
            None => Ok(format!("{called} is deleted, in the club and in the journals.\n")),
            Some(own) => Ok(format!(
                "{called} is hidden from now on. {}\n",
                own.waits.as_deref().unwrap_or("It goes on at the next start of a server.")
            )),
        };
    }
    let why = format!("{} has no journal yet", data.display());
    Err(format!(
        "{called} is hidden from now on, and deleted at the next start of a server: {why}."
    ))
}
