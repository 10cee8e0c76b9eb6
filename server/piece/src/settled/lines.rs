//! The standings every five seconds of a piece, in a few bytes per athlete and line.
//!
//! A line is the milliseconds since the line before it (for the first: since the session was created), the number
//! of seats that it covers, and for each of them in order: by how much the place has changed (0 means no place);
//! and if there is a place now, by how much the margin has changed in millionths, and by how much the distance
//! rowed since the line before differs from the step before that, in decimetres. All of them are numbers of
//! variable length.
//! since the line before differs from the step before that, in decimetres. All of them are numbers of variable length.

use data_encoding::BASE64URL_NOPAD;
use integer_encoding::VarInt;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use thole_protocol::units::{At, Decimetres, Millis, Ppm};

use super::SeatNo;

/// A line this often: how closely the order on the screens can be followed (`design`: every 5 s).
const LINE_EVERY: Millis = Millis(5_000);
/// 5,000 athletes fill less than half of it in half an hour; what comes after it is not recorded, and `cut` says
/// so.
const LINES_BYTES_MAX: usize = 16 << 20;

/// The standings of a piece, line by line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lines {
    /// Packed as the head of this file describes; base64url in JSON.
    #[serde(serialize_with = "as_text", deserialize_with = "from_text")]
    packed: Vec<u8>,
    /// Whether the piece went on after there was no room for more lines.
    #[serde(default)]
    pub cut: bool,
}

/// The standings of one instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StandingsLine {
    /// When.
    pub at_ms: At,
    /// Those who had a place, by their seats.
    pub ranked: Vec<RankedSeat>,
}

/// One athlete in the standings of one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RankedSeat {
    /// Whose.
    pub seat: SeatNo,
    /// 1, 2, 2, 4.
    pub place: u32,
    /// Projected against their own target; plus is ahead.
    pub margin_ppm: Ppm,
    /// Work done.
    pub done_dm: Decimetres,
}

/// Collects the lines while a piece is rowed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recorder {
    packed: Vec<u8>,
    cut: bool,
    /// The instant of the last line.
    at: u64,
    /// By seat.
    before: Vec<LastRank>,
}

/// What the next line of a seat is stored relative to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct LastRank {
    place: u32,
    margin_ppm: i32,
    done_dm: u32,
    step_dm: i32,
}

impl LastRank {
    /// What is expected to be done one line later.
    fn ahead(self) -> i64 {
        i64::from(self.done_dm) + i64::from(self.step_dm)
    }

    fn after(self, ranked: &RankedSeat) -> LastRank {
        let step = i64::from(ranked.done_dm.0) - i64::from(self.done_dm);
        LastRank {
            place: ranked.place,
            margin_ppm: ranked.margin_ppm.0,
            done_dm: ranked.done_dm.0,
            step_dm: i32::try_from(step).unwrap_or(0),
        }
    }
}

impl Recorder {
    /// Whether it is time for a line.
    #[must_use]
    pub fn is_due(&self, now: At) -> bool {
        !self.cut && (self.packed.is_empty() || now.since(At(self.at)) >= LINE_EVERY)
    }

    /// Takes the standings of this instant; `ranked` in any order.
    pub fn line(&mut self, now: At, mut ranked: Vec<RankedSeat>) {
        ranked.sort_unstable_by_key(|ranked| ranked.seat);
        let highest = ranked.last().and_then(|ranked| usize::try_from(ranked.seat.0).ok());
        let seats = highest.map_or(0, |seat| seat + 1).max(self.before.len());
        self.before.resize(seats, LastRank::default());
        let start = self.packed.len();
        put(&mut self.packed, now.0.saturating_sub(self.at));
        put(&mut self.packed, seats as u64);
        let mut ranked = ranked.iter().peekable();
        for (seat, before) in (0..).zip(&mut self.before) {
            let here = ranked.next_if(|ranked| ranked.seat == SeatNo(seat));
            let place = here.map_or(0, |here| here.place);
            put(&mut self.packed, i64::from(place) - i64::from(before.place));
            let Some(here) = here else {
                before.place = 0;
                continue;
            };
            put(&mut self.packed, i64::from(here.margin_ppm.0) - i64::from(before.margin_ppm));
            put(&mut self.packed, i64::from(here.done_dm.0) - before.ahead());
            *before = before.after(here);
        }
        self.at = now.0;
        if self.packed.len() > LINES_BYTES_MAX {
            self.packed.truncate(start);
            self.cut = true;
        }
    }

    /// The lines so far.
    #[must_use]
    pub fn lines(&self) -> Lines {
        Lines { packed: self.packed.clone(), cut: self.cut }
    }
}

impl Lines {
    /// Line by line; ends where what is kept cannot be read.
    #[must_use]
    pub fn read(&self) -> Vec<StandingsLine> {
        let mut unpacked = ReadLines { bytes: &self.packed, at: 0, before: Vec::new() };
        std::iter::from_fn(|| unpacked.line()).collect()
    }
}

struct ReadLines<'a> {
    bytes: &'a [u8],
    at: u64,
    before: Vec<LastRank>,
}

