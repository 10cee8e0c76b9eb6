//! Standings and results as lines of text, for a terminal.

use std::collections::BTreeMap;

use thole_protocol::{
    ids::AthleteId,
    results_table::{mark_text, ruling_texts},
    shown::{Tenths, distance_text, pace_text, time_text, total_text},
    spec::Ranking,
    standing::{
        AthleteResult, Doing, Instead, Line, Mark, Notice, Outcome, Projected, Standings, TeamLine,
    },
    total::{Gap, Margin, Total},
    units::{Decimetres, Millis},
};

/// Longest name that keeps the columns straight.
const NAME_WIDTH: usize = 20;

/// Who stands where: place, name, margin, projected finish, what they are doing; then the teams.
#[must_use]
pub fn standings_text(
    standings: &Standings,
    names: &BTreeMap<AthleteId, String>,
    ranking: Ranking,
) -> String {
    let mut text = String::new();
    for line in &standings.lines {
        text.push_str(&line_text(line, names, ranking));
        text.push('\n');
    }
    for team in &standings.teams {
        text.push_str(&team_text(team, ranking, &standings.lines));
        text.push('\n');
    }
    text
}

fn line_text(line: &Line, names: &BTreeMap<AthleteId, String>, ranking: Ranking) -> String {
    let place = line.place.map_or("-".into(), |place| place.to_string());
    let margin = line.margin.map_or(String::new(), |margin| margin_text(margin, ranking));
    let projected = line.projected.map_or(String::new(), projected_text);
    let why = match line.instead {
        Some(Instead::Settling) => ", settling",
        Some(Instead::Missed) => ", missed repeats",
        Some(Instead::Untargeted) => ", no target",
        Some(Instead::Unranked) => ", out of competition",
        Some(Instead::Excluded) => ", excluded",
        // What they are doing says it.
        Some(Instead::Unheard | Instead::Here | Instead::Away | Instead::Stopped) | None => "",
    };
    let not_heard = if line.not_heard { ", not heard" } else { "" };
    let done = u64::from(line.share_permille) / 10;
    format!(
        "{place:>3}  {:<NAME_WIDTH$} {margin:>9}  {projected:<20} {done:>3} %  {}{why}{not_heard}",
        short(name_of(line.athlete, names)),
        doing_text(line.doing),
    )
    .trim_end()
    .to_owned()
}

fn team_text(team: &TeamLine, ranking: Ranking, lines: &[Line]) -> String {
    let place = team.place.map_or("-".into(), |place| place.to_string());
    let by_time = lines.iter().any(|l| l.margin.is_some_and(|m| m.gap.dm().is_some()));
    // Once somebody has a place, a team without one has fewer who have than count.
    let is_ranked = lines.iter().any(|line| line.place.is_some());
    let none = if is_ranked { "too few with a place" } else { "not ranked yet" };
    let mean = team.mean_margin.map_or(none.into(), |mean| match (ranking, by_time) {
        (Ranking::Share, _) => share_text(mean),
        (Ranking::Amount, false) => format!("{} s", tenths_text(mean, 100)),
        (Ranking::Amount, true) => format!("{} m", tenths_text(mean, 1)),
    });
    let of = if team.counted == 0 { String::new() } else { format!("  mean of {}", team.counted) };
    format!("{place:>3}  team {:<15} {mean:>9}{of}", short(&team.team))
}

/// A margin as the session ranks by it: `+1.2 %`, `-3.4 s`, `+12 m`; plus is ahead.
#[must_use]
pub fn margin_text(margin: Margin, ranking: Ranking) -> String {
    match (ranking, margin.gap) {
        (Ranking::Amount, Gap::Time(ms)) => format!("{} s", tenths_text(ms, 100)),
        (Ranking::Amount, Gap::Distance(dm)) => format!("{} m", tenths_text(dm, 1)),
        (Ranking::Share, _) => share_text(i64::from(margin.margin_ppm.0)),
    }
}

