//! Whether anybody can have rowed what somebody says was rowed, and what was probably meant.

use thole_piece::{
    limits::{Measure, implausible_mean},
    standings,
};
use thole_protocol::{
    shown::repeats_text,
    spec::{Extent, PieceSpec, Repeat},
    total::Total,
    units::{Decimetres, Millis, decimetres, millis},
};

use crate::{ClubDay, rowed::total_words};

/// Slower than this nobody is known to row, seconds for 500 m: as the questions about targets have it.
const SLOWEST_S: f64 = 240.0;
/// A pace between these, seconds for 500 m, is a usual one (common practice, no source).
const USUAL_S: std::ops::RangeInclusive<f64> = 80.0..=180.0;
/// Distances that are rowed often, most usual first (common practice, no source), metres.
const OFTEN_M: [u32; 10] = [2_000, 5_000, 500, 1_000, 6_000, 10_000, 3_000, 1_500, 4_000, 250];
/// Before this no club has kept results of a machine: a year with two figures, or a slip.
const FIRST_YEAR: &str = "1950-01-01";

/// What was rowed of a whole piece, as it is said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claim {
    /// The piece.
    pub repeats: Vec<Repeat>,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
}

/// Why a result is doubtful.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// Nobody has ever been so fast.
    Fastest,
    /// Nobody is known to be so slow; somebody may all the same be.
    Slowest,
}

/// A claim that is beyond what people row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unlikely {
    /// In which way.
    pub beyond: Beyond,
    /// The same as a sentence.
    pub says: String,
    /// What was probably meant, in words and as it would be kept.
    pub meant: Option<(String, Claim)>,
}

impl Unlikely {
    /// All of it for whoever typed it.
    #[must_use]
    pub fn asked(&self) -> String {
        let meant = self.meant.as_ref();
        let meant = meant.map(|(words, _)| format!(" Meant: {words}?")).unwrap_or_default();
        format!("{}{meant}", self.says)
    }
}

/// What is doubtful about a claim, if anything is.
#[must_use]
pub fn unlikely(claim: &Claim) -> Option<Unlikely> {
    let metres = f64::from(claim.distance_dm.0) / 1e1;
    let seconds = f64::from(claim.time_ms.0) / 1e3;
    let is_slow = seconds * 500.0 / metres > SLOWEST_S;
    if !is_slow && !implausible_mean(metres, seconds) {
        return None;
    }
    let (beyond, than) =
        if is_slow { (Beyond::Slowest, "slower") } else { (Beyond::Fastest, "faster") };
    let says = format!("{} is {than} than anybody is known to row.", of_it(claim));
    Some(Unlikely { beyond, says, meant: meant(claim) })
}

/// Why nobody can have rowed on a day: none has come yet, or there were no such machines.
#[must_use]
pub fn odd_day(day: &ClubDay, today: &ClubDay) -> Option<String> {
    if day > today {
        return Some(format!("{day} is in the future: is the year right?"));
    }
    (day.as_str() < FIRST_YEAR).then(|| format!("{day} is long ago: is the year right?"))
}

fn total(claim: &Claim) -> Total {
    match Measure::of(&PieceSpec::of(claim.repeats.clone())) {
        Some(Measure::Time(_)) => Total::Distance { distance_dm: claim.distance_dm },
        Some(Measure::Distance(_)) | None => Total::Time { finish_ms: claim.time_ms },
    }
}

/// A pace, minutes that stand for hours, another distance, a nought.
fn meant(claim: &Claim) -> Option<(String, Claim)> {
    let metres = f64::from(claim.distance_dm.0) / 1e1;
    let total = total(claim);
    match total {
        Total::Time { finish_ms } => {
            let as_pace = f64::from(finish_ms.0) / 1e3;
            if USUAL_S.contains(&as_pace) && !is_single(&claim.repeats, 500) {
                let time_ms = millis(as_pace * metres * 2.0);
                let whole = total_words(standings::as_shown(Total::Time { finish_ms: time_ms }));
                let words = format!("{} a 500 m, which is {whole}", total_words(total));
                return Some((words, Claim { time_ms, ..claim.clone() }));
            }
            let time_ms = Millis(finish_ms.0 / 60);
            if USUAL_S.contains(&(f64::from(time_ms.0) / 2.0 / metres)) {
                let words = total_words(Total::Time { finish_ms: time_ms });
                let words = format!("{words}: minutes stand for hours");
                return Some((words, Claim { time_ms, ..claim.clone() }));
            }
            let [Repeat { work: Extent::Distance { .. }, .. }] = claim.repeats.as_slice() else {
                return None;
            };
            let fits = |whole: &&u32| {
                USUAL_S.contains(&(f64::from(finish_ms.0) / 2.0 / f64::from(**whole)))
            };
            let distance_dm = Decimetres(10 * OFTEN_M.iter().find(fits)?);
            let repeats =
                vec![Repeat { work: Extent::Distance { distance_dm }, rest_ms: Millis(0) }];
            let words = format!("{} for {}", total_words(total), repeats_text(&repeats));
            Some((words, Claim { repeats, distance_dm, ..claim.clone() }))
        }
        Total::Distance { distance_dm } => {
            let with_nought = decimetres(f64::from(distance_dm.0) * 1e1);
            let pace = f64::from(claim.time_ms.0) / 1e3 * 500.0 / (f64::from(with_nought.0) / 1e1);
            USUAL_S.contains(&pace).then(|| {
                let words = total_words(Total::Distance { distance_dm: with_nought });
                let words = format!("{words}: a nought is missing");
                (words, Claim { distance_dm: with_nought, ..claim.clone() })
            })
        }
    }
}

fn is_single(repeats: &[Repeat], metres: u32) -> bool {
    matches!(repeats, [Repeat { work: Extent::Distance { distance_dm }, .. }] if distance_dm.0 == 10 * metres)
}

/// `7:40.0 for 500m`, `2400m in 20min`.
fn of_it(claim: &Claim) -> String {
    let total = total(claim);
    let by = match total {
        Total::Distance { .. } => "in",
        Total::Time { .. } => "for",
    };
    format!("{} {by} {}", total_words(total), repeats_text(&claim.repeats))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rowed::{read_piece, read_total, work};

    #[test]
    fn what_nobody_rows_is_said_with_what_was_probably_meant() {
        for (piece, result, beyond, says) in [
            (
                "2000m",
                "1:10",
                Some(Beyond::Fastest),
                "1:10.0 for 2000m is faster than anybody is known to row.",
            ),
            ("2000m", "1:45", Some(Beyond::Fastest), "Meant: 1:45.0 a 500 m, which is 7:00.0?"),
            ("500m", "7:40", Some(Beyond::Slowest), "Meant: 7:40.0 for 2000m?"),
            ("2000m", "7:42:00", Some(Beyond::Slowest), "Meant: 7:42.0: minutes stand for hours?"),
            ("20min", "480m", Some(Beyond::Slowest), "Meant: 4800m: a nought is missing?"),
            ("2000m", "7:00", None, ""),
            ("2000m", "15:59", None, ""),
        ] {
            let repeats = read_piece(piece).unwrap();
            let (time_ms, distance_dm) =
                work(&repeats, read_total(result, &repeats).unwrap()).unwrap();
            let found = unlikely(&Claim { repeats, time_ms, distance_dm });
            assert_eq!(found.as_ref().map(|found| found.beyond), beyond, "{result} for {piece}");
            let told = found.map(|found| found.asked()).unwrap_or_default();
            assert!(told.contains(says), "{result} for {piece}: {told}");
        }
    }
}