impl ReadLines<'_> {
    fn line(&mut self) -> Option<StandingsLine> {
        let since: u64 = self.take()?;
        self.at = self.at.checked_add(since)?;
        let seats: u64 = self.take()?;
        // Each seat takes at least a byte: more seats than bytes means damage, and no memory is reserved for
        // it.
        let seats = usize::try_from(seats).ok().filter(|seats| *seats <= self.bytes.len())?;
        self.before.resize(seats.max(self.before.len()), LastRank::default());
        let mut ranked = Vec::new();
        for (seat, at) in (0..).zip(0..seats) {
            let before = *self.before.get(at)?;
            let place = i64::from(before.place).checked_add(self.take()?)?;
            let place = u32::try_from(place).ok()?;
            let after = if place == 0 {
                LastRank { place, ..before }
            } else {
                let margin = i64::from(before.margin_ppm).checked_add(self.take()?)?;
                let done = before.ahead().checked_add(self.take()?)?;
                let here = RankedSeat {
                    seat: SeatNo(seat),
                    place,
                    margin_ppm: Ppm(i32::try_from(margin).ok()?),
                    done_dm: Decimetres(u32::try_from(done).ok()?),
                };
                ranked.push(here);
                before.after(&here)
            };
            *self.before.get_mut(at)? = after;
        }
        Some(StandingsLine { at_ms: At(self.at), ranked })
    }

    fn take<T: VarInt>(&mut self) -> Option<T> {
        let (number, length) = T::decode_var(self.bytes)?;
        self.bytes = self.bytes.get(length..)?;
        Some(number)
    }
}

fn put(packed: &mut Vec<u8>, number: impl VarInt) {
    let mut bytes = [0; 10];
    let length = number.encode_var(&mut bytes);
    packed.extend_from_slice(bytes.get(..length).unwrap_or_default());
}

fn as_text<S: Serializer>(packed: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&BASE64URL_NOPAD.encode(packed))
}

fn from_text<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u8>, D::Error> {
    let text = String::deserialize(deserializer)?;
    BASE64URL_NOPAD.decode(text.as_bytes()).map_err(D::Error::custom)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn recorded(lines: &[StandingsLine]) -> Lines {
        let mut recorder = Recorder::default();
        for line in lines {
            recorder.line(line.at_ms, line.ranked.clone());
        }
        recorder.lines()
    }

    fn any_ranked() -> impl Strategy<Value = Vec<RankedSeat>> {
        let one = (0u32..12, 1u32..=u32::MAX, any::<i32>(), any::<u32>());
        prop::collection::vec(one, 0..12).prop_map(|all| {
            let by_seat: std::collections::BTreeMap<u32, _> =
                all.into_iter().map(|one| (one.0, one)).collect();
            let ranked = by_seat.into_values().map(|(seat, place, ppm, dm)| RankedSeat {
                seat: SeatNo(seat),
                place,
                margin_ppm: Ppm(ppm),
                done_dm: Decimetres(dm),
            });
            ranked.collect()
        })
    }

    proptest! {
        #[test]
        fn what_is_packed_is_what_comes_out(
            lines in prop::collection::vec((0u64..1 << 40, any_ranked()), 0..8),
        ) {
            let mut at = 0;
            let lines: Vec<StandingsLine> = lines.into_iter().map(|(since, ranked)| {
                at += since;
                StandingsLine { at_ms: At(at), ranked }
            }).collect();
            let packed = recorded(&lines);
            prop_assert_eq!(packed.read(), lines);
            let text = serde_json::to_string(&packed).unwrap_or_default();
            prop_assert_eq!(serde_json::from_str::<Lines>(&text).ok(), Some(packed));
        }

        #[test]
        fn damage_ends_the_lines_and_no_more(packed in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Lines { packed, cut: false }.read();
        }
    }

    /// Half an hour of a class, each athlete around a steady speed of their own, the margins wandering as
    /// projections do.
    fn half_an_hour(athletes: u32) -> Recorder {
        let mut recorder = Recorder::default();
        for line in 1..=360u32 {
            let noise = |seat: u32, of: u32| {
                i32::try_from((seat.wrapping_mul(7_919) ^ line.wrapping_mul(104_729)) % of)
                    .unwrap_or(0)
            };
            let ranked = (0..athletes).map(|seat| RankedSeat {
                seat: SeatNo(seat),
                place: 1 + (seat + u32::from(line % 3 == 0 && seat % 4 == 0)) % athletes,
                margin_ppm: Ppm(noise(seat, 600) + 40 * i32::try_from(seat % 500).unwrap_or(0)),
                done_dm: Decimetres(line * (180 + seat % 60) + noise(seat, 40).unsigned_abs()),
            });
            recorder.line(At(u64::from(line) * 5_003), ranked.collect());
        }
        recorder
    }

    #[test]
    fn a_line_takes_a_few_bytes_an_athlete() {
        for athletes in [30, 5_000] {
            let lines = half_an_hour(athletes).lines();
            let bytes = lines.packed.len();
            let each = bytes as f64 / f64::from(athletes * 360);
            println!("{athletes} athletes, half an hour: {bytes} bytes, {each:.2} each");
            assert!(each < 6.0 && !lines.cut, "{each} bytes an athlete and line");
        }
    }

    #[test]
    fn lines_end_where_there_is_no_more_room_and_say_so() {
        let mut recorder = Recorder { packed: vec![0; LINES_BYTES_MAX - 1], ..Recorder::default() };
        recorder.line(At(5_000), Vec::new());
        assert!(recorder.cut && recorder.packed.len() == LINES_BYTES_MAX - 1);
        assert!(!recorder.is_due(At(50_000)));
    }
}