/// A projection with half its 80 % interval: `9:06.1 +- 3.2 s`, `4120m +- 15 m`.
#[must_use]
pub fn projected_text(projected: Projected) -> String {
    let finish = total_text(projected.finish);
    match (projected.low, projected.high) {
        (Total::Time { finish_ms: low }, Total::Time { finish_ms: high }) => {
            let half = i64::from(high.0.saturating_sub(low.0) / 2);
            let tenths = (half + 50) / 100;
            if tenths == 0 {
                finish
            } else {
                format!("{finish} +- {}.{} s", tenths / 10, tenths % 10)
            }
        }
        (Total::Distance { distance_dm: low }, Total::Distance { distance_dm: high }) => {
            let half = (high.0.saturating_sub(low.0) / 2 + 5) / 10;
            if half == 0 { finish } else { format!("{finish} +- {half} m") }
        }
        _ => finish,
    }
}

/// One athlete's result in one line.
#[must_use]
pub fn result_text(
    result: &AthleteResult,
    names: &BTreeMap<AthleteId, String>,
    ranking: Ranking,
) -> String {
    let place = result.place.map_or("-".into(), |place| place.to_string());
    let rowed = result.distance_dm.0 > 0;
    let finish = result.shown.map_or_else(
        || {
            if !rowed {
                return String::new();
            }
            let rowed = distance_text(whole_metres(result.distance_dm));
            format!("{rowed} in {}", time_text(result.time_ms, Tenths::Always))
        },
        total_text,
    );
    let margin = result.margin.map_or(String::new(), |margin| margin_text(margin, ranking));
    let outcome = match result.outcome {
        Outcome::Finished => "",
        Outcome::Stopped => "stopped",
        // Somebody who was cut off has stopped along with everybody else.
        Outcome::Unfinished => "stopped",
        Outcome::Unheard => "not heard to the end",
        Outcome::DidNotStart => "did not start",
    };
    let heading = result.estimate.map(|heading| format!("was heading for {}", total_text(heading)));
    let rulings = ruling_texts(&result.ruling);
    let is_ruled_out = result.ruling.unplaced.is_some();
    let marks = result.marks.iter().filter(|mark| !(is_ruled_out && **mark == Mark::Unranked));
    let says: Vec<&str> = std::iter::once(outcome)
        .chain(rulings.iter().map(AsRef::as_ref))
        .chain(heading.as_deref())
        .chain(marks.map(|mark| mark_text(*mark)))
        .filter(|says| !says.is_empty())
        .collect();
    format!(
        "{place:>3}  {:<NAME_WIDTH$} {finish:<18} {margin:>9}  {}",
        short(name_of(result.athlete, names)),
        says.join("; ")
    )
    .trim_end()
    .to_owned()
}

/// One notice in one sentence, with the numbers behind it.
#[must_use]
pub fn notice_text(notice: &Notice, names: &BTreeMap<AthleteId, String>) -> String {
    use thole_protocol::standing::About;
    let pace = |ms: Millis| pace_text(ms);
    let rate = |half: thole_protocol::units::HalfSpm| f64::from(half.0) / 2.0;
    let at = |dm: Decimetres| distance_text(whole_metres(dm));
    let about = match notice.about {
        About::Stopped { done_dm } => format!("has stopped after {}", at(done_dm)),
        About::StoppedUnheard { done_dm, .. } => format!(
            "stopped after {} and has not been heard for a minute; look after them, or have somebody call",
            at(done_dm)
        ),
        About::NotHeard { .. } => "is not heard".into(),
        About::HeartRate { heart_bpm, limit_bpm } => {
            format!("has a heart rate of {heart_bpm}, over the limit of {limit_bpm}")
        }
        About::Fading { now_per_500m_ms, before_per_500m_ms, enough_per_500m_ms } => format!(
            "is fading: {} after {}, and {} is enough",
            pace(now_per_500m_ms),
            pace(before_per_500m_ms),
            pace(enough_per_500m_ms)
        ),
        About::TooFast { now_per_500m_ms, plan_per_500m_ms } => format!(
            "is too fast too soon: {} where the plan has {}",
            pace(now_per_500m_ms),
            pace(plan_per_500m_ms)
        ),
        About::RateNoFaster {
            rate_half_spm,
            before_half_spm,
            now_per_500m_ms,
            before_per_500m_ms,
        } => format!(
            "has the rate up from {} to {} and is no faster: {} after {}",
            rate(before_half_spm),
            rate(rate_half_spm),
            pace(now_per_500m_ms),
            pace(before_per_500m_ms)
        ),
        About::TargetFarOff { target, heading } => format!(
            "is heading for {}, far from the target of {}; ask whether that is the right one",
            total_text(heading),
            total_text(target)
        ),
        About::ClocksApart { apart_ms } => format!(
            "has a machine whose clock and the session's ran {}.{} s apart: the times may be wrong",
            apart_ms.unsigned_abs() / 1_000,
            apart_ms.unsigned_abs() % 1_000 / 100
        ),
        About::MachineReset { done_dm } => {
            format!("has a machine that was reset at {}; the parts are joined", at(done_dm))
        }
    };
    format!("{} {about}.", name_of(notice.athlete, names))
}

