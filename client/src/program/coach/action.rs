//! What a coach can say, on the command line and while leading: the same words.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use thole::{
    coach::Coach,
    mirror::Mirror,
    roster::{self, By, Roster},
    wording::{self, sheet},
};
use thole_protocol::{
    ids::{AthleteId, CallId, PieceNo},
    order::Order,
    spec::{Aim, Audience, CallSpec, CallText, Plan, RosterEntry, SessionSettings, Span},
    standing::{Phase, PieceView},
    units::Bpm,
};
use uuid::Uuid;

use crate::program::{Failed, usage};

use super::{
    Answer, Given, PieceArgs, Place, answer,
    asking::{WhoJoins, asking},
    create::RankBy,
    grace, numbers,
    ordered::{Ordered, done},
    results::ResultsArgs,
    ruling::Rule,
    telling,
};

/// What a coach can say.
#[derive(Subcommand, Clone, Debug)]
pub(crate) enum Action {
    /// Shows the session: pieces, phase, who is ready, standings, notices
    Status,
    /// Shows the results so far, or saves them as a table for spreadsheets (--csv FILE)
    Results(ResultsArgs),
    /// Adds athletes and prints their personal links
    Add(AddArgs),
    /// Makes a new personal link for an athlete; the old one opens nothing any more
    NewLink {
        /// The athlete's name
        name: String,
    },
    /// Makes a new link for boards; the old one opens nothing any more
    NewBoardLink,
    /// Makes a new link for your own devices; the old one opens nothing any more, and the others are sent away
    NewCoachLink,
    /// Lets in somebody who asks; if several ask under one name, use the request number that status shows
    LetIn {
        /// The name, or the request
        who: String,
    },
    /// Lets in everybody who asks for a name of the list that nobody else asks for; others are let in one by one
    LetInAll,
    /// Does not let in somebody who asks
    TurnAway {
        /// The name, or the request
        who: String,
    },
    /// Sets who may join with the code without being let in
    Joining {
        /// guests or asked
        #[arg(value_enum)]
        who: WhoJoins,
    },
    /// Changes what is known of an athlete
    Change(ChangeArgs),
    /// Takes an athlete off the roster who has rowed no piece; their link opens nothing any more
    Remove {
        /// The athlete's name
        name: String,
    },
    /// Replaces the prepared calls; `call 1` sends the first of them
    Prepare {
        /// Words to show and, after " / ", the sentence to speak
        calls: Vec<String>,
    },
    /// Replaces the pieces that have not begun
    Pieces {
        /// Pieces (1700m, 12min, 6x350m/1:15, 3x4x500m/1:00/4:00)
        #[arg(required = true)]
        pieces: Vec<String>,
        #[command(flatten)]
        settings: PieceArgs,
    },
    /// Sets an athlete's target and plan
    Aim {
        /// The athlete's name
        name: String,
        /// A finish (6:31.5), a pace (1:52.4/500m), a distance (4120m), or none
        target: String,
        /// even, fast_start, negative_split, or legs (500m@1:55+1200m@2:01)
        #[arg(long, default_value = "even")]
        plan: String,
        /// Which piece, counted from 1; the current one if left out
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Changes what standings go by
    Ranking {
        /// share or amount
        #[arg(value_enum)]
        by: RankBy,
        /// How many of each team count; 0 = as many as the smallest team has
        #[arg(long, value_name = "N")]
        team_best: Option<u16>,
    },
    /// Everybody sits ready
    Arm,
    /// Goes back from ready to gathering
    Disarm,
    /// Begins the countdown
    Start,
    /// Calls everybody back
    FalseStart,
    /// Sends a focus call
    Call(CallArgs),
    /// Takes a call back; while leading, the last one if no number is given
    TakeBack {
        /// The call's number, as `call` printed it, or the beginning of it
        call: Option<String>,
    },
    /// Starts the next repeat in five seconds; whoever is still in the repeat before rows it to its end and goes straight on
    NextRepeat,
    /// Stops the piece for everybody; what was rowed is kept
    Stop,
    /// Stops waiting for late finishers
    Close,
    /// Goes to the next piece
    NextPiece,
    #[command(flatten)]
    Rule(Rule),
    /// Ends the session
    CloseSession,
}

/// Athletes to add.
#[derive(Args, Clone, Debug)]
pub(crate) struct AddArgs {
    /// One athlete's name
    #[arg(required_unless_present = "roster")]
    name: Option<String>,
    /// Their team
    #[arg(long)]
    team: Option<String>,
    /// Their target
    #[arg(long)]
    target: Option<String>,
    /// Their plan
    #[arg(long)]
    plan: Option<String>,
    /// Heart rate at which you want to be told
    #[arg(long, value_name = "BPM")]
    heart_limit: Option<String>,
    /// What they rowed of this piece before, and how many days ago (7:06@9d+7:11@40d)
    #[arg(long, value_name = "RESULTS")]
    past: Option<String>,
    /// A table of athletes instead: name,team,target,plan,heart_limit,past
    #[arg(long, value_name = "FILE.csv", conflicts_with = "name")]
    roster: Option<PathBuf>,
}

/// What is to be known of an athlete from now on; anything not given stays as it is.
#[derive(Args, Clone, Debug)]
pub(crate) struct ChangeArgs {
    /// The athlete's current name
    name: String,
    /// The new name
    #[arg(long)]
    rename: Option<String>,
    /// The new team, or none
    #[arg(long)]
    team: Option<String>,
    /// Heart rate at which you want to be told, or none
    #[arg(long, value_name = "BPM")]
    heart_limit: Option<String>,
}

/// A focus call.
#[derive(Args, Clone, Debug)]
pub(crate) struct CallArgs {
    /// Words to show, at most 3 words and 18 characters ("Sit tall for 10 strokes" says how long), or
    /// the number of a prepared call
    #[arg(required = true)]
    words: Vec<String>,
    /// One longer sentence to be spoken
    #[arg(long)]
    spoken: Option<String>,
    /// all, team:NAME, behind, or names separated by commas
    #[arg(long, default_value = "all")]
    to: String,
    /// Stands for this many of each athlete's own strokes
    #[arg(long, group = "span")]
    strokes: Option<u16>,
    /// Stands for this long (30s)
    #[arg(long = "for", value_name = "TIME", group = "span")]
    time: Option<String>,
    /// Stands until the next call
    #[arg(long, group = "span")]
    until_next: bool,
    /// How long it can be taken back before it goes out (0 = at once)
    #[arg(long, value_name = "TIME")]
    grace: Option<String>,
}

/// Gives one order and waits for its answer.
pub(crate) async fn one(
    place: &Place<'_>,
    coach: &mut Coach,
    action: Action,
) -> Result<(), Failed> {
    if let Action::Status = action {
        telling::settle(coach).await;
        telling::status(place, coach);
        return Ok(());
    }
    if let Action::Results(results) = action {
        let Some(wanted) = results.tell(place, coach).map_err(usage)? else { return Ok(()) };
        if let Some(Given::Table(table)) = answer(coach, wanted.command, Answer::Given).await? {
            wanted.keep(place, &table)?;
        }
        return Ok(());
    }
    if !coach.in_command() {
        return Err("Another device of yours is in command; add --take-command.".into());
    }
    let ordered = give(coach, action, None).map_err(usage)?;
    let wanted = if ordered.makes_secrets { Answer::Given } else { Answer::Done };
    match answer(coach, ordered.command, wanted).await? {
        Some(Given::Athletes(links)) => telling::links(place, &links),
        Some(Given::Board(link)) => telling::board_link(place, &link),
        Some(Given::Coach(link)) => telling::coach_link(place, &link),
        // Nothing that is asked for here is answered by a table.
        Some(Given::Table(_)) | None => {}
    }
    done(place, coach, &ordered);
    Ok(())
}

/// Gives the order that an action is.
///
/// # Errors
/// A sentence that says what to type.
pub(crate) fn give(
    coach: &mut Coach,
    action: Action,
    last_call: Option<CallId>,
) -> Result<Ordered, String> {
    let mirror = coach.mirror().ok_or("There is no connection yet; try again in a moment.")?;
    let (name, order) = match action {
        Action::Status => return Err("status is not an order.".into()),
        Action::Results(_) => return Err("results is not an order.".into()),
        Action::Add(add) => return add.give(coach),
        Action::NewLink { name } => {
            let athlete = named(mirror, &name)?;
            let command = coach.new_link(athlete);
            return Ok(Ordered { command, name: "new-link", call: None, makes_secrets: true });
        }
        Action::NewBoardLink => {
            let command = coach.new_board_link();
            return Ok(Ordered {
                command,
                name: "new-board-link",
                call: None,
                makes_secrets: true,
            });
        }
        Action::NewCoachLink => {
            let command = coach.new_coach_link();
            return Ok(Ordered {
                command,
                name: "new-coach-link",
                call: None,
                makes_secrets: true,
            });
        }
        Action::LetIn { who } => {
            let command = coach.let_in(asking(coach, &who)?);
            return Ok(Ordered { command, name: "let-in", call: None, makes_secrets: false });
        }
        Action::LetInAll => {
            let command = coach.let_in_all();
            return Ok(Ordered { command, name: "let-in-all", call: None, makes_secrets: false });
        }
        Action::TurnAway { who } => {
            let command = coach.turn_away(asking(coach, &who)?);
            return Ok(Ordered { command, name: "turn-away", call: None, makes_secrets: false });
        }
        Action::Joining { who } => {
            let settings = SessionSettings { joining: who.joining(), ..mirror.now().settings };
            ("joining", Order::Settings { settings })
        }
        Action::Change(change) => ("change", change.order(mirror)?),
        Action::Remove { name } => {
            ("remove", Order::RemoveAthlete { athlete: named(mirror, &name)? })
        }
        Action::Prepare { calls } => {
            let texts = calls.iter().map(|words| sheet::call(words).map(|(text, _)| text));
            ("prepare", Order::PrepareCalls { calls: texts.collect::<Result<_, _>>()? })
        }
        Action::Pieces { pieces, settings } => {
            let pieces = pieces.iter().map(|words| settings.piece(words));
            ("pieces", Order::SetPieces { pieces: pieces.collect::<Result<_, _>>()? })
        }
        Action::Aim { name, target, plan, piece } => {
            ("aim", aim(mirror, &name, &target, &plan, piece)?)
        }
        Action::Ranking { by, team_best } => {
            let mut settings = mirror.now().settings;
            settings.ranking = by.ranking();
            settings.team_best = team_best.unwrap_or(settings.team_best);
            ("ranking", Order::Settings { settings })
        }
        Action::Arm => ("arm", Order::Arm),
        Action::Disarm => ("disarm", Order::Disarm),
        Action::Start => ("start", Order::Start),
        Action::FalseStart => ("false-start", Order::FalseStart),
        Action::Call(call) => {
            let call = call.spec(mirror)?;
            let id = call.call;
            let command = coach.order(Order::Call { call });
            return Ok(Ordered { command, name: "call", call: Some(id), makes_secrets: false });
        }
        Action::TakeBack { call } => {
            let typed = call.map(|typed| numbers::call(mirror, &typed)).transpose()?;
            let call = typed
                .or(last_call)
                .ok_or("Say which call: its number is printed when it is sent.")?;
            ("take-back", Order::TakeBack { call })
        }
        Action::NextRepeat => ("next-repeat", Order::NextRepeat),
        Action::Stop => ("stop", Order::Stop),
        Action::Close => ("close", Order::Close),
        Action::NextPiece => ("next-piece", Order::NextPiece),
        Action::Rule(rule) => {
            let (name, order) = rule.order(mirror)?;
            let command = coach.order(order);
            return Ok(Ordered { command, name, call: None, makes_secrets: false });
        }
        Action::CloseSession => ("close-session", Order::CloseSession),
    };
    Ok(Ordered { command: coach.order(order), name, call: None, makes_secrets: false })
}

/// The athletes of a table; columns that nothing is read from are named, since one may be a typing slip.
pub(super) fn read_table(file: &Path, pieces: &[By]) -> Result<Vec<RosterEntry>, String> {
    let Roster { entries, unread, columns, odd_names } = roster::load(file, pieces)?;
    eprintln!("Read of each athlete: {} ({} in all).", columns.join(", "), entries.len());
    for (line, name) in odd_names {
        eprintln!(
            "Line {line}: \"{name}\" does not look like a name. If it is none, remove \"{name}\"."
        );
    }
    if !unread.is_empty() {
        eprintln!(
            "Nothing is read from {}; the columns are {}.",
            unread.join(", "),
            roster::COLUMNS.join(", ")
        );
    }
    Ok(entries)
}

impl AddArgs {
    fn give(&self, coach: &mut Coach) -> Result<Ordered, String> {
        // A target is for the piece that comes next, and those after it.
        let pieces: Vec<By> = coach.mirror().map_or(Vec::new(), |mirror| {
            let now = mirror.now();
            let next = now.pieces.iter().skip(usize::from(now.current.0));
            let by = |view: &PieceView| match view.phase {
                Phase::Finished { .. } | Phase::Stopped { .. } => By::Over,
                Phase::Gathering
                | Phase::Armed
                | Phase::Counting { .. }
                | Phase::Rowing { .. }
                | Phase::Resting { .. }
                | Phase::Closing { .. } => By::of(&view.spec),
            };
            next.map(by).collect()
        });
        let entries = match &self.roster {
            Some(file) => read_table(file, &pieces)?,
            None => {
                let words = roster::Words {
                    name: self.name.as_deref(),
                    team: self.team.as_deref(),
                    target: self.target.as_deref(),
                    plan: self.plan.as_deref(),
                    heart_limit: self.heart_limit.as_deref(),
                    past: self.past.as_deref(),
                };
                vec![roster::entry(words, &pieces)?]
            }
        };
        let command = coach.add(entries);
        Ok(Ordered { command, name: "add", call: None, makes_secrets: true })
    }
}

impl ChangeArgs {
    fn order(&self, mirror: &Mirror) -> Result<Order, String> {
        let athlete = named(mirror, &self.name)?;
        let known = mirror.athlete(athlete).map(|view| view.spec.clone());
        let mut spec = known.ok_or("There is no such athlete any more.")?;
        if let Some(name) = &self.rename {
            name.trim().clone_into(&mut spec.name);
        }
        if let Some(team) = &self.team {
            spec.team = (team != "none").then(|| team.trim().to_owned());
        }
        if let Some(limit) = &self.heart_limit {
            spec.heart_limit_bpm = match limit.as_str() {
                "none" => None,
                limit => Some(limit.parse().map(Bpm).map_err(|_| {
                    "The heart limit is beats a minute, such as 178, or none.".to_owned()
                })?),
            };
        }
        Ok(Order::ChangeAthlete { athlete, spec })
    }
}

impl CallArgs {
    /// The words as typed, or those of the prepared call with this number.
    fn words(&self, mirror: &Mirror) -> Result<(CallText, Span), String> {
        let typed = self.words.join(" ");
        let Ok(number) = typed.trim().parse::<usize>() else { return sheet::call(&typed) };
        let prepared = &mirror.now().prepared;
        let text = number.checked_sub(1).and_then(|at| prepared.get(at));
        let text = text.ok_or_else(|| match prepared.len() {
            0 => "No calls are prepared; use prepare first, or type the words.".to_owned(),
            most => format!("There is no prepared call {number}; they go from 1 to {most}."),
        })?;
        Ok((text.clone(), Span::Next))
    }

