//! Times, distances and pieces as people write them, and what a session shows, in words.

use thole_piece::{Session, session::Viewer};
use thole_protocol::{
    ids::AthleteId,
    spec::{Extent, PieceSpec, Ranking, Repeat, RepeatStart, StartClock},
    standing::{About, AthleteResult, Doing, Line, Notice, Outcome, Phase},
    total::{Certainty, Gap, Margin, Total},
    units::{At, Decimetres, Millis},
};

/// `1:23.4` or `1:02:03.45` in milliseconds.
pub(super) fn time(text: &str) -> Option<u64> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let mut seconds = 0;
    for part in whole.split(':') {
        seconds = seconds * 60 + part.parse::<u64>().ok()?;
    }
    if !whole.contains(':') || fraction.len() > 3 {
        return None;
    }
    let places = u32::try_from(fraction.len()).ok()?;
    let fraction = fraction.parse::<u64>().ok()? * 10_u64.pow(3 - places);
    Some(seconds * 1_000 + fraction)
}

/// `170m` or `170.4m` in decimetres.
pub(super) fn metres(text: &str) -> Option<i64> {
    let number = text.strip_suffix('m')?;
    let (whole, tenth) = number.split_once('.').unwrap_or((number, "0"));
    let tenth = tenth.parse::<i64>().ok().filter(|tenth| *tenth < 10)?;
    Some(whole.parse::<i64>().ok()? * 10 + tenth)
}

/// `1700m`, `11:00`, `3 x 400m / 1:30`, and after commas `own clock`, `own rest`.
pub(super) fn piece(text: &str) -> Option<PieceSpec> {
    let mut parts = text.split(',').map(str::trim);
    let work = parts.next()?;
    let (work, rest) = match work.split_once('/') {
        Some((work, rest)) => (work, time(rest.trim())?),
        None => (work, 0),
    };
    let (times, extent) = match work.split_once(" x ") {
        Some((times, extent)) => (times.trim().parse().ok()?, extent.trim()),
        None => (1, work.trim()),
    };
    let work = match metres(extent) {
        Some(dm) => Extent::Distance { distance_dm: Decimetres(u32::try_from(dm).ok()?) },
        None => Extent::Time { time_ms: Millis(u32::try_from(time(extent)?).ok()?) },
    };
    let repeat = Repeat { work, rest_ms: Millis(u32::try_from(rest).ok()?) };
    let mut spec = PieceSpec::of(vec![repeat; times]);
    for setting in parts {
        match setting {
            "own clock" => spec.clock = StartClock::OwnFirstStroke,
            "own rest" => spec.repeat_start = RepeatStart::OwnRest,
            _ => return None,
        }
    }
    Some(spec)
}

/// An instant as time from the go.
pub(super) fn clock(at: At, go: u64) -> String {
    if at.0 < go { format!("-{}", length(go - at.0)) } else { length(at.0 - go) }
}

/// Milliseconds as `1:23.4`, to the tenth below.
fn length(ms: u64) -> String {
    format!("{}:{:02}.{}", ms / 60_000, ms / 1_000 % 60, ms / 100 % 10)
}

/// A reason as programs see it.
pub(super) fn snake(value: &impl serde::Serialize) -> String {
    let json = serde_json::to_value(value).unwrap_or_default();
    json.as_str().unwrap_or("?").to_owned()
}

/// What `show …` shows.
pub(super) fn view(session: &Session, what: &str, go: u64) -> Vec<String> {
    let view = session.view(Viewer::Coach);
    let overview = session.overview();
    let name = |id: AthleteId| session.name(id).unwrap_or("nobody");
    let ranking = view.settings.ranking;
    let current = view.pieces.get(usize::from(view.current.0));
    match what {
        "standings" => {
            let lines = overview.standings.lines.iter();
            let words: Vec<String> = lines.map(|l| line(l, name(l.athlete), ranking)).collect();
            vec![words.join(", ")]
        }
        "words" => {
            let lines = overview.standings.lines.iter();
            let words = lines.map(|line| {
                let word = line.against_target.map_or("-".to_owned(), |word| snake(&word));
                format!("{} {word}", name(line.athlete))
            });
            vec![words.collect::<Vec<_>>().join(", ")]
        }
        "waits" => {
            let waits_for: Vec<&str> =
                overview.standings.waits_for.iter().map(|id| name(*id)).collect();
            let none = waits_for.is_empty();
            vec![if none {
                "waits for nobody".into()
            } else {
                format!("waits for {}", waits_for.join(", "))
            }]
        }
        "teams" => {
            let teams = overview.standings.teams.iter().map(|team| {
                let mean = team.mean_margin.map_or(String::new(), |m| format!(" {m:+}"));
                let place = team.place.map_or("-".to_owned(), |place| place.to_string());
                format!("{place} {}{mean} ({})", team.team, team.counted)
            });
            vec![teams.collect::<Vec<_>>().join(", ")]
        }
        "results" => {
            results(session, current.map(|piece| piece.results.clone()).unwrap_or_default())
        }
        "splits" => {
            let results = current.map(|piece| piece.results.clone()).unwrap_or_default();
            results.iter().map(|r| splits(r, name(r.athlete))).collect()
        }
        "notices" => {
            let notices = overview.notices.iter();
            let words: Vec<String> = notices.map(|n| notice(n, name(n.athlete), go)).collect();
            vec![if words.is_empty() { "no notices".to_owned() } else { words.join(", ") }]
        }
        "phase" => vec![current.map_or("no piece".to_owned(), |piece| phase(piece.phase, go))],
        other => panic!("nobody can show {other}"),
    }
}

