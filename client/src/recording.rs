//! Recorded pieces: one JSON object a line, plain or gzip; and samples as lines from any machine's
//! bridge.
//!
//! A recorded piece has its rows in order of arrival, some of them twice or late. A machine counts in order,
//! so here they are sorted and reported once.

use std::{
    fs::File,
    io::{BufRead, BufReader, Read},
    path::Path,
};

use flate2::read::MultiGzDecoder;
use serde::{Deserialize, Serialize};
use thole_protocol::{
    sample::Sample,
    spec::{Extent, Repeat, Target},
    units::{Decimetres, Millis, decimetres, millis},
};

use crate::rower::Row;

/// First two bytes of every gzip file (RFC 1952).
const GZIP: [u8; 2] = [0x1f, 0x8b];

/// One athlete's recorded piece.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Recording {
    /// Athlete in the piece.
    pub id: String,
    /// Who rowed together.
    #[serde(default)]
    pub group: String,
    /// `distance` (the result is a time) or `time` (the result is a distance).
    pub kind: Kind,
    /// Repeats.
    #[serde(default = "once")]
    pub reps: u32,
    /// Metres or seconds of one.
    pub rep_size: f64,
    /// Rest between them, seconds.
    #[serde(default)]
    pub rest_s: f64,
    /// Their own target for all the work, seconds or metres.
    #[serde(default)]
    pub target: Option<f64>,
    /// The plan: `even`, `start-settle-lift`, `negative`.
    #[serde(default)]
    pub plan: Option<String>,
    /// The plan as relative speeds.
    #[serde(default)]
    pub plan_speed: Vec<f64>,
    /// `[t_s, d_m, rate_spm, power_w, hr]`, in order of arrival.
    pub samples: Vec<Vec<Option<f64>>>,
    /// The true finish, seconds or metres.
    #[serde(default)]
    pub result: Option<f64>,
}

/// What a recorded piece is measured by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A fixed distance.
    Distance,
    /// A fixed time.
    Time,
}

fn once() -> u32 {
    1
}

/// One instant of a recording, work only.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Instant {
    t: f64,
    d: f64,
    rate: Option<f64>,
    power: Option<f64>,
    heart: Option<f64>,
}

impl Recording {
    /// Reads a file and takes one athlete from it: the one with this id, or the only one.
    ///
    /// # Errors
    /// A sentence that says what is wrong with the file or, if it is the id, which ids there are.
    pub fn load(path: &Path, athlete: Option<&str>) -> Result<Recording, String> {
        let mut found = read(path)?;
        match athlete {
            Some(id) => {
                let ids: Vec<String> = found.iter().take(6).map(|r| r.id.clone()).collect();
                found.into_iter().find(|r| r.id == id).ok_or_else(|| {
                    format!(
                        "{} has no athlete \"{id}\"; the first ones in it are {}.",
                        path.display(),
                        ids.join(", ")
                    )
                })
            }
            None if found.len() == 1 => Ok(found.swap_remove(0)),
            None => Err(format!(
                "{} holds {} pieces; name one with --athlete.",
                path.display(),
                found.len()
            )),
        }
    }

    /// Their own target.
    #[must_use]
    pub fn aim(&self) -> Option<Target> {
        let target = self.target?;
        Some(match self.kind {
            Kind::Distance => Target::Finish { finish_ms: millis(target * 1_000.0) },
            Kind::Time => Target::Distance { distance_dm: decimetres(target * 10.0) },
        })
    }

    /// The piece as it was rowed.
    #[must_use]
    pub fn repeats(&self) -> Vec<Repeat> {
        let work = match self.kind {
            Kind::Distance => Extent::Distance { distance_dm: decimetres(self.rep_size * 10.0) },
            Kind::Time => Extent::Time { time_ms: millis(self.rep_size * 1_000.0) },
        };
        (1..=self.reps)
            .map(|nth| {
                let rest_ms =
                    if nth == self.reps { Millis(0) } else { millis(self.rest_s * 1_000.0) };
                Repeat { work, rest_ms }
            })
            .collect()
    }

