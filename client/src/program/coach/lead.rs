//! `thole coach lead` and `watch`: a whole session over one connection.

use std::{collections::BTreeMap, time::Duration};

use clap::Parser;
use serde_json::json;
use thole::{
    coach::{Coach, CoachNews},
    results::ResultsTold,
    table::{notice_text, standings_text},
};
use thole_protocol::{
    close::Close,
    event::Happening,
    ids::{CallId, CommandId},
    standing::{Notice, Overview},
    units::{At, Millis},
};
use tokio::sync::mpsc;

use super::{
    Place,
    action::{self, Action},
    ordered::{self, Ordered},
    results::{ResultsArgs, WantedTable},
    telling,
};
use crate::program::lines_of_stdin;

/// Standings are printed to people no more often than this; scripts get every one.
const STANDINGS_EVERY: Millis = Millis(10_000);
/// After the last line of standard input, answers are awaited for this long.
const LAST_ANSWERS: Duration = Duration::from_secs(10);

const HELP: &str = "\
  arm, start, false-start, stop, close, next-repeat, next-piece, disarm, close-session
  call Sit tall for 10 strokes [--to all|behind|team:NAME|NAME,NAME] [--spoken \"...\"]
  take-back            the last call
  pieces 6x350m/1:15   aim NAME 1:58.4/500m   add NAME --team T   ranking share|amount
  let-in NAME, turn-away NAME, joining guests|asked|trusted, change NAME …, remove NAME
  results [--piece N] [--csv FILE]
  official, reopen WHY, correct NAME 7:41.2 WHY, correct-target NAME 1:58.4/500m WHY,
  exclude NAME WHY, unrank NAME WHY [--piece N], undo NUMBER
  status, take-command, quit; add --help to any of them for more";

/// One typed line.
#[derive(Parser)]
#[command(
    name = "",
    no_binary_name = true,
    disable_version_flag = true,
    disable_help_subcommand = true
)]
struct Typed {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand)]
enum What {
    /// Lists the orders
    Help,
    /// Leaves; the session goes on
    Quit,
    /// Makes this device the one in command
    TakeCommand,
    #[command(flatten)]
    One(Action),
}

/// Shows the session until it closes.
pub(crate) async fn watch(place: &Place<'_>, coach: &mut Coach) -> Result<(), String> {
    let mut lead = Lead::new(place);
    telling::status(place, coach);
    while let Some(told) = coach.next().await {
        if lead.told(coach, &told)? {
            return Ok(());
        }
    }
    Ok(())
}

/// Takes orders from standard input until it ends or the session closes.
pub(crate) async fn lead(place: &Place<'_>, coach: &mut Coach) -> Result<(), String> {
    let mut lead = Lead::new(place);
    telling::status(place, coach);
    place.common.tell(json!({"event": "leading", "in_command": coach.in_command()}), || {
        Some(if coach.in_command() {
            "You lead. Type help for the orders.".into()
        } else {
            "Another device of yours is in command; type take-command to lead from here.".into()
        })
    });
    let mut lines: mpsc::Receiver<Result<String, String>> = lines_of_stdin();
    loop {
        tokio::select! {
            told = coach.next() => {
                let Some(told) = told else { return Ok(()) };
                if lead.told(coach, &told)? {
                    return Ok(());
                }
            }
            line = lines.recv() => match line {
                Some(line) => {
                    if lead.typed(coach, &line?) {
                        return lead.last_answers(coach).await;
                    }
                }
                None => return lead.last_answers(coach).await,
            },
        }
    }
}

struct Lead<'a> {
    place: &'a Place<'a>,
    waiting: BTreeMap<CommandId, Ordered>,
    last_call: Option<CallId>,
    standings_at: Option<At>,
    notices: Vec<Notice>,
    results: ResultsTold,
    tables: Vec<WantedTable>,
}