/// Results, the placed ones first.
pub(super) fn results(session: &Session, mut results: Vec<AthleteResult>) -> Vec<String> {
    results.sort_by_key(|r| (r.place.is_none(), r.place, r.athlete));
    results.iter().map(|r| result(r, session.name(r.athlete).unwrap_or("nobody"))).collect()
}

fn line(line: &Line, name: &str, ranking: Ranking) -> String {
    let doing = match line.doing {
        Doing::Rowing => String::new(),
        other => format!(" {}", snake(&other)),
    };
    let not_heard = if line.not_heard { " (not heard)" } else { "" };
    let margin = line.margin.map_or(String::new(), |m| format!(" {}", margin(m, ranking)));
    let place = line.place.map_or("-".to_owned(), |place| place.to_string());
    format!("{place} {name}{margin}{doing}{not_heard}")
}

fn margin(margin: Margin, ranking: Ranking) -> String {
    let tenths = |n: i64, unit: &str| format!("{:+.1} {unit}", n as f64 / 10.0);
    match (ranking, margin.gap) {
        (Ranking::Share, _) => tenths(i64::from(margin.margin_ppm.0).div_euclid(1_000), "%"),
        (Ranking::Amount, Gap::Time(ms)) => tenths(ms.div_euclid(100), "s"),
        (Ranking::Amount, Gap::Distance(dm)) => tenths(dm, "m"),
    }
}

fn result(result: &AthleteResult, name: &str) -> String {
    let place = result.place.map_or("-".to_owned(), |place| place.to_string());
    let what = match (result.outcome, result.shown) {
        (Outcome::Finished, Some(Total::Time { finish_ms })) => length(u64::from(finish_ms.0)),
        (Outcome::Finished, Some(Total::Distance { distance_dm })) => {
            format!("{} m", distance_dm.0 / 10)
        }
        (outcome, _) => {
            let (dm, ms) = (result.distance_dm.0, u64::from(result.time_ms.0));
            format!("{} at {}.{} m, {}", snake(&outcome), dm / 10, dm % 10, length(ms))
        }
    };
    let sure = match result.sure {
        Certainty::Time(Millis(ms)) => format!(" ± {ms} ms"),
        Certainty::Distance(Decimetres(dm)) => format!(" ± {dm} dm"),
        Certainty::Unsaid => String::new(),
    };
    let margin = result.margin.map_or(String::new(), |m| format!(" {}", margin(m, Ranking::Share)));
    let marks: Vec<String> = result.marks.iter().map(snake).collect();
    let marks = if marks.is_empty() { String::new() } else { format!(" [{}]", marks.join(", ")) };
    format!("{place} {name} {what}{sure}{margin}{marks}")
}

fn splits(result: &AthleteResult, name: &str) -> String {
    let splits = result.splits.iter();
    let words: Vec<String> = splits
        .map(|s| {
            format!(
                "{}.{} m in {}",
                s.distance_dm.0 / 10,
                s.distance_dm.0 % 10,
                length(u64::from(s.time_ms.0))
            )
        })
        .collect();
    format!("{name}: {}", words.join(", "))
}

fn notice(notice: &Notice, name: &str, go: u64) -> String {
    let since = clock(notice.since_ms, go);
    let pace = |ms: Millis| length(u64::from(ms.0));
    let about = match notice.about {
        About::Stopped { done_dm } => format!("stopped at {} m", done_dm.0 / 10),
        About::StoppedUnheard { done_dm, .. } => {
            format!("stopped at {} m and not heard since", done_dm.0 / 10)
        }
        About::NotHeard { .. } => "not heard".to_owned(),
        About::HeartRate { heart_bpm, limit_bpm } => format!("heart {heart_bpm} over {limit_bpm}"),
        About::Fading { now_per_500m_ms, before_per_500m_ms, .. } => {
            format!("fading from {} to {}", pace(before_per_500m_ms), pace(now_per_500m_ms))
        }
        About::TooFast { now_per_500m_ms, plan_per_500m_ms } => {
            format!("too fast: {} for {}", pace(now_per_500m_ms), pace(plan_per_500m_ms))
        }
        About::RateNoFaster { rate_half_spm, before_half_spm, .. } => {
            format!("rate {} after {}, no faster", rate_half_spm.0 / 2, before_half_spm.0 / 2)
        }
        About::TargetFarOff { heading, .. } => {
            let heading = match heading {
                Total::Time { finish_ms } => length(u64::from(finish_ms.0)),
                Total::Distance { distance_dm } => format!("{} m", distance_dm.0 / 10),
            };
            format!("heading for {heading}, far from the target")
        }
        About::ClocksApart { apart_ms } => format!("clocks {apart_ms} ms apart"),
        About::MachineReset { done_dm } => format!("machine reset at {} m", done_dm.0 / 10),
    };
    format!("{name} {about} since {since}")
}

fn phase(phase: Phase, go: u64) -> String {
    match phase {
        Phase::Gathering => "gathering".to_owned(),
        Phase::Armed => "armed".to_owned(),
        Phase::Counting { go_at_ms } => format!("counting to {}", clock(go_at_ms, go)),
        Phase::Rowing { repeat, repeat_at_ms, .. } => {
            format!("rowing repeat {} since {}", repeat + 1, clock(repeat_at_ms, go))
        }
        Phase::Resting { next_repeat, next_at_ms, .. } => {
            format!("resting, repeat {} at {}", next_repeat + 1, clock(next_at_ms, go))
        }
        Phase::Closing { .. } => "closing".to_owned(),
        Phase::Finished { .. } => "finished".to_owned(),
        Phase::Stopped { stopped_at_ms, .. } => format!("stopped at {}", clock(stopped_at_ms, go)),
    }
}
