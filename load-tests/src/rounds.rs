//! One run, or several rounds of two servers in turn, so that whatever else the machine does affects both
//! alike.

use std::fs;

use serde::Serialize;

use crate::{
    bar,
    figures::{Figures, middle},
    floor::Lengths,
    machine::Cores,
    run::{Tried, run},
    settings::Settings,
};

/// Everything about one run of the program.
#[derive(Serialize)]
struct Report<'a> {
    piece: String,
    boards: u16,
    drop_per_min: Option<f64>,
    server: &'a [Figures],
    against: &'a [Figures],
    median: &'a Figures,
    median_against: Option<&'a Figures>,
    ratios: Option<Ratios>,
}

/// The server's figure divided by the other's: for each round, then the median of the rounds.
#[derive(Clone, Copy, Debug, Serialize)]
struct Ratios {
    us_per_message: f64,
    call_p99: f64,
    acknowledged_p99: f64,
    resident_kib_per_connection: f64,
}

impl Ratios {
    fn of(server: &[Figures], other: &[Figures]) -> Ratios {
        let ratio = |of: &dyn Fn(&Figures) -> f64| {
            middle(server.iter().zip(other).map(|(server, other)| of(server) / of(other)).collect())
        };
        Ratios {
            us_per_message: ratio(&|figures| figures.us_per_message),
            call_p99: ratio(&|figures| figures.call.p99_ms),
            acknowledged_p99: ratio(&|figures| figures.acknowledged.p99_ms),
            resident_kib_per_connection: ratio(&|figures| figures.resident_kib_per_connection),
        }
    }
}

/// Runs what the settings ask for; true when nothing was lost.
///
/// # Errors
/// A run could not be carried out, or the figures cannot be written.
pub(crate) fn rounds(settings: &Settings, server: &Tried, cores: &Cores) -> Result<bool, String> {
    let (mut ours, mut others) = (Vec::new(), Vec::new());
    let rounds = if settings.against.is_some() { settings.rounds } else { 1 };
    for round in 0..rounds {
        let seed = settings.seed + u64::from(round);
        let turn = |tried: &Tried| {
            let name = if rounds > 1 { format!("round {}", round + 1) } else { String::new() };
            let bar = bar(settings, &name)?;
            let figures = run(settings, tried, cores, seed, &bar);
            bar.finish_and_clear();
            figures
        };
        let figures = turn(server)?;
        if let Some(against) = &settings.against {
            let other = turn(&other(against, figures.lengths))?;
            println!("round {}: {}", round + 1, told(&figures, &other));
            others.push(other);
        }
        ours.push(figures);
    }
    let median = Figures::median(&ours);
    let median_against = (!others.is_empty()).then(|| Figures::median(&others));
    let ratios = (!others.is_empty()).then(|| Ratios::of(&ours, &others));
    print(&median, median_against.as_ref(), ratios);
    if let Some(file) = &settings.json {
        let report = Report {
            piece: thole::wording::repeats_text(&settings.piece().repeats),
            boards: settings.boards,
            drop_per_min: settings.drop,
            server: &ours,
            against: &others,
            median: &median,
            median_against: median_against.as_ref(),
            ratios,
        };
        let text = serde_json::to_string_pretty(&report).map_err(|error| error.to_string())?;
        fs::write(file, text).map_err(|error| format!("{}: {error}", file.display()))?;
    }
    Ok(ours.iter().all(|figures| figures.lost.nothing()))
}

/// What the server is compared with.
pub(crate) fn other(against: &str, lengths: Lengths) -> Tried {
    if against == "floor" { Tried::Floor(lengths) } else { Tried::Server(against.into()) }
}

fn told(server: &Figures, other: &Figures) -> String {
    format!(
        "{:.2} / {:.2} us a message, call p99 {:.0} / {:.0} ms, {:.1} / {:.1} KiB",
        server.us_per_message,
        other.us_per_message,
        server.call.p99_ms,
        other.call.p99_ms,
        server.resident_kib_per_connection,
        other.resident_kib_per_connection
    )
}

fn print(median: &Figures, against: Option<&Figures>, ratios: Option<Ratios>) {
    for figures in [Some(median), against].into_iter().flatten() {
        println!(
            "\n{}: {} athletes, {:.0} s (load before: {})",
            figures.server, figures.athletes, figures.seconds, figures.load_before
        );
        for (what, how_much) in figures.lines() {
            println!("  {what:18} {how_much}");
        }
    }
    if let Some(ratios) = ratios {
        println!(
            "\nagainst it: {:.2} x CPU a message, {:.2} x call p99, {:.2} x stroke p99, {:.2} x memory a connection",
            ratios.us_per_message,
            ratios.call_p99,
            ratios.acknowledged_p99,
            ratios.resident_kib_per_connection
        );
    }
}