impl<'a> Lead<'a> {
    fn new(place: &'a Place<'a>) -> Lead<'a> {
        Lead {
            place,
            waiting: BTreeMap::new(),
            last_call: None,
            standings_at: None,
            notices: Vec::new(),
            results: ResultsTold::default(),
            tables: Vec::new(),
        }
    }

    /// Does what a line says; true when it says to leave.
    fn typed(&mut self, coach: &mut Coach, line: &str) -> bool {
        let words = match words(line) {
            Ok(words) if words.is_empty() => return false,
            Ok(words) => words,
            Err(says) => {
                self.complain(line, &says);
                return false;
            }
        };
        let what = match Typed::try_parse_from(words) {
            Ok(typed) => typed.what,
            Err(error) => {
                self.complain(line, &misread(line, &error));
                return false;
            }
        };
        match what {
            What::Quit => return true,
            What::Help => {
                self.place.common.tell(json!({"event": "help", "says": HELP}), || Some(HELP.into()))
            }
            What::TakeCommand => {
                let command = coach.take_command();
                let name = "take-command";
                self.wait_for(Ordered { command, name, call: None, makes_secrets: false });
            }
            What::One(Action::Status) => telling::status(self.place, coach),
            What::One(Action::Results(results)) => self.results(coach, line, &results),
            What::One(action) => match action::give(coach, action, self.last_call) {
                Ok(ordered) => {
                    self.last_call = ordered.call.or(self.last_call);
                    self.wait_for(ordered);
                }
                Err(says) => self.complain(line, &says),
            },
        }
        false
    }

    fn results(&mut self, coach: &mut Coach, line: &str, results: &ResultsArgs) {
        match results.tell(self.place, coach) {
            Ok(None) => {}
            Ok(Some(wanted)) => {
                let command = wanted.command;
                self.tables.push(wanted);
                self.wait_for(Ordered {
                    command,
                    name: "results",
                    call: None,
                    makes_secrets: false,
                });
            }
            Err(says) => self.complain(line, &says),
        }
    }

    fn wait_for(&mut self, ordered: Ordered) {
        self.waiting.insert(ordered.command, ordered);
    }

    fn complain(&self, line: &str, says: &str) {
        self.place.common.tell(json!({"event": "refused", "line": line, "says": says}), || {
            Some(says.to_owned())
        });
    }

    /// Reports one thing; true when the session is over.
    fn told(&mut self, coach: &Coach, told: &CoachNews) -> Result<bool, String> {
        match told {
            CoachNews::Welcome => {
                self.place
                    .common
                    .tell(json!({"event": "back"}), || Some("Connected again.".into()));
            }
            CoachNews::Event(event) => {
                telling::event(self.place, coach.mirror(), &mut self.results, event);
                return Ok(event.what == Happening::SessionClosed);
            }
            CoachNews::Overview(overview) => self.overview(coach, overview),
            CoachNews::Done(command) => {
                if let Some(ordered) = self.waiting.remove(command) {
                    ordered::done(self.place, coach, &ordered);
                }
            }
            CoachNews::Refused(command, refusal) => {
                let ordered = command.and_then(|command| self.waiting.remove(&command));
                let line = json!({
                    "event": "refused", "order": ordered.map(|ordered| ordered.name),
                    "why": refusal.why, "says": refusal.says,
                });
                self.place.common.tell(line, || Some(refusal.says.clone()));
            }
            CoachNews::Links(links) => telling::links(self.place, links),
            CoachNews::BoardLink(link) => telling::board_link(self.place, link),
            CoachNews::CoachLink(link) => telling::coach_link(self.place, link),
            CoachNews::ResultsTable(command, table) => {
                let mut wanted = self.tables.extract_if(.., |wanted| wanted.command == *command);
                let kept = wanted.next().map_or(Ok(()), |wanted| wanted.keep(self.place, table));
                drop(wanted);
                if let Err(says) = kept {
                    self.complain("results", &says);
                }
            }
            CoachNews::Requests => telling::requests(self.place, coach),
            CoachNews::InCommand(yes) => {
                self.place.common.tell(json!({"event": "in_command", "yes": yes}), || {
                    Some(if *yes {
                        "This device is in command.".into()
                    } else {
                        "Another device of yours has taken command.".into()
                    })
                });
            }
            CoachNews::Lost { says, .. } => {
                self.place.common.tell(json!({"event": "lost", "says": says}), || {
                    Some(format!("{says} Reconnecting; what you type is carried out then."))
                });
            }
            CoachNews::Ended(ended) if ended.code == Some(Close::SessionClosed.code()) => {
                return Ok(true);
            }
            CoachNews::Ended(ended) => return Err(ended.says.clone()),
        }
        Ok(false)
    }

    fn overview(&mut self, coach: &Coach, overview: &Overview) {
        if self.place.common.json() {
            self.place.common.tell(json!({"event": "overview", "overview": overview}), || None);
            return;
        }
        let Some(mirror) = coach.mirror() else { return };
        let names = mirror.names();
        let known = |notice: &Notice, list: &[Notice]| list.iter().any(|n| same(n, notice));
        for notice in overview.notices.iter().filter(|n| !known(n, &self.notices)) {
            self.words(&format!("  ! {}", notice_text(notice, &names)));
        }
        self.notices.clone_from(&overview.notices);
        let at = overview.standings.at_ms;
        let due = self.standings_at.is_none_or(|told| at.since(told) >= STANDINGS_EVERY);
        let underway = overview.standings.lines.iter().any(|line| line.place.is_some());
        if due && underway {
            self.standings_at = Some(at);
            let ranking = mirror.now().settings.ranking;
            self.words(standings_text(&overview.standings, &names, ranking).trim_end());
        }
    }

    fn words(&self, words: &str) {
        self.place.common.tell(json!(null), || Some(words.to_owned()));
    }

    /// Waits for the answers to what was typed last.
    async fn last_answers(&mut self, coach: &mut Coach) -> Result<(), String> {
        let answers = async {
            while !self.waiting.is_empty() {
                let Some(told) = coach.next().await else { return Ok(()) };
                if self.told(coach, &told)? {
                    return Ok(());
                }
            }
            Ok(())
        };
        let late = "Some orders had no answer yet; check with status what was done.";
        tokio::time::timeout(LAST_ANSWERS, answers).await.unwrap_or_else(|_| Err(late.into()))
    }
}