    /// All rows for a piece of these repeats; where the recording runs over the end of one, exactly that end
    /// is put in between. A recording that is too short leaves the athlete stopped there.
    #[must_use]
    pub fn rows(&self, repeats: &[Repeat]) -> Vec<Row> {
        let instants = self.instants();
        let mut cut = Cut::default();
        let mut before = Instant { t: 0.0, d: 0.0, rate: None, power: None, heart: None };
        for instant in instants {
            if !cut.takes(before, instant, repeats) {
                break;
            }
            before = instant;
        }
        cut.rows
    }

    /// In the order of the machine's counters, each once.
    fn instants(&self) -> Vec<Instant> {
        let mut instants: Vec<Instant> = self
            .samples
            .iter()
            .filter_map(|row| {
                let at = |n: usize| row.get(n).copied().flatten();
                Some(Instant { t: at(0)?, d: at(1)?, rate: at(2), power: at(3), heart: at(4) })
            })
            .filter(|row| row.t.is_finite() && row.d.is_finite() && row.t >= 0.0 && row.d >= 0.0)
            .collect();
        instants.sort_by(|a, b| a.t.total_cmp(&b.t).then(a.d.total_cmp(&b.d)));
        instants.dedup_by(|b, a| b.t == a.t && b.d == a.d);
        // The last row may have been lost; the record of the finish says where it was.
        let whole = self.rep_size * f64::from(self.reps);
        let end = self.result.map(|result| match self.kind {
            Kind::Distance => (result, whole),
            Kind::Time => (whole, result),
        });
        let last = instants.last().copied();
        if let (Some((t, d)), Some(last)) = (end, last) {
            let there = match self.kind {
                Kind::Distance => last.d >= d,
                Kind::Time => last.t >= t,
            };
            if !there && t > last.t && d >= last.d {
                instants.push(Instant { t, d, ..last });
            }
        }
        instants
    }
}

/// Cuts a recording of work into the repeats of a piece.
#[derive(Default)]
struct Cut {
    rows: Vec<Row>,
    repeat: usize,
    /// Where this repeat began in the recording.
    t0: f64,
    d0: f64,
}

impl Cut {
    /// Takes one instant; false when the piece is over.
    fn takes(&mut self, before: Instant, instant: Instant, repeats: &[Repeat]) -> bool {
        loop {
            let Some(repeat) = repeats.get(self.repeat) else { return false };
            let over = match repeat.work {
                Extent::Distance { distance_dm } => {
                    let end = self.d0 + f64::from(distance_dm.0) / 10.0;
                    share(before.d, instant.d, end)
                        .map(|share| (before.t + share * (instant.t - before.t), end))
                }
                Extent::Time { time_ms } => {
                    let end = self.t0 + f64::from(time_ms.0) / 1_000.0;
                    share(before.t, instant.t, end)
                        .map(|share| (end, before.d + share * (instant.d - before.d)))
                }
            };
            let Some((t, d)) = over else {
                self.push(instant, instant.t, instant.d, false);
                return true;
            };
            self.push(instant, t, d, true);
            (self.t0, self.d0) = (t, d);
            self.repeat += 1;
            if t >= instant.t && d >= instant.d {
                return self.repeat < repeats.len();
            }
        }
    }

    fn push(&mut self, instant: Instant, t: f64, d: f64, ends: bool) {
        let whole = |n: f64| u16::try_from(millis(n).0).unwrap_or(u16::MAX);
        self.rows.push(Row {
            repeat: u16::try_from(self.repeat).unwrap_or(u16::MAX),
            t_ms: millis((t - self.t0) * 1_000.0).0,
            d_dm: decimetres((d - self.d0) * 10.0).0,
            strokes: None,
            rate_half_spm: instant.rate.map(|rate| whole(rate * 2.0)),
            power_w: instant.power.map(whole),
            heart_bpm: instant.heart.map(whole),
            ends,
            reset: false,
        });
    }
}

