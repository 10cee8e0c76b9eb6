//! `thole coach`: makes a session, gives one order, or leads from standard input.

use std::{path::PathBuf, time::Duration};

use clap::{Args, Subcommand};
use thole::{
    coach::{Coach, CoachNews},
    wording,
};
use thole_protocol::{
    client_msg::Role,
    ids::CommandId,
    server_msg::{BoardLink, CoachLink, Links},
    spec::{PieceSpec, RepeatStart, StartClock},
    units::Millis,
};

use self::action::Action;
use super::{Common, Failed, any_seed, usage};

mod action;
mod asking;
mod create;
mod lead;
mod numbers;
mod ordered;
mod results;
mod ruling;
mod telling;
mod typed;

/// How long an order on the command line waits for its answer, in real time; then it says so and ends.
const ANSWER_LIMIT: Duration = Duration::from_secs(15);

#[derive(Args)]
#[command(args_conflicts_with_subcommands = false)]
pub(crate) struct CoachArgs {
    /// The coach's link, as `create` printed it
    #[arg(long, global = true)]
    link: Option<String>,
    /// Takes command from another of the coach's devices
    #[arg(long, global = true)]
    take_command: bool,
    #[command(subcommand)]
    task: CoachTask,
}

#[derive(Subcommand)]
enum CoachTask {
    /// Makes a session and prints its code and links
    Create(Box<create::CreateArgs>),
    /// Shows standings and notices as they change, until the session closes. It counts as one of the coach's three
    /// devices; the first to connect is in command, and others need --take-command
    Watch,
    /// Reads orders line by line from standard input, and shows standings and notices
    Lead,
    #[command(flatten)]
    One(Box<Action>),
}

/// Settings of pieces typed on the command line.
#[derive(Args, Clone, Debug)]
pub(crate) struct PieceArgs {
    /// Length of the countdown, 5 to 60 seconds (0:10)
    #[arg(long, value_name = "TIME")]
    count: Option<String>,
    /// The clock runs from each athlete's own first stroke
    #[arg(long)]
    own_start: bool,
    /// In intervals, each athlete goes on when their own rest is over
    #[arg(long)]
    own_rest: bool,
    /// Entry of the call sheet ("850m: Sit tall for 10 strokes", "each last 50m: Legs first"); may be given
    /// several times
    #[arg(long = "sheet", value_name = "POINT: CALL")]
    sheet: Vec<String>,
    /// File with one entry of the call sheet per line
    #[arg(long, value_name = "FILE")]
    sheet_file: Option<PathBuf>,
}

impl PieceArgs {
    fn piece(&self, words: &str) -> Result<PieceSpec, String> {
        let mut piece = PieceSpec::of(wording::repeats(words)?);
        if let Some(count) = &self.count {
            piece.count_ms = wording::duration(count)?;
            if !(PieceSpec::COUNT_MIN..=PieceSpec::COUNT_MAX).contains(&piece.count_ms) {
                return Err(format!(
                    "A countdown of {count} is too short or too long: 5 to 60 seconds, such as 0:10."
                ));
            }
        }
        if self.own_start {
            piece.clock = StartClock::OwnFirstStroke;
        }
        if self.own_rest {
            piece.repeat_start = RepeatStart::OwnRest;
        }
        let mut entries = self.sheet.clone();
        if let Some(file) = &self.sheet_file {
            let text = std::fs::read_to_string(file)
                .map_err(|e| format!("The call sheet {} cannot be read: {e}.", file.display()))?;
            entries.extend(text.lines().filter(|l| !l.trim().is_empty()).map(str::to_owned));
        }
        for entry in &entries {
            piece.call_sheet.extend(wording::sheet_calls(entry, &piece.repeats)?);
        }
        Ok(piece)
    }
}

