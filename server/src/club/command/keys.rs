//! Cards and keys of people, links of coaches.

use std::path::Path;

use clap::{Args, Subcommand, ValueEnum};
use thole_club::{Doer, Zone};
use thole_protocol::club::{CoachLine, CoachRole, KeyLine};

use super::{lines, many, table};
use crate::{club::store::Store, makers, secret::new_secret};

/// What lets people and coaches in.
#[derive(Clone, Debug, Subcommand)]
pub enum KeyTask {
    /// Makes a card for a person and prints its link: it lets one device in, once, within seven days
    Card {
        /// The person, by their name
        person: String,
        /// Where its link leads
        #[command(flatten)]
        at: LinkArgs,
    },
    /// Lists the devices that come in as a person, and the cards that wait for one
    Keys {
        /// The person, by their name
        person: String,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Ends a key of a person, or a card: it opens nothing from now on
    EndKey {
        /// The person, by their name
        person: String,
        /// The key, by its beginning as `club keys` shows it
        key: String,
    },
    /// Ends all keys and cards of a person
    EndKeys {
        /// The person, by their name
        person: String,
    },
    /// Looks after the coaches and their links
    #[command(subcommand)]
    Coach(CoachTask),
}

/// What can be done about coaches.
#[derive(Clone, Debug, Subcommand)]
pub enum CoachTask {
    /// Adds a coach and prints the link by which they come in
    Add {
        /// As people call them
        name: String,
        /// What they may
        #[arg(long, default_value = "coach")]
        role: RoleWord,
        /// Where the link leads
        #[command(flatten)]
        at: LinkArgs,
    },
    /// Lists the coaches
    List {
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Makes a new link for a coach and prints it; the old one opens nothing any more
    Link {
        /// The coach, by their name
        name: String,
        /// Where the link leads
        #[command(flatten)]
        at: LinkArgs,
    },
    /// Says that somebody is a coach no longer: their link opens nothing any more
    End {
        /// The coach, by their name
        name: String,
    },
}

/// What a coach may, as it is typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum RoleWord {
    /// Reads, and changes nothing
    Assistant,
    /// Leads sessions, and changes people and results
    Coach,
    /// That, and looks after the club itself and its coaches
    Head,
}

/// The server that a link is for.
#[derive(Args, Clone, Debug)]
pub struct LinkArgs {
    /// The server's address as people type it, such as https://club.local:8737 [default: as it listens]
    #[arg(long)]
    pub address: Option<String>,
}

/// Does it; what there is to say of it.
///
/// # Errors
/// One sentence: why it cannot be done. Then nothing was changed.
pub(super) fn run(
    store: &mut Store,
    data: &Path,
    task: &KeyTask,
    now: u64,
) -> Result<String, String> {
    let doer = Doer::at_the_command_line(now);
    match task {
        KeyTask::Card { person, at } => {
            let (person, secret) = (store.person(person)?, new_secret());
            let card = store.make_card(person.person, secret.hash(), &doer)?;
            let (called, zone) = (person.called, &store.club().zone);
            let until = zone.day(card.until_unix_ms);
            let link = makers::card_link(&at.of(data), secret);
            Ok(format!("{link}\nIt lets one device of {called} in, once, until {until}.\n"))
        }
        KeyTask::Keys { person, json } => {
            let person = store.person(person)?;
            let keys = store.keys(person.person, None, now)?;
            if *json { lines(&keys) } else { Ok(listed(&person.called, &keys, &store.club().zone)) }
        }
        KeyTask::EndKey { person, key } => {
            let person = store.person(person)?;
            let begins = |line: &KeyLine| line.key.to_string().starts_with(&key.to_lowercase());
            let mut keys = store.keys(person.person, None, now)?;
            keys.retain(begins);
            let [one] = keys.as_slice() else {
                let called = &person.called;
                return Err(format!(
                    "No key of {called}, or more than one, begins with {key:?}; `club keys` lists them."
                ));
            };
            store.end_key(person.person, one.key, now)?;
            Ok(format!("It opens nothing from now on ({}, {}).\n", person.called, what(one)))
        }
        KeyTask::EndKeys { person } => {
            let person = store.person(person)?;
            let ended = store.end_keys(person.person, None, now)?.ended;
            let ended = many(usize::try_from(ended).unwrap_or(usize::MAX), "key");
            Ok(format!("{ended} of {}: ended.\n", person.called))
        }
        KeyTask::Coach(task) => coach(store, data, task, &doer),
    }
}

fn coach(store: &mut Store, data: &Path, task: &CoachTask, doer: &Doer) -> Result<String, String> {
    match task {
        CoachTask::Add { name, role, at } => {
            let secret = new_secret();
            let role = match role {
                RoleWord::Assistant => CoachRole::Assistant,
                RoleWord::Coach => CoachRole::Coach,
                RoleWord::Head => CoachRole::Head,
            };
            let coach = store.add_coach(name, role, secret.hash(), doer)?;
            let link = makers::link(&at.of(data), secret);
            Ok(format!("{link}\nIt is the link of {} alone ({}).\n", coach.called, word(role)))
        }
        CoachTask::List { json } => {
            let coaches = store.coaches()?;
            if *json { lines(&coaches) } else { Ok(coaches_listed(&coaches, &store.club().zone)) }
        }
        CoachTask::Link { name, at } => {
            let (coach, secret) = (store.coach(name)?, new_secret());
            let linked = store.link_coach(coach.coach, secret.hash(), doer)?;
            linked.ok_or_else(|| format!("{} is a coach no longer.", coach.called))?;
            let link = makers::link(&at.of(data), secret);
            Ok(format!("{link}\nThe link that {} had opens nothing any more.\n", coach.called))
        }
        CoachTask::End { name } => {
            let coach = store.coach(name)?;
            store.end_coach(coach.coach, doer)?;
            Ok(format!("{} is a coach no longer.\n", coach.called))
        }
    }
}

impl LinkArgs {
    fn of(&self, data: &Path) -> String {
        let address = self.address.clone().or_else(|| makers::address(data));
        let address = address.unwrap_or_else(|| makers::USUAL_ADDRESS.to_owned());
        address.trim_end_matches('/').to_owned()
    }
}

fn listed(called: &str, keys: &[KeyLine], zone: &Zone) -> String {
    if keys.is_empty() {
        return format!("No device comes in as {called}; `club card` makes a card for one.\n");
    }
    let row = |line: &KeyLine| {
        let day = |at: Option<u64>| at.map(|at| zone.day(at).to_string()).unwrap_or_default();
        vec![
            table::beginning(&line.key.to_string()),
            what(line).to_owned(),
            day(Some(line.from_unix_ms)),
            day(line.last_unix_ms),
            day(line.until_unix_ms),
            line.made_by.clone().unwrap_or_default(),
        ]
    };
    table::columns(&["", "device", "since", "last here", "until", "by"], keys.iter().map(row))
}

fn what(line: &KeyLine) -> &str {
    if line.is_card { "a card" } else { &line.device }
}

fn coaches_listed(all: &[CoachLine], zone: &Zone) -> String {
    if all.is_empty() {
        return "No coach has a link of their own; `club coach add` makes one.\n".to_owned();
    }
    let row = |line: &CoachLine| {
        vec![
            table::beginning(&line.coach.to_string()),
            line.called.clone(),
            word(line.role).to_owned(),
            line.from_day.clone(),
            line.last_unix_ms.map(|at| zone.day(at).to_string()).unwrap_or_default(),
        ]
    };
    table::columns(&["", "name", "may", "since", "last here"], all.iter().map(row))
}

fn word(role: CoachRole) -> &'static str {
    match role {
        CoachRole::Assistant => "assistant",
        CoachRole::Coach => "coach",
        CoachRole::Head => "head coach",
    }
}