/// What somebody is doing, in a word.
#[must_use]
pub fn doing_text(doing: Doing) -> &'static str {
    match doing {
        Doing::Away => "away",
        Doing::Here => "here",
        Doing::Rowing => "rowing",
        Doing::Stopped => "stopped",
        Doing::Finished => "finished",
    }
}

/// Of somebody on the way, tenths of a metre are noise.
fn whole_metres(Decimetres(dm): Decimetres) -> Decimetres {
    Decimetres(dm / 10 * 10)
}

fn name_of(athlete: AthleteId, names: &BTreeMap<AthleteId, String>) -> &str {
    names.get(&athlete).map_or("?", String::as_str)
}

fn short(name: &str) -> String {
    if name.chars().count() <= NAME_WIDTH {
        return name.to_owned();
    }
    name.chars().take(NAME_WIDTH - 1).chain(['…']).collect()
}

fn share_text(ppm: i64) -> String {
    // Millionths to tenths of a per cent.
    format!("{} %", tenths_text(ppm, 1_000))
}

/// A signed number with one tenth, rounded once: `of` units are a tenth.
fn tenths_text(number: i64, of: i64) -> String {
    let tenths = (number.abs() + of / 2) / of;
    let sign = match number.signum() {
        _ if tenths == 0 => "",
        -1 => "-",
        _ => "+",
    };
    format!("{sign}{}.{}", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use thole_protocol::units::Ppm;
    use uuid::Uuid;

    use super::*;

    fn margin(ppm: i32, ms: i64) -> Margin {
        Margin { margin_ppm: Ppm(ppm), gap: Gap::Time(ms) }
    }

    #[test]
    fn margins_say_ahead_with_a_plus_and_nothing_when_they_are_nothing() {
        assert_eq!(margin_text(margin(11_111, 4_000), Ranking::Share), "+1.1 %");
        assert_eq!(margin_text(margin(-2_500, -1_249), Ranking::Amount), "-1.2 s");
        assert_eq!(margin_text(margin(-400, -40), Ranking::Share), "0.0 %");
        let metres = Margin { margin_ppm: Ppm(3), gap: Gap::Distance(124) };
        assert_eq!(margin_text(metres, Ranking::Amount), "+12.4 m");
    }

    #[test]
    fn a_projection_says_how_sure_it_is() {
        let at = |ms| Total::Time { finish_ms: Millis(ms) };
        let projected = Projected {
            finish: at(546_100),
            low: at(543_000),
            high: at(549_400),
            chance_permille: None,
        };
        assert_eq!(projected_text(projected), "9:06.1 +- 3.2 s");
        let metres = |m: u32| Total::Distance { distance_dm: Decimetres(m * 10) };
        let projected = Projected {
            finish: metres(3_120),
            low: metres(3_120),
            high: metres(3_120),
            chance_permille: None,
        };
        assert_eq!(projected_text(projected), "3120m");
    }

    #[test]
    fn a_line_has_place_name_margin_projection_and_state() {
        let ida = AthleteId(Uuid::from_u128(1));
        let names = BTreeMap::from([(ida, "Ida Fenn-Marlowe of the Harbour".to_owned())]);
        let line = Line {
            athlete: ida,
            place: Some(2),
            instead: None,
            doing: Doing::Rowing,
            not_heard: true,
            margin: Some(margin(12_000, 5_400)),
            against_target: None,
            projected: None,
            done_dm: Decimetres(6_000),
            elapsed_ms: Millis(150_000),
            share_permille: 352,
        };
        let standings = Standings { lines: vec![line], ..Standings::default() };
        let text = standings_text(&standings, &names, Ranking::Share);
        let words: Vec<&str> = text.split_whitespace().collect();
        assert_eq!(
            words,
            ["2", "Ida", "Fenn-Marlowe", "of…", "+1.2", "%", "35", "%", "rowing,", "not", "heard"]
        );
    }
}