pub(crate) async fn run(common: &Common, args: CoachArgs) -> Result<(), Failed> {
    let task = match args.task {
        CoachTask::Create(create) => return create::run(common, &create).await,
        task @ (CoachTask::Watch | CoachTask::Lead | CoachTask::One(_)) => task,
    };
    let typed =
        args.link.ok_or_else(|| usage("Name the session with --link and the coach's link."))?;
    let link = common.link(&typed, Role::Coach)?;
    let dial = common.dial(link.address.clone())?;
    let mut coach = Coach::open(dial, link.secret.clone(), link.code.clone(), any_seed()?);
    let place = Place { common, link };
    welcomed(&mut coach).await?;
    if args.take_command && !coach.in_command() {
        let command = coach.take_command();
        answer(&mut coach, command, Answer::Done).await?;
    }
    match task {
        CoachTask::Create(_) => Ok(()),
        CoachTask::Watch => Ok(lead::watch(&place, &mut coach).await?),
        CoachTask::Lead => Ok(lead::lead(&place, &mut coach).await?),
        CoachTask::One(action) => action::one(&place, &mut coach, *action).await,
    }
}

/// Where orders come from and where their answers go.
pub(crate) struct Place<'a> {
    common: &'a Common,
    link: thole::address::PlaceLink,
}

/// What ends the wait for an answer.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Answer {
    Done,
    Given,
}

/// What answers an order, apart from the word that it is done; secrets are shown only this once.
pub(crate) enum Given {
    Athletes(Links),
    Board(BoardLink),
    Coach(CoachLink),
    Table(String),
}

/// Waits for the first welcome; if the server is not there, says so at once.
async fn welcomed(coach: &mut Coach) -> Result<(), String> {
    match coach.next().await {
        Some(CoachNews::Lost { says, .. }) => Err(says),
        Some(CoachNews::Ended(ended)) => Err(ended.says),
        Some(_) => Ok(()),
        None => Err("The connection ended at once; try again.".into()),
    }
}

/// Waits for the answer to an order; anything else told in the meantime is ignored.
async fn answer(
    coach: &mut Coach,
    command: CommandId,
    wanted: Answer,
) -> Result<Option<Given>, String> {
    let answered = async {
        while let Some(told) = coach.next().await {
            match told {
                CoachNews::Done(done) if done == command && wanted == Answer::Done => {
                    return Ok(None);
                }
                CoachNews::Links(links) if links.command == command => {
                    return Ok(Some(Given::Athletes(links)));
                }
                CoachNews::BoardLink(link) if link.command == command => {
                    return Ok(Some(Given::Board(link)));
                }
                CoachNews::CoachLink(link) if link.command == command => {
                    return Ok(Some(Given::Coach(link)));
                }
                CoachNews::ResultsTable(of, table) if of == command => {
                    return Ok(Some(Given::Table(table)));
                }
                CoachNews::InCommand(true) if wanted == Answer::Done && coach.in_command() => {}
                CoachNews::Refused(Some(refused), refusal) if refused == command => {
                    return Err(refusal.says);
                }
                CoachNews::Refused(None, refusal) => return Err(refusal.says),
                CoachNews::Ended(ended) => return Err(ended.says),
                CoachNews::Welcome
                | CoachNews::Event(_)
                | CoachNews::Overview(_)
                | CoachNews::Done(_)
                | CoachNews::Refused(Some(_), _)
                | CoachNews::Links(_)
                | CoachNews::BoardLink(_)
                | CoachNews::CoachLink(_)
                | CoachNews::ResultsTable(..)
                | CoachNews::Requests
                | CoachNews::InCommand(_)
                | CoachNews::Lost { .. } => {}
            }
        }
        Err("The connection ended before the answer came; check with status what was done.".into())
    };
    let late = "No answer came in time; check with status what was done.";
    tokio::time::timeout(ANSWER_LIMIT, answered).await.unwrap_or_else(|_| Err(late.into()))
}

/// A call's grace period in words.
fn grace(typed: Option<&str>) -> Result<Option<Millis>, String> {
    typed
        .map(|typed| if typed == "0" { Ok(Millis(0)) } else { wording::duration(typed) })
        .transpose()
}
