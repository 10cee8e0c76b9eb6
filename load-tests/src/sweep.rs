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
/// The search ends once it knows the number to within this share.
const CLOSE: f64 = 0.06;

/// Finds the number, prints the points, draws the curve; true when nothing was lost on the way.
///
/// # Errors
/// A run could not be carried out, or the curve cannot be written.
pub(crate) fn sweep(settings: &Settings, server: &Tried, cores: &Cores) -> Result<bool, String> {
    let mut ours = Climb::new();
    let mut other = settings.against.as_ref().map(|against| (against, Climb::new()));
    // In turns, so that whatever else the machine does affects both.
    while !ours.is_over() || other.as_ref().is_some_and(|(_, other)| !other.is_over()) {
        if !ours.is_over() {
            ours.step(settings, server, cores)?;
        }
        if let Some((against, other)) = other.as_mut().filter(|(_, other)| !other.is_over()) {
            other.step(settings, &rounds::other(against, ours.lengths), cores)?;
        }
    }
    let mut curves = vec![("server".to_owned(), ours.points)];
    if let Some((against, other)) = other {
        let name = if against == "floor" { "floor" } else { "other build" };
        println!("against: {} carried, {} carried", ours.good, other.good);
        curves.push((name.to_owned(), other.points));
    }
    for (_, points) in &mut curves {
        points.sort_by_key(|point| point.athletes);
    }
    fs::write(&settings.svg, curve::draw(&curves, CALL_P99_MS))
        .map_err(|error| format!("{}: {error}", settings.svg.display()))?;
    if let Some(file) = &settings.json {
        let text = serde_json::to_string_pretty(&curves).map_err(|error| error.to_string())?;
        fs::write(file, text).map_err(|error| format!("{}: {error}", file.display()))?;
    }
    println!("{} athletes in one piece with call p99 under {CALL_P99_MS} ms", ours.good);
    Ok(curves.iter().flat_map(|(_, points)| points).all(|point| point.lost_nothing))
}

/// The search for one server's number: doubles until it is too many, then halves the gap.
struct Climb {
    most: u32,
    /// Tried next; `None` when the number is known.
    next: Option<u32>,
    /// The largest number that was fast enough.
    good: u32,
    bad: Option<u32>,
    points: Vec<Point>,
    /// What one athlete adds to the lists.
    lengths: Lengths,
}

impl Climb {
    fn new() -> Climb {
        let files = crate::machine::raise_open_files().saturating_sub(100);
        let most = u32::try_from(files).unwrap_or(u32::MAX);
        let next = Some(FIRST.min(most));
        let lengths = each(Lengths::default(), 5_000);
        Climb { most, next, good: 0, bad: None, points: Vec::new(), lengths }
    }

    fn is_over(&self) -> bool {
        self.next.is_none()
    }

    /// Tries the next number. If a run cannot be rowed at all although one with fewer could, that counts as
    /// too many.
    fn step(&mut self, settings: &Settings, tried: &Tried, cores: &Cores) -> Result<(), String> {
        let Some(athletes) = self.next else { return Ok(()) };
        match best_of_two(|| self.try_out(athletes, settings, tried, cores)) {
            Ok(point) => {
                if point.p99_ms < CALL_P99_MS {
                    self.good = athletes;
                } else {
                    self.bad = Some(athletes);
                }
                self.points.push(point);
            }
            Err(why) if self.good > 0 => {
                println!("{athletes} athletes: {why}; that counts as too many");
                self.bad = Some(athletes);
            }
            Err(why) => return Err(why),
        }
        self.next = match self.bad {
            None if self.good >= self.most => None,
            None => Some((self.good * 2).min(self.most)),
            Some(bad) if f64::from(bad - self.good) <= CLOSE * f64::from(bad) => None,
            Some(bad) => Some(self.good.midpoint(bad)),
        };
        Ok(())
    }

    fn try_out(
        &mut self,
        athletes: u32,
        settings: &Settings,
        tried: &Tried,
        cores: &Cores,
    ) -> Result<Point, String> {
        let settings = Settings { athletes, ..settings.clone() };
        let bar = bar(&settings, &format!("{athletes} athletes"))?;
        let tried = match tried {
            Tried::Floor(known) => Tried::Floor(scaled(*known, athletes)),
            server @ Tried::Server(_) => server.clone(),
        };
        let figures = run(&settings, &tried, cores, settings.seed, &bar);
        bar.finish_and_clear();
        let figures = figures?;
        self.lengths = each(figures.lengths, athletes);
        let point = Point::of(&figures);
        println!("{}: {}", figures.server, point.told());
        Ok(point)
    }
}

/// A run has few calls to everybody, and one hiccup of the machine shows in its p99: what was too slow gets a second
/// attempt, and the better one counts.
fn best_of_two(mut once: impl FnMut() -> Result<Point, String>) -> Result<Point, String> {
    let mut point = once()?;
    if point.p99_ms >= CALL_P99_MS {
        let again = once()?;
        let lost_nothing = point.lost_nothing && again.lost_nothing;
        point = if again.p99_ms < point.p99_ms { again } else { point };
        point.lost_nothing = lost_nothing;
    }
    Ok(point)
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
