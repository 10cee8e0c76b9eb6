//! What is to be tried, as it is typed.

use std::path::PathBuf;

use clap::Parser;
use thole::wording;
use thole_protocol::{
    spec::{Extent, PieceSpec, Repeat},
    units::{Decimetres, Millis},
};

/// The invented teams that the athletes are assigned to.
pub(crate) const TEAMS: [&str; 8] =
    ["Herons", "Otters", "Kestrels", "Newts", "Voles", "Terns", "Shrews", "Plovers"];

/// How much rest a piece of repeats gets if it names none.
const USUAL_REST: &str = "1:00";

/// The longest piece by time that the server accepts.
const LONGEST_MS: u32 = 10_800_000;

/// Rows thousands of athletes against one server and reports what it cost and how fast it was.
#[derive(Clone, Debug, Parser)]
pub(crate) struct Settings {
    /// Athletes in one piece
    #[arg(long, default_value_t = 1_300, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub(crate) athletes: u32,
    /// Seconds that are measured, from the go
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u32).range(5..=86_400))]
    pub(crate) seconds: u32,
    /// What is rowed, such as 2300m, 20min or 8x350m/1:00; if left out, a piece that lasts as long as is
    /// measured
    #[arg(long = "piece", value_name = "PIECE", value_parser = piece)]
    pub(crate) named_piece: Option<PieceSpec>,
    /// Boards that watch
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u16).range(0..=8))]
    pub(crate) boards: u16,
    /// Share of the athletes whose connection is lost, such as 1%/min
    #[arg(long, value_name = "SHARE", value_parser = drops)]
    pub(crate) drop: Option<f64>,
    /// Kills the server this many seconds after the go, and starts it again
    #[arg(long, value_name = "SECONDS")]
    pub(crate) kill_server_at: Option<u32>,
    /// Compares, round by round, with `floor` (a bare WebSocket server) or with another build of the server
    #[arg(long, value_name = "floor|PROGRAM")]
    pub(crate) against: Option<String>,
    /// Rounds of a comparison; the medians are reported
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u16).range(1..=99))]
    pub(crate) rounds: u16,
    /// Finds the largest number of athletes whose calls arrive within 100 ms (p99), and draws the curve
    #[arg(long)]
    pub(crate) sweep: bool,
    /// Starts the server over a journal of this many sessions of 30, each with as many seconds rowed as --seconds
    /// says
    #[arg(long, value_name = "SESSIONS", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub(crate) cold_start: Option<u32>,
    /// Starts the server over a session of all athletes, and reports how long others heard nothing while it was
    /// opened
    #[arg(long)]
    pub(crate) opening: bool,
    /// Where the curve of a sweep is saved
    #[arg(long, value_name = "FILE", default_value = "sweep.svg")]
    pub(crate) svg: PathBuf,
    /// Where all figures are saved, as JSON
    #[arg(long, value_name = "FILE")]
    pub(crate) json: Option<PathBuf>,
    /// The server's program; if left out, the one of this workspace is built
    #[arg(long, value_name = "PROGRAM")]
    pub(crate) server: Option<PathBuf>,
    /// What makes one run's athletes differ from another's
    #[arg(long, default_value_t = 17)]
    pub(crate) seed: u64,
    /// Be the floor (started by the program itself)
    #[arg(long, hide = true, value_name = "LENGTHS")]
    pub(crate) be_floor: Option<String>,
}

impl Settings {
    /// What is rowed.
    pub(crate) fn piece(&self) -> PieceSpec {
        self.named_piece.clone().unwrap_or_else(|| lasting(self.seconds))
    }
}

/// A piece that nobody finishes within this many seconds: of the usual kind if that is long enough.
fn lasting(seconds: u32) -> PieceSpec {
    // The quickest row 2,300 m in seven minutes.
    let time =
        Extent::Time { time_ms: Millis((seconds.saturating_add(60) * 1_000).min(LONGEST_MS)) };
    let work =
        if seconds <= 300 { Extent::Distance { distance_dm: Decimetres(23_000) } } else { time };
    let mut piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    piece.count_ms = PieceSpec::COUNT_MIN;
    piece
}

fn piece(typed: &str) -> Result<PieceSpec, String> {
    let rested = format!("{typed}/{USUAL_REST}");
    let lacks_rest = typed.contains('x') && !typed.contains('/');
    let repeats = wording::repeats(if lacks_rest { &rested } else { typed })?;
    let mut piece = PieceSpec::of(repeats);
    piece.count_ms = PieceSpec::COUNT_MIN;
    Ok(piece)
}

/// A share a minute.
fn drops(typed: &str) -> Result<f64, String> {
    let share = typed.strip_suffix("/min").unwrap_or(typed);
    let percent = share.strip_suffix('%').and_then(|percent| percent.trim().parse::<f64>().ok());
    percent
        .filter(|percent| (0.0..=100.0).contains(percent))
        .map(|percent| percent / 100.0)
        .ok_or_else(|| format!("{typed:?} is not a share of the athletes; type one like 1%/min"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_and_shares_are_read_as_they_are_typed() {
        assert_eq!(piece("8x350m").unwrap().repeats, piece("8x350m/1:00").unwrap().repeats);
        assert_eq!(piece("8x350m").unwrap().repeats.len(), 8);
        assert_eq!(piece("20min").unwrap().repeats.len(), 1);
        assert!(piece("a while").is_err());
        let work = |seconds| lasting(seconds).repeats.first().map(|repeat| repeat.work);
        assert_eq!(work(60), Some(Extent::Distance { distance_dm: Decimetres(23_000) }));
        assert_eq!(work(1_800), Some(Extent::Time { time_ms: Millis(1_860_000) }));
        assert_eq!(work(86_400), Some(Extent::Time { time_ms: Millis(LONGEST_MS) }));
        assert_eq!(drops("1%/min"), Ok(0.01));
        assert!(drops("101%/min").is_err() && drops("1").is_err());
    }
}