    fn spec(&self, mirror: &Mirror) -> Result<CallSpec, String> {
        let (mut text, mut span) = self.words(mirror)?;
        if let Some(spoken) = &self.spoken {
            text.spoken.clone_from(spoken);
        }
        if let Some(strokes) = self.strokes {
            span = Span::Strokes { strokes };
        } else if let Some(time) = &self.time {
            span = Span::Time { time_ms: wording::duration(time)? };
        } else if self.until_next {
            span = Span::Next;
        }
        let audience = match self.to.trim() {
            "all" => Audience::All,
            "behind" => Audience::Behind,
            to => match to.strip_prefix("team:") {
                Some(team) => Audience::Team { team: team.trim().to_owned() },
                None => {
                    let athletes = to.split(',').map(|name| named(mirror, name));
                    Audience::Picked { athletes: athletes.collect::<Result<_, _>>()? }
                }
            },
        };
        let grace_ms = grace(self.grace.as_deref())?;
        Ok(CallSpec { call: CallId(Uuid::new_v4()), text, audience, span, grace_ms })
    }
}

fn aim(
    mirror: &Mirror,
    name: &str,
    target: &str,
    plan: &str,
    piece: Option<u16>,
) -> Result<Order, String> {
    let athlete = named(mirror, name)?;
    let piece = match piece {
        Some(0) => return Err("Pieces are counted from 1.".into()),
        Some(nth) => PieceNo(nth - 1),
        None => mirror.now().current,
    };
    let target = if target == "none" { None } else { Some(wording::target(target)?) };
    let plan = if target.is_none() { Plan::Even } else { wording::plan(plan)? };
    // What is known of the past stays.
    let history = match mirror.now().current == piece {
        true => mirror.athlete(athlete).map(|view| view.aim.history.clone()).unwrap_or_default(),
        false => Vec::new(),
    };
    Ok(Order::Aim { athlete, piece, aim: Aim { target, plan, history } })
}

/// Who is called so.
///
/// # Errors
/// Nobody is; says who there is.
pub(super) fn named(mirror: &Mirror, name: &str) -> Result<AthleteId, String> {
    mirror.named(name).map(|view| view.athlete).ok_or_else(|| {
        format!("Nobody is called \"{}\" here; status lists the names.", name.trim())
    })
}