/// Where between two numbers a third one is passed, as a share of the way; `None` if it is not.
fn share(from: f64, to: f64, end: f64) -> Option<f64> {
    (to >= end).then(|| if to > from { ((end - from) / (to - from)).clamp(0.0, 1.0) } else { 1.0 })
}

/// All recorded pieces of a file.
///
/// # Errors
/// A sentence that says which line of which file is wrong, and how.
pub fn read(path: &Path) -> Result<Vec<Recording>, String> {
    let name = path.display().to_string();
    let file = File::open(path).map_err(|e| format!("{name} cannot be read: {e}."))?;
    read_from(file, &name)
}

/// All recorded pieces in what is read, which people know by this name.
///
/// # Errors
/// As `read`.
pub fn read_from(file: impl Read, name: &str) -> Result<Vec<Recording>, String> {
    let unread = |e: std::io::Error| format!("{name} cannot be read: {e}.");
    let mut file = BufReader::new(file);
    let gzip = file.fill_buf().map_err(unread)?.starts_with(&GZIP);
    let text: Box<dyn Read + '_> =
        if gzip { Box::new(MultiGzDecoder::new(file)) } else { Box::new(file) };
    let mut recordings = Vec::new();
    for (nth, line) in BufReader::new(text).lines().enumerate() {
        let line = line.map_err(unread)?;
        if line.trim().is_empty() {
            continue;
        }
        let recording = serde_json::from_str(&line)
            .map_err(|e| format!("Line {} of {name} is not a recorded piece: {e}.", nth + 1))?;
        recordings.push(recording);
    }
    if recordings.is_empty() {
        return Err(format!("{name} holds no recorded piece."));
    }
    Ok(recordings)
}

/// One line of a machine's bridge: the fields of a sample, and a heart rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub struct BridgeLine {
    /// The machine's own distance counter.
    pub distance_dm: i64,
    /// The machine's own clock.
    #[serde(default)]
    pub elapsed_ms: Option<i64>,
    /// The machine's own stroke counter.
    #[serde(default)]
    pub strokes: Option<i64>,
    /// Rate, half strokes a minute.
    #[serde(default)]
    pub rate_half_spm: Option<i64>,
    /// Power of the stroke.
    #[serde(default)]
    pub power_w: Option<i64>,
    /// Heart rate.
    #[serde(default)]
    pub heart_bpm: Option<i64>,
}

impl BridgeLine {
    /// Reads one line.
    ///
    /// # Errors
    /// A sentence that says what to write.
    ///
    /// ```
    /// use thole::recording::BridgeLine;
    /// let line = BridgeLine::read(r#"{"distance_dm":171,"elapsed_ms":3900}"#).unwrap();
    /// assert_eq!((line.distance_dm, line.elapsed_ms), (171, Some(3900)));
    /// ```
    pub fn read(line: &str) -> Result<BridgeLine, String> {
        serde_json::from_str(line).map_err(|e| {
            format!("This is not a sample ({e}); write lines like {{\"distance_dm\":171,\"elapsed_ms\":3900}}.")
        })
    }

    /// As a sample heard at this instant; it is numbered when it is recorded.
    #[must_use]
    pub fn sample(&self, heard_ms: i64) -> Sample {
        Sample {
            seq: 0,
            heard_ms,
            distance_dm: self.distance_dm,
            elapsed_ms: self.elapsed_ms,
            strokes: self.strokes,
            rate_half_spm: self.rate_half_spm,
            power_w: self.power_w,
        }
    }
}

