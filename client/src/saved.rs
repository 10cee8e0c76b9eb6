//! What was rowed here as a recorded piece, one line of JSON, as `thole row --from` and `thole-server replay` read it:
//! for when the server has lost it. The pages write by the same rule (`client/web/src/session/recording.ts`);
//! `protocol/cases/saved.json` holds both to it.

use serde::{Deserialize, Serialize};
use thole_protocol::{
    sample::Sample,
    spec::{Extent, Repeat, Target},
    units::At,
};

use crate::recording::Kind;

/// A counter that falls by no more than this was rounded by the machine, not reset.
const JITTER_DM: i64 = 20;
/// No piece is shorter.
const DISTANCE_LEAST_M: f64 = 100.0;

/// Who rowed what.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct Whose {
    /// The athlete.
    pub id: String,
    /// The join code: who rowed together.
    pub group: String,
    /// Empty as long as it is not known what is rowed.
    pub repeats: Vec<Repeat>,
    /// Their own target.
    pub target: Option<Target>,
    /// `None` without a go.
    pub go_at_ms: Option<At>,
}

/// One line of a file of recorded pieces.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Saved {
    id: String,
    group: String,
    kind: Kind,
    reps: u32,
    rep_size: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    target: Option<f64>,
    /// Seconds and metres since the go, strokes a minute, watts.
    samples: Vec<(f64, f64, Option<f64>, Option<f64>)>,
}

/// The recording as a line; `None` when nothing was rowed.
#[must_use]
pub fn saved<'a>(whose: &Whose, samples: impl Iterator<Item = &'a Sample>) -> Option<Saved> {
    let rows = joined(samples);
    let first = rows.first()?;
    let go = whose.go_at_ms.map(|At(go)| i64::try_from(go).unwrap_or(i64::MAX));
    let before = |row: &&(Sample, i64)| go.is_some_and(|go| row.0.heard_ms <= go);
    let from_ms = go.unwrap_or(first.0.heard_ms);
    let from_dm = rows.iter().rfind(before).unwrap_or(first).1;
    let told: Vec<_> = rows
        .iter()
        .filter(|row| !before(row))
        .map(|(sample, dm)| {
            let seconds = float(sample.heard_ms - from_ms) / 1e3;
            let rate = sample.rate_half_spm.map(|rate| float(rate) / 2.0);
            (seconds, float(dm - from_dm) / 10.0, rate, sample.power_w.map(float))
        })
        .collect();
    let metres = told.last()?.1;
    let (kind, rep_size, target) = work(whose, metres);
    let (id, group) = (whose.id.clone(), whose.group.clone());
    Some(Saved { id, group, kind, reps: 1, rep_size, target, samples: told })
}

impl Saved {
    /// How far it goes.
    #[must_use]
    pub fn metres(&self) -> f64 {
        self.samples.last().map_or(0.0, |last| last.1)
    }
}

/// The piece if it is one stretch of work; otherwise everything that was rowed counts as one, rests and all.
fn work(whose: &Whose, metres: f64) -> (Kind, f64, Option<f64>) {
    let [one] = whose.repeats.as_slice() else {
        return (Kind::Distance, metres.ceil().max(DISTANCE_LEAST_M), None);
    };
    match (one.work, whose.target) {
        (Extent::Distance { distance_dm }, target) => {
            let finish = match target {
                Some(Target::Finish { finish_ms }) => Some(f64::from(finish_ms.0) / 1e3),
                Some(Target::Distance { .. } | Target::Pace { .. }) | None => None,
            };
            (Kind::Distance, f64::from(distance_dm.0) / 10.0, finish)
        }
        (Extent::Time { time_ms }, target) => {
            let distance = match target {
                Some(Target::Distance { distance_dm }) => Some(f64::from(distance_dm.0) / 10.0),
                Some(Target::Finish { .. } | Target::Pace { .. }) | None => None,
            };
            (Kind::Time, f64::from(time_ms.0) / 1e3, distance)
        }
    }
}

/// In order, with the machine's distance as one count that never runs back.
fn joined<'a>(samples: impl Iterator<Item = &'a Sample>) -> Vec<(Sample, i64)> {
    let mut samples: Vec<Sample> = samples.copied().collect();
    samples.sort_by_key(|sample| sample.seq);
    let (mut offset, mut shown) = (0_i64, 0_i64);
    samples
        .into_iter()
        .map(|sample| {
            let fell = shown.saturating_sub(sample.distance_dm);
            if fell > JITTER_DM {
                offset = offset.saturating_add(shown);
            }
            shown = if (1..=JITTER_DM).contains(&fell) { shown } else { sample.distance_dm };
            (sample, offset.saturating_add(shown))
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
fn float(whole: i64) -> f64 {
    whole as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording;

    const CASES: &str = include_str!("../../protocol/cases/saved.json");

    #[derive(Deserialize)]
    struct Case {
        name: String,
        whose: Whose,
        samples: Vec<Sample>,
        recorded: Saved,
    }

    #[test]
    fn what_is_saved_is_what_the_pages_save_and_what_this_program_rows_again() {
        let cases: Vec<Case> = serde_json::from_str(CASES).unwrap();
        assert!(cases.len() > 3);
        for Case { name, whose, samples, recorded } in cases {
            let saved = saved(&whose, samples.iter()).expect(&name);
            assert_eq!(saved, recorded, "{name}");
            let line = serde_json::to_string(&saved).unwrap();
            let read = recording::read_from(line.as_bytes(), &name).unwrap();
            let [read] = read.as_slice() else { panic!("{name}: one piece") };
            let rows = read.rows(&read.repeats());
            let last = rows.last().expect(&name);
            assert_eq!(f64::from(last.d_dm), (saved.metres() * 10.0).round(), "{name}");
            assert_eq!(read.aim().is_some(), recorded.target.is_some(), "{name}");
        }
    }

    #[test]
    fn where_nothing_was_rowed_there_is_nothing_to_save() {
        let whose = Whose { go_at_ms: Some(At(5_000)), ..Whose::default() };
        let waits = Sample { seq: 1, heard_ms: 4_000, distance_dm: 70, ..Sample::default() };
        assert_eq!(saved(&whose, [].iter()), None);
        assert_eq!(saved(&whose, [waits].iter()), None);
    }
}
