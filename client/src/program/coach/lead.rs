//! `thole coach lead` and `watch`: a whole session over one connection.

use std::{collections::BTreeMap, time::Duration};

use serde_json::json;
use thole::{
    coach::{Coach, CoachNews},
    results::{self, ResultsTold},
    table::{notice_text, standings_text},
};
use thole_protocol::{
    close::Close,
    event::Happening,
    ids::{CallId, CommandId},
    standing::{Line, Notice, Overview, Standings},
    units::{At, Millis},
};
use tokio::sync::mpsc;

use super::{
    Place,
    action::{self, Action},
    ordered::{self, Ordered},
    results::{ResultsArgs, WantedTable},
    telling,
    typed::{self, What},
};
use crate::program::lines_of_stdin;

/// Standings are printed to people no more often than this, and only when somebody's place or state is another; scripts
/// get every one.
const STANDINGS_EVERY: Millis = Millis(10_000);
/// While only the numbers move, they are printed this often.
const NUMBERS_EVERY: Millis = Millis(60_000);
/// After the last line of standard input, answers are awaited for this long.
const LAST_ANSWERS: Duration = Duration::from_secs(10);

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
    standings_told: Option<(At, Standings)>,
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
            standings_told: None,
            notices: Vec::new(),
            results: ResultsTold::default(),
            tables: Vec::new(),
        }
    }

    /// Does what a line says; true when it says to leave.
    fn typed(&mut self, coach: &mut Coach, line: &str) -> bool {
        let what = match typed::read(line) {
            Ok(Some(what)) => what,
            Ok(None) => return false,
            Err(says) => {
                self.complain(line, &says);
                return false;
            }
        };
        match what {
            What::Quit => return true,
            What::Help => {
                let help = typed::help();
                self.place
                    .common
                    .tell(json!({"event": "help", "says": help}), || Some(help.clone()));
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
        let standings = &overview.standings;
        let underway = standings.lines.iter().any(|line| line.place.is_some());
        // The results have been told by then, and stand in the same order.
        let is_over = mirror.current().is_some_and(|view| results::is_over(view.phase));
        if underway && !is_over && is_news(self.standings_told.as_ref(), standings) {
            self.standings_told = Some((standings.at_ms, standings.clone()));
            let ranking = mirror.now().settings.ranking;
            self.words(standings_text(standings, &names, ranking).trim_end());
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

/// Whether people should see a table again: somebody's place or state is another, or the numbers have moved for a while.
fn is_news(told: Option<&(At, Standings)>, now: &Standings) -> bool {
    let Some((at, told)) = told else { return true };
    let stand = |line: &Line| (line.athlete, line.place, line.instead, line.doing, line.not_heard);
    let alike = told.lines.iter().map(stand).eq(now.lines.iter().map(stand));
    let since = now.at_ms.since(*at);
    if alike {
        since >= NUMBERS_EVERY && (&told.lines, &told.teams) != (&now.lines, &now.teams)
    } else {
        since >= STANDINGS_EVERY
    }
}

/// Whether two notices are about the same thing for the same athlete, whatever the numbers are now.
fn same(a: &Notice, b: &Notice) -> bool {
    a.athlete == b.athlete
        && a.since_ms == b.since_ms
        && std::mem::discriminant(&a.about) == std::mem::discriminant(&b.about)
}

#[cfg(test)]
mod tests {
    use thole_protocol::{
        ids::AthleteId,
        standing::Doing,
        units::{Decimetres, Millis},
    };
    use uuid::Uuid;

    use super::*;

    fn standings(at_ms: u64, places: &[u32], done_dm: u32) -> Standings {
        let line = |(nth, place): (usize, &u32)| Line {
            athlete: AthleteId(Uuid::from_u128(nth as u128)),
            place: Some(*place),
            instead: None,
            doing: Doing::Rowing,
            not_heard: false,
            margin: None,
            against_target: None,
            projected: None,
            done_dm: Decimetres(done_dm),
            elapsed_ms: Millis(1_000),
            share_permille: 100,
        };
        let lines = places.iter().enumerate().map(line).collect();
        Standings { at_ms: At(at_ms), lines, ..Standings::default() }
    }

    #[test]
    fn a_table_is_printed_again_when_a_place_changes_or_numbers_have_moved_for_a_minute() {
        let told = (At(0), standings(0, &[1, 2], 500));
        let news = |now: &Standings| is_news(Some(&told), now);
        assert!(is_news(None, &told.1), "the first one");
        assert!(!news(&standings(30_000, &[1, 2], 900)), "numbers alone");
        assert!(news(&standings(60_000, &[1, 2], 900)), "numbers, after a minute");
        assert!(!news(&standings(90_000, &[1, 2], 500)), "nothing at all");
        assert!(!news(&standings(9_000, &[2, 1], 900)), "a place, too soon");
        assert!(news(&standings(10_000, &[2, 1], 900)), "a place");
        assert!(news(&standings(10_000, &[1, 2, 3], 500)), "somebody new");
        let mut stopped = standings(10_000, &[1, 2], 500);
        stopped.lines[1].doing = Doing::Stopped;
        assert!(news(&stopped), "somebody has stopped");
    }
}