/// How much work a piece is, when all its repeats are by distance; otherwise `None`.
#[must_use]
pub fn whole_distance(repeats: &[Repeat]) -> Option<Decimetres> {
    repeats.iter().try_fold(Decimetres(0), |sum, repeat| match repeat.work {
        Extent::Distance { distance_dm } => Some(sum + distance_dm),
        Extent::Time { .. } => None,
    })
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;
    use crate::wording;

    const FIXTURE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/recorded.jsonl");

    fn load(id: &str) -> Recording {
        Recording::load(Path::new(FIXTURE), Some(id)).unwrap()
    }

    #[test]
    fn late_and_repeated_rows_are_put_in_order_and_told_once() {
        let late = load("late");
        let rows = late.rows(&late.repeats());
        let told: Vec<(u32, u32)> = rows.iter().map(|r| (r.t_ms, r.d_dm)).collect();
        assert_eq!(told, [(2_000, 60), (4_000, 150), (6_000, 240), (8_000, 330), (9_500, 400)]);
        assert!(rows.last().is_some_and(|r| r.ends));
        assert_eq!(rows[1].rate_half_spm, Some(53));
        assert_eq!((rows[1].power_w, rows[1].heart_bpm), (None, Some(141)));
    }

    #[test]
    fn the_end_of_a_repeat_is_put_in_where_it_was_passed() {
        // 2 x 35 m: at 8.0 s 33 m, at 9.5 s 40 m, so 35 m at 8.4286 s; the remainder belongs to the second.
        let rows = load("late").rows(&wording::repeats("2x35m/0:20").unwrap());
        let told: Vec<(u16, u32, u32, bool)> =
            rows.iter().map(|r| (r.repeat, r.t_ms, r.d_dm, r.ends)).collect();
        assert_eq!(told[4..], [(0, 8_429, 350, true), (1, 1_071, 50, false)]);
    }

    #[test]
    fn time_pieces_end_at_the_second() {
        let recording = load("timed");
        let rows = recording.rows(&recording.repeats());
        let ends: Vec<(u32, u32)> =
            rows.iter().filter(|r| r.ends).map(|r| (r.t_ms, r.d_dm)).collect();
        assert_eq!(ends, [(3_000, 110), (3_000, 125)]);
    }

    #[test]
    fn a_lost_last_row_is_made_up_from_the_result() {
        let recording = load("cut");
        let rows = recording.rows(&recording.repeats());
        let last = rows.last().unwrap();
        assert_eq!((last.t_ms, last.d_dm, last.ends), (9_140, 400, true));
        assert_eq!(recording.aim(), Some(Target::Finish { finish_ms: Millis(9_000) }));
    }

    #[test]
    fn gzip_reads_like_plain_text_and_a_wrong_line_is_named() {
        let folder = std::env::temp_dir().join(format!("recorded-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("recorded.jsonl.gz");
        let mut gzip = flate2::write::GzEncoder::new(
            File::create(&path).unwrap(),
            flate2::Compression::fast(),
        );
        gzip.write_all(&std::fs::read(FIXTURE).unwrap()).unwrap();
        gzip.finish().unwrap();
        assert_eq!(read(&path), read(Path::new(FIXTURE)));
        let wrong = folder.join("wrong.jsonl");
        std::fs::write(&wrong, "\n{\"id\":3}\n").unwrap();
        let says = read(&wrong).expect_err("no piece");
        assert!(says.starts_with("Line 2 of "), "{says}");
        std::fs::remove_dir_all(&folder).unwrap();
        let says = Recording::load(Path::new(FIXTURE), None).expect_err("several");
        assert!(says.contains("--athlete"), "{says}");
        let says = Recording::load(Path::new(FIXTURE), Some("ida")).expect_err("nobody");
        assert!(says.contains("late, timed, cut"), "{says}");
    }

    #[test]
    fn a_line_of_a_bridge_needs_a_distance_and_nothing_else() {
        let line =
            BridgeLine::read(r#"{"distance_dm":512,"heart_bpm":133,"mood":"good"}"#).unwrap();
        assert_eq!(line.sample(70_000).distance_dm, 512);
        assert_eq!(line.heart_bpm, Some(133));
        assert!(BridgeLine::read("{}").expect_err("empty").contains("distance_dm"));
    }
}
