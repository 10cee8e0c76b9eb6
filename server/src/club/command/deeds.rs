//! What is done to people and results at the command line, each of which can be undone.

use clap::Subcommand;
use thole_club::{
    Best, ClubDay, Deed, DeedNo, Doer, Done, Reach, Rowed,
    plausible::Beyond,
    rowed::{read_piece, read_total},
};
use thole_protocol::units::HalfSpm;

use super::{lines, many, table};
use crate::club::store::{Listed, Store};

/// What can be done, and undone.
#[derive(Clone, Debug, Subcommand)]
pub enum DeedTask {
    /// Gives a guest's result to a person, with all that was rowed in the same seat of that session
    Give {
        /// The result, by its beginning as `club results` shows it
        result: String,
        /// The person, by their name
        person: String,
        /// Whose it is until now; nothing is taken from a person who is not named [default: a guest's]
        #[arg(long, value_name = "PERSON")]
        from: Option<String>,
        /// This piece alone
        #[arg(long)]
        only_this: bool,
    },
    /// Makes the results that were given with this one a guest's again
    TakeBack {
        /// The result, by its beginning as `club results` shows it
        result: String,
        /// This piece alone
        #[arg(long)]
        only_this: bool,
    },
    /// Exchanges the seats of two people who rowed on each other's machine
    Swap {
        /// A result of the one, by its beginning as `club results` shows it
        result: String,
        /// A result of the other
        other: String,
        /// These two results alone
        #[arg(long)]
        only_these: bool,
    },
    /// Makes two entries of one person one
    Merge {
        /// The entry that goes, by its name or what stands before it in `club people`
        person: String,
        /// The entry that stays
        into: String,
    },
    /// Keeps a result that no machine has told
    Type {
        /// The person, by their name
        person: String,
        /// The day, such as 2026-11-30
        day: ClubDay,
        /// What was rowed: 2000m, 6x350m/1:15, 30min
        piece: String,
        /// The time of a piece by distance, the distance of a piece by time: 7:42.3, 7100m
        result: String,
        /// What else can be said of it
        #[command(flatten)]
        more: More,
    },
    /// Puts a typed or imported result right; what is not said stays
    Correct {
        /// The result, by its beginning as `club results` shows it
        result: String,
        /// Why; it is shown with the result
        #[arg(long)]
        reason: String,
        /// The day
        #[arg(long)]
        day: Option<ClubDay>,
        /// What was rowed; say its result as well
        #[arg(long, requires = "to")]
        piece: Option<String>,
        /// The result itself
        #[arg(long, value_name = "RESULT")]
        to: Option<String>,
        /// What else can be said of it
        #[command(flatten)]
        more: More,
    },
    /// Removes a typed or imported result
    Remove {
        /// The result, by its beginning as `club results` shows it
        result: String,
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// Lists what was done, newest first, each with the number by which it is undone
    Deeds {
        /// So many, the newest
        #[arg(long, value_name = "NUMBER", default_value_t = 50)]
        most: u32,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Undoes what was done, once and within 30 days
    Undo {
        /// Its number, as `club deeds` shows it
        number: DeedNo,
    },
    /// Says what somebody has rowed best
    Best {
        /// The person, by their name
        person: String,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
}

/// What else can be said of a result.
#[derive(clap::Args, Clone, Debug)]
pub struct More {
    /// Mean rate, strokes a minute
    #[arg(long, value_name = "RATE")]
    pub rate: Option<f64>,
    /// The kind of machine, if it is not the club's usual one
    #[arg(long, value_name = "KIND")]
    pub machine: Option<String>,
    /// What the piece was called
    #[arg(long)]
    pub title: Option<String>,
    /// It is right, though slower than anybody is known to row
    #[arg(long)]
    pub sure: bool,
}

impl More {
    fn rate(&self) -> Result<Option<HalfSpm>, String> {
        let half = |rate: f64| thole_protocol::units::nearest(rate * 2.0);
        let read = |rate| u16::try_from(half(rate)).map(HalfSpm);
        self.rate.map(read).transpose().map_err(|_| "A stroke rate is such as 24.5.".to_owned())
    }
}

/// Does it; what there is to say of it.
///
/// # Errors
/// One sentence: why it cannot be done. Then nothing was changed.
pub(super) fn run(store: &mut Store, task: &DeedTask, now: u64) -> Result<String, String> {
    let doer = Doer::at_the_command_line(now);
    match task {
        DeedTask::Give { result, person, from, only_this } => {
            let (result, person) = (store.result(result)?, store.person(person)?);
            let from = from.as_deref().map(|from| store.person(from)).transpose()?;
            let from = from.map(|from| from.person);
            let done = store.give(&result, &person, from, reach(*only_this), &doer)?;
            Ok(format!("{}: {}.{}\n", counted(done, &result), person.called, undo(done.deed)))
        }
        DeedTask::TakeBack { result, only_this } => {
            let result = store.result(result)?;
            let done = store.take_back(&result, reach(*only_this), &doer)?;
            Ok(format!("{}: a guest\u{2019}s again.{}\n", counted(done, &result), undo(done.deed)))
        }
        DeedTask::Swap { result, other, only_these } => {
            let (one, other) = (store.result(result)?, store.result(other)?);
            let done = store.swap(&one, &other, reach(*only_these), &doer)?;
            let results = many(done.results, "result");
            Ok(format!("{results}: each the other\u{2019}s now.{}\n", undo(done.deed)))
        }
        DeedTask::Merge { person, into } => {
            let (gone, kept) = (store.person(person)?, store.person(into)?);
            let done = store.merge(&gone, &kept, &doer)?;
            let results = many(done.results, "result");
            Ok(format!("{} has all of it, {results}.{}\n", kept.called, undo(done.deed)))
        }
        DeedTask::Type { person, day, piece, result, more } => {
            let person = store.person(person)?;
            let repeats = read_piece(piece)?;
            let total = read_total(result, &repeats)?;
            let rowed = Rowed {
                day: day.clone(),
                repeats,
                total,
                rate_half_spm: more.rate()?,
                machine: more.machine.clone(),
                title: more.title.clone().unwrap_or_default(),
            };
            asked_about(&rowed, more.sure)?;
            let typed = store.type_result(&person, &rowed, None, &doer)?;
            Ok(format!("{} has it ({}).{}\n", person.called, typed.result, undo(typed.deed)))
        }
        DeedTask::Correct { result, reason, day, piece, to, more } => {
            let result = store.result(result)?;
            let mut rowed = store.said(&result)?;
            if let Some(piece) = piece {
                rowed.repeats = read_piece(piece)?;
            }
            if let Some(to) = to {
                rowed.total = read_total(to, &rowed.repeats)?;
            }
            rowed.day = day.clone().unwrap_or(rowed.day);
            rowed.rate_half_spm = more.rate()?.or(rowed.rate_half_spm);
            rowed.machine = more.machine.clone().or(rowed.machine);
            rowed.title = more.title.clone().unwrap_or(rowed.title);
            asked_about(&rowed, more.sure)?;
            let done = store.correct_said(&result, &rowed, reason, &doer)?;
            Ok(format!("It is put right.{}\n", undo(done.deed)))
        }
        DeedTask::Remove { result, reason } => {
            let result = store.result(result)?;
            let done = store.remove_said(&result, reason, &doer)?;
            Ok(format!("It is removed.{}\n", undo(done.deed)))
        }
        DeedTask::Deeds { most, json } => {
            let deeds = store.deeds(None, *most, now)?;
            if *json { lines(&deeds) } else { Ok(table::deeds(&deeds, &store.club().zone)) }
        }
        DeedTask::Undo { number } => {
            let Deed { kind, people, .. } = store.undo(*number, &doer)?;
            let people = people.join(", ");
            Ok(format!("Number {number} is undone ({kind}: {people}).\n"))
        }
        DeedTask::Best { person, json } => {
            let person = store.person(person)?;
            let bests = store.bests(&person)?;
            if *json {
                return lines(&bests);
            }
            let told: Vec<String> = bests.iter().map(Best::line).collect();
            match told.as_slice() {
                [] => Ok(format!("{} has rowed nothing to its end yet.\n", person.called)),
                [..] => Ok(told.join("\n") + "\n"),
            }
        }
    }
}

/// What is slower than anybody is known to row is kept when somebody says that they are sure.
fn asked_about(rowed: &Rowed, is_sure: bool) -> Result<(), String> {
    match rowed.unlikely()? {
        Some(found) if found.beyond == Beyond::Slowest && !is_sure => {
            Err(format!("{} If it is right as it stands, add --sure.", found.asked()))
        }
        Some(_) | None => Ok(()),
    }
}

fn reach(only_this: bool) -> Reach {
    if only_this { Reach::Piece } else { Reach::Seat }
}

fn undo(deed: DeedNo) -> String {
    format!(" `club undo {deed}` undoes it.")
}

fn counted(done: Done, of: &Listed) -> String {
    let name = of.called.as_deref().unwrap_or("somebody whose name is not known");
    let day = &of.day;
    match done.results {
        1 => format!("The result that {name} rowed on {day}"),
        many => format!("The {many} results that {name} rowed in the session of {day}"),
    }
}
