//! Runs what was recorded through the core again, as fast as the machine can, and prints where every athlete
//! was heading at the shares of the piece that were asked for.

pub mod pieces;
pub mod session;

use std::{
    collections::BTreeMap,
    fs::File,
    io::{self, Write},
    path::{Path, PathBuf},
    str::FromStr,
    sync::Arc,
};

use serde::Serialize;
use serde_json::Number;
use thole_piece::projection::{Forecast, Width};
use thole_protocol::standing::Projected;

use self::session::SessionReplay;
use crate::{Logged, model};

/// What to replay: a file of recorded pieces, or a session of a journal.
#[derive(Clone, Debug, clap::Args)]
pub struct ReplayArgs {
    /// Recorded pieces, one JSON object a line, plain or gzip
    #[arg(
        value_name = "FILE",
        required_unless_present = "session",
        conflicts_with_all = ["data", "session"]
    )]
    pub file: Option<PathBuf>,
    /// The server's data folder, to replay a session of its journal
    #[arg(long, value_name = "DIR", requires = "session")]
    pub data: Option<PathBuf>,
    /// Join code of the session
    #[arg(long, value_name = "CODE", requires = "data")]
    pub session: Option<String>,
    /// Model with which to project the pieces of a file [default: the one that ships]; a session has its own
    #[arg(long, value_name = "FILE", conflicts_with = "session")]
    pub projection_model: Option<PathBuf>,
    /// Shares of the piece at which to report where everybody is heading
    #[arg(long, value_name = "SHARES", value_delimiter = ',', default_value = "0.25,0.5,0.75")]
    pub at: Vec<Share>,
    /// Prints the results of the session as a table for spreadsheets (CSV) instead of lines
    #[arg(long, requires = "session", conflicts_with_all = ["at", "file"])]
    pub csv: bool,
}

/// A share of the piece, above 0 and up to 1, kept as it was asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Share {
    asked: Number,
    value: f64,
}

impl Share {
    /// The whole piece.
    #[must_use]
    pub fn whole() -> Share {
        Share { asked: Number::from(1), value: 1.0 }
    }

    /// As a number.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }
}

impl FromStr for Share {
    type Err = String;

    fn from_str(text: &str) -> Result<Share, String> {
        let wrong =
            || format!("{text} is not a share of a piece: write a number such as 0.25, at most 1");
        let value: f64 = text.trim().parse().map_err(|_| wrong())?;
        if !(value > 0.0 && value <= 1.0) {
            return Err(wrong());
        }
        let as_asked = serde_json::from_str(text.trim()).ok();
        let asked = as_asked.or_else(|| Number::from_f64(value)).ok_or_else(wrong)?;
        Ok(Share { asked, value })
    }
}

/// One printed line: an athlete at a share of a piece, or at its end.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    group: String,
    athlete: String,
    piece: String,
    #[serde(serialize_with = "as_asked")]
    share: Share,
    #[serde(flatten)]
    seen: Seen,
    /// Place within the group at the same share; `None` for athletes who are not ranked.
    rank: Option<u32>,
}

/// What a line tells.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Seen {
    /// Where the finish is heading, seconds or metres; empty while there is nothing to go by.
    Heading {
        /// Best guess.
        projected: Option<f64>,
        /// Lower end of the 80 % interval.
        low: Option<f64>,
        /// Upper end of the 80 % interval.
        high: Option<f64>,
        /// Chance of making their own target.
        chance: Option<f64>,
    },
    /// The result, seconds or metres; empty for athletes who did not finish.
    Ended {
        /// To the millisecond or decimetre.
        result: Option<f64>,
    },
}

fn as_asked<S: serde::Serializer>(share: &Share, serializer: S) -> Result<S::Ok, S::Error> {
    share.asked.serialize(serializer)
}

/// Replays the file that the arguments name, or the session that was read for them, and writes the lines.
///
/// # Errors
/// One sentence: which line of the file cannot be used and why, or that something cannot be read or written.
pub fn run(args: &ReplayArgs, session: Option<Logged>, out: &mut dyn Write) -> Result<(), String> {
    if let (true, Some(session)) = (args.csv, &session) {
        return write(session::table(session).as_bytes(), out);
    }
    let SessionReplay { lines, effects, differs } = match (&args.file, session) {
        (Some(path), None) => {
            let (_, model) = model::named(args.projection_model.as_deref())?;
            let forecast = Forecast { model: Arc::new(model), width: Width::default() };
            SessionReplay { lines: file(path, &args.at, &forecast)?, ..SessionReplay::default() }
        }
        (None, Some(session)) => session::replay(session, &args.at),
        (Some(_), Some(_)) | (None, None) => {
            return Err("Name a file of recorded pieces, or --data and --session.".to_owned());
        }
    };
    print(&lines, out)?;
    print(&effects, out)?;
    print(&differs, out)
}

fn file(path: &Path, shares: &[Share], forecast: &Forecast) -> Result<Vec<Line>, String> {
    let file = File::open(path)
        .map_err(|error| format!("{} cannot be opened: {error}.", path.display()))?;
    pieces::replay_by(file, shares, forecast)
        .map_err(|error| format!("{}: {error}", path.display()))
}

fn print(lines: &[impl Serialize], out: &mut dyn Write) -> Result<(), String> {
    let mut text = Vec::new();
    for line in lines {
        serde_json::to_writer(&mut text, line).map_err(|error| format!("{error}."))?;
        text.push(b'\n');
    }
    write(&text, out)
}

fn write(text: &[u8], out: &mut dyn Write) -> Result<(), String> {
    match out.write_all(text).and_then(|()| out.flush()) {
        // Whoever is reading has seen enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|error| format!("The lines cannot be written: {error}.")),
    }
}

/// Ranks lines within their group at the same share, by the scores beside them.
fn rank(lines: &mut [(Line, Option<i64>)]) {
    let mut together: BTreeMap<(String, String), Vec<usize>> = BTreeMap::new();
    for (at, (line, _)) in lines.iter().enumerate() {
        // Results have their places already.
        if matches!(line.seen, Seen::Ended { .. }) {
            continue;
        }
        let key = (line.group.clone(), format!("{} {}", line.piece, line.share.asked));
        together.entry(key).or_default().push(at);
    }
    for members in together.values() {
        let score = |at: &usize| lines.get(*at).and_then(|(_, score)| *score);
        let scores: Vec<Option<i64>> = members.iter().map(score).collect();
        let places = thole_piece::standings::places(&scores);
        for (at, place) in members.iter().zip(places) {
            if let Some((line, _)) = lines.get_mut(*at) {
                line.rank = place;
            }
        }
    }
}

/// Seconds or metres with as many digits as mean something, so that the same number is always printed in the
/// same way.
fn tidy(amount: f64) -> f64 {
    (amount * 1e3).round() / 1e3
}

/// What a projection tells, in seconds or metres.
fn heading(projected: Option<Projected>) -> Seen {
    Seen::Heading {
        projected: projected.map(|projected| projected.finish.amount()),
        low: projected.map(|projected| projected.low.amount()),
        high: projected.map(|projected| projected.high.amount()),
        chance: projected
            .and_then(|projected| projected.chance_permille)
            .map(|permille| f64::from(permille) / 1e3),
    }
}
