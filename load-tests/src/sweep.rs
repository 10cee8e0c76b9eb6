//! How many athletes a server carries: more and more, until calls no longer arrive within 100 ms.

use std::fs;

use crate::{
    bar,
    curve::{self, Point},
    floor::Lengths,
    machine::Cores,
    rounds,
    run::{Tried, run},
    settings::Settings,
};

/// One call in a hundred may take longer than this.
const CALL_P99_MS: f64 = 100.0;
/// The first number that is tried.
const FIRST: u32 = 1_000;
/// The search ends when it knows the number to within this share.
const CLOSE: f64 = 0.06;

/// Finds the number, prints the points, draws the curve; true when nothing was lost on the way.
///
/// # Errors
/// A run could not be carried out, or the curve cannot be written.
pub(crate) fn sweep(settings: &Settings, server: &Tried, cores: &Cores) -> Result<bool, String> {
    let (ours, lengths) = climb(settings, server, cores)?;
    let mut curves = vec![("server".to_owned(), ours.clone())];
    if let Some(against) = &settings.against {
        let (others, _) = climb(settings, &rounds::other(against, lengths), cores)?;
        println!("against: {} carried, {} carried", carried(&ours), carried(&others));
        let name = if against == "floor" { "floor" } else { "other build" };
        curves.push((name.to_owned(), others));
    }
    fs::write(&settings.svg, curve::draw(&curves, CALL_P99_MS))
        .map_err(|error| format!("{}: {error}", settings.svg.display()))?;
    if let Some(file) = &settings.json {
        let text = serde_json::to_string_pretty(&curves).map_err(|error| error.to_string())?;
        fs::write(file, text).map_err(|error| format!("{}: {error}", file.display()))?;
    }
    println!("{} athletes in one piece with call p99 under {CALL_P99_MS} ms", carried(&ours));
    Ok(ours.iter().all(|point| point.lost_nothing))
}

/// Doubles until it is too many, then halves the gap.
fn climb(
    settings: &Settings,
    tried: &Tried,
    cores: &Cores,
) -> Result<(Vec<Point>, Lengths), String> {
    let most =
        u32::try_from(crate::machine::raise_open_files().saturating_sub(100)).unwrap_or(u32::MAX);
    let mut points: Vec<Point> = Vec::new();
    let mut lengths;
    let (mut good, mut bad) = (0, None);
    let mut athletes = FIRST.min(most);
    loop {
        let settings = Settings { athletes, ..settings.clone() };
        let bar = bar(&settings, &format!("{athletes} athletes"))?;
        let tried = match tried {
            Tried::Floor(known) => Tried::Floor(scaled(*known, athletes)),
            server @ Tried::Server(_) => server.clone(),
        };
        let figures = run(&settings, &tried, cores, settings.seed, &bar);
        bar.finish_and_clear();
        let figures = figures?;
        lengths = each(figures.lengths, athletes);
        let point = Point::of(&figures);
        println!("{}: {}", figures.server, point.told());
        if point.p99_ms < CALL_P99_MS {
            good = athletes
        } else {
            bad = Some(athletes)
        }
        points.push(point);
        athletes = match bad {
            None if good >= most => break,
            None => (good * 2).min(most),
            Some(bad) if f64::from(bad - good) <= CLOSE * f64::from(bad) => break,
            Some(bad) => good.midpoint(bad),
        };
    }
    points.sort_by_key(|point| point.athletes);
    Ok((points, lengths))
}

/// What one athlete adds to the lists.
fn each(lengths: Lengths, athletes: u32) -> Lengths {
    let by = usize::try_from(athletes).unwrap_or(1).max(1);
    Lengths {
        standings: lengths.standings / by,
        overview: lengths.overview / by,
        call_sent: lengths.call_sent / by,
        ..lengths
    }
}

/// Lists grow with the number of athletes; `lengths` holds what one athlete adds to them.
fn scaled(lengths: Lengths, athletes: u32) -> Lengths {
    let times = usize::try_from(athletes).unwrap_or(1);
    Lengths {
        standings: lengths.standings * times,
        overview: lengths.overview * times,
        call_sent: lengths.call_sent * times,
        ..lengths
    }
}

/// The largest number that was fast enough.
fn carried(points: &[Point]) -> usize {
    let fast = points.iter().filter(|point| point.p99_ms < CALL_P99_MS);
    fast.map(|point| point.athletes).max().unwrap_or(0)
}
