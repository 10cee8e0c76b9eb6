//! `thole board`: where everybody stands, in a terminal.

use std::io::IsTerminal;

use clap::Args;
use serde_json::json;
use thole::{
    board::{Board, BoardNews},
    mirror::Mirror,
    table::{result_text, standings_text},
    wording::repeats_text,
};
use thole_protocol::{
    client_msg::Role,
    close::Close,
    event::Happening,
    standing::{Phase, Standings},
};

use super::{Common, Failed, any_seed, say};

/// Clears the screen and goes to its top (ECMA-48).
const REDRAW: &str = "\u{1b}[2J\u{1b}[H";

#[derive(Args)]
pub(crate) struct BoardArgs {
    /// The board's link, which the coach got with the session
    #[arg(long)]
    link: String,
}

pub(crate) async fn run(common: &Common, args: BoardArgs) -> Result<(), Failed> {
    let link = common.link(&args.link, Role::Board)?;
    let mut board = Board::open(common.dial(link.address)?, link.secret, any_seed()?);
    while let Some(told) = board.next().await {
        match told {
            BoardNews::Welcome => {
                let Some(mirror) = board.mirror() else { continue };
                let now = mirror.now();
                let line = json!({"event": "welcome", "title": now.title, "code": now.code});
                common.tell(line, || Some(heading(mirror)));
            }
            BoardNews::Standings(standings) => {
                let mirror = board.mirror();
                common.tell(json!({"event": "standings", "standings": standings}), || {
                    Some(drawn(mirror?, &standings))
                });
            }
            BoardNews::Event(event) => {
                let results = board.mirror().and_then(|mirror| results(mirror, &event.what));
                common.tell(json!({"event": "happened", "happened": event}), || results);
                if event.what == Happening::SessionClosed {
                    return Ok(());
                }
            }
            BoardNews::Lost { says, .. } => {
                common.tell(json!({"event": "lost", "says": says}), || {
                    Some(format!("{says} Reconnecting."))
                });
            }
            BoardNews::Ended(ended) if ended.code == Some(Close::SessionClosed.code()) => {
                if !common.json() {
                    say("The session is closed.");
                }
                return Ok(());
            }
            BoardNews::Ended(ended) => return Err(ended.says.into()),
        }
    }
    Ok(())
}

fn drawn(mirror: &Mirror, standings: &Standings) -> String {
    let redraw = if std::io::stdout().is_terminal() { REDRAW } else { "" };
    let table = standings_text(standings, &mirror.names(), mirror.now().settings.ranking);
    format!("{redraw}{}\n{table}", heading(mirror))
}

fn heading(mirror: &Mirror) -> String {
    let now = mirror.now();
    let piece = mirror.current().map_or("no piece yet".into(), |piece| {
        let phase = match piece.phase {
            Phase::Gathering => "gathering".into(),
            Phase::Armed => "ready to start".into(),
            Phase::Counting { .. } => "countdown".into(),
            Phase::Rowing { repeat, .. } if piece.spec.repeats.len() > 1 => {
                format!("repeat {} of {}", repeat + 1, piece.spec.repeats.len())
            }
            Phase::Rowing { .. } => "rowing".into(),
            Phase::Resting { next_repeat, .. } => format!("rest before repeat {}", next_repeat + 1),
            Phase::Closing { .. } => "the first are in".into(),
            Phase::Finished { .. } => "finished".into(),
            Phase::Stopped { .. } => "stopped".into(),
        };
        format!("{}, {phase}", repeats_text(&piece.spec.repeats))
    });
    format!("{}  join: {}  {piece}", now.title, now.code)
}

/// The results of a piece, once it is over.
fn results(mirror: &Mirror, what: &Happening) -> Option<String> {
    let Happening::PhaseChanged { piece, phase: Phase::Finished { .. } | Phase::Stopped { .. } } =
        what
    else {
        return None;
    };
    let names = mirror.names();
    let mut results = mirror.piece(*piece)?.results.clone();
    results.sort_by_key(|result| (result.place.is_none(), result.place));
    let lines: Vec<String> =
        results.iter().map(|r| result_text(r, &names, mirror.now().settings.ranking)).collect();
    Some(format!(
        "Results of {}\n{}",
        repeats_text(&mirror.piece(*piece)?.spec.repeats),
        lines.join("\n")
    ))
}