/// What to say to a line that is not an order: what is wrong with it, or the help that it asks for.
fn misread(line: &str, error: &clap::Error) -> String {
    use clap::error::ErrorKind;
    let says = error.to_string();
    if matches!(error.kind(), ErrorKind::DisplayHelp) {
        return says.trim_end().to_owned();
    }
    if matches!(error.kind(), ErrorKind::InvalidSubcommand | ErrorKind::MissingSubcommand) {
        return format!("\"{}\" is not an order; type help for the orders.", line.trim());
    }
    let first = says.lines().next().unwrap_or_default();
    let order = line.split_whitespace().next().unwrap_or_default();
    format!("{}; type {order} --help.", first.trim_start_matches("error: "))
}

/// Whether two notices are about the same thing for the same athlete, whatever the numbers are now.
fn same(a: &Notice, b: &Notice) -> bool {
    a.athlete == b.athlete
        && a.since_ms == b.since_ms
        && std::mem::discriminant(&a.about) == std::mem::discriminant(&b.about)
}

/// The words of a typed line; quotation marks keep words together.
fn words(line: &str) -> Result<Vec<String>, String> {
    let mut words = Vec::new();
    let mut word: Option<String> = None;
    let mut quote = None;
    for c in line.trim().chars() {
        match (c, quote) {
            (c, Some(q)) if c == q => quote = None,
            (c, Some(_)) => word.get_or_insert_default().push(c),
            ('"' | '\'', None) => {
                quote = Some(c);
                word.get_or_insert_default();
            }
            (c, None) if c.is_whitespace() => words.extend(word.take()),
            (c, None) => word.get_or_insert_default().push(c),
        }
    }
    if quote.is_some() {
        return Err("A quotation mark is not closed.".into());
    }
    words.extend(word);
    Ok(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotation_marks_hold_words_together() {
        let read = |line| words(line).unwrap().join("|");
        assert_eq!(read("call \"Sit tall\" --to 'Ida Fenn'"), "call|Sit tall|--to|Ida Fenn");
        assert_eq!(read("  arm "), "arm");
        assert_eq!(read("call ''"), "call|");
        assert!(words("call \"Sit").is_err());
    }

    #[test]
    fn typed_lines_are_the_orders_of_the_command_line() {
        let what = |line| Typed::try_parse_from(words(line).unwrap()).map(|typed| typed.what);
        assert!(matches!(what("arm"), Ok(What::One(Action::Arm))));
        assert!(matches!(what("false-start"), Ok(What::One(Action::FalseStart))));
        assert!(matches!(what("call Sit tall --strokes 10"), Ok(What::One(Action::Call(_)))));
        assert!(matches!(what("results --piece 2 --csv a.csv"), Ok(What::One(Action::Results(_)))));
        assert!(matches!(what("help"), Ok(What::Help)));
        assert!(what("row faster").is_err());
    }
}
