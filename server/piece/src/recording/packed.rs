//! The samples of one run in a few bytes each: a session of hours keeps all of them, and looks at them again
//! only when one arrives in between.

use integer_encoding::VarInt;

use super::Raw;

/// Which values a sample has.
const HAS_ELAPSED: u64 = 1;
const HAS_STROKES: u64 = 2;

/// Samples by their numbers, each stored as its difference from the one before.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Packed {
    bytes: Vec<u8>,
    before: LastSample,
    last: Option<Raw>,
}

/// What the next sample is stored relative to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct LastSample {
    seq: u64,
    heard: i64,
    dm: i64,
    /// As last reported.
    elapsed: i64,
    strokes: i64,
    rate: i64,
}

impl Packed {
    /// Takes these samples, in whatever order; of two with the same number the later is left out.
    pub(super) fn of(mut samples: Vec<Raw>) -> Packed {
        samples.sort_by_key(|raw| raw.seq);
        samples.dedup_by_key(|raw| raw.seq);
        let mut packed = Packed::default();
        samples.iter().for_each(|raw| packed.push(raw));
        packed
    }

    /// Takes one more; its number is above all the others.
    pub(super) fn push(&mut self, raw: &Raw) {
        debug_assert!(self.last.is_none_or(|last| last.seq < raw.seq), "numbers rise");
        let LastSample { seq, heard, dm, elapsed, strokes, rate } = self.before;
        let now = LastSample {
            seq: u64::from(raw.seq),
            heard: i64::try_from(raw.heard).unwrap_or(i64::MAX),
            dm: i64::from(raw.dm),
            elapsed: raw.elapsed.map_or(elapsed, i64::from),
            strokes: raw.strokes.map_or(strokes, i64::from),
            rate: i64::from(raw.rate),
        };
        let mut has = (now.seq - seq) << 2;
        has |= if raw.elapsed.is_some() { HAS_ELAPSED } else { 0 };
        has |= if raw.strokes.is_some() { HAS_STROKES } else { 0 };
        let mut sample = Sample::default();
        sample.put(has);
        sample.put(now.heard - heard);
        sample.put(now.dm - dm);
        if raw.elapsed.is_some() {
            // Usually as much time went by on the machine's clock as on the session's.
            sample.put((now.elapsed - elapsed).wrapping_sub(now.heard - heard));
        }
        if raw.strokes.is_some() {
            sample.put(now.strokes - strokes);
        }
        sample.put(now.rate - rate);
        self.bytes.extend_from_slice(
            sample.bytes.as_flattened().get(..sample.length).unwrap_or_default(),
        );
        (self.before, self.last) = (now, Some(*raw));
    }

    /// The one with the highest number.
    pub(super) fn last(&self) -> Option<&Raw> {
        self.last.as_ref()
    }

    /// All of them in their order.
    pub(super) fn iter(&self) -> Unpacked<'_> {
        Unpacked { bytes: &self.bytes, before: LastSample::default() }
    }
}

/// One sample being written: six numbers of at most ten bytes.
#[derive(Default)]
struct Sample {
    bytes: [[u8; 10]; 6],
    length: usize,
}

impl Sample {
    fn put(&mut self, number: impl VarInt) {
        let rest = self.bytes.as_flattened_mut().get_mut(self.length..).unwrap_or_default();
        self.length += number.encode_var(rest);
    }
}

/// The samples unpacked again, one after the other.
#[derive(Clone)]
pub(super) struct Unpacked<'a> {
    bytes: &'a [u8],
    before: LastSample,
}

impl Unpacked<'_> {
    fn take<T: VarInt>(&mut self) -> Option<T> {
        let (number, length) = T::decode_var(self.bytes)?;
        self.bytes = self.bytes.get(length..)?;
        Some(number)
    }
}

impl Iterator for Unpacked<'_> {
    type Item = Raw;

    fn next(&mut self) -> Option<Raw> {
        let has: u64 = self.take()?;
        let mut now = self.before;
        now.seq += has >> 2;
        let gone: i64 = self.take()?;
        now.heard += gone;
        now.dm += self.take::<i64>()?;
        if has & HAS_ELAPSED != 0 {
            now.elapsed += self.take::<i64>()?.wrapping_add(gone);
        }
        if has & HAS_STROKES != 0 {
            now.strokes += self.take::<i64>()?;
        }
        now.rate += self.take::<i64>()?;
        self.before = now;
        Some(Raw {
            seq: u32::try_from(now.seq).ok()?,
            heard: u64::try_from(now.heard).ok()?,
            dm: u32::try_from(now.dm).ok()?,
            elapsed: match has & HAS_ELAPSED {
                0 => None,
                _ => Some(u32::try_from(now.elapsed).ok()?),
            },
            strokes: match has & HAS_STROKES {
                0 => None,
                _ => Some(u32::try_from(now.strokes).ok()?),
            },
            rate: u16::try_from(now.rate).ok()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn odd() -> impl Strategy<Value = Raw> {
        let number = || prop_oneof![any::<u32>(), 0u32..300, Just(u32::MAX)];
        let maybe = || prop::option::of(number());
        (1..=u32::MAX, 0..=i64::MAX as u64, number(), maybe(), maybe(), any::<u16>()).prop_map(
            |(seq, heard, dm, elapsed, strokes, rate)| Raw {
                seq,
                heard,
                dm,
                elapsed,
                strokes,
                rate,
            },
        )
    }

    proptest! {
        #[test]
        fn what_is_packed_is_what_comes_out(samples in prop::collection::vec(odd(), 0..50)) {
            let packed = Packed::of(samples.clone());
            let mut sorted = samples;
            sorted.sort_by_key(|raw| raw.seq);
            sorted.dedup_by_key(|raw| raw.seq);
            prop_assert_eq!(packed.last(), sorted.last());
            prop_assert_eq!(packed.iter().collect::<Vec<_>>(), sorted);
        }
    }

    #[test]
    fn a_usual_stroke_takes_few_bytes() {
        let stroke = |seq: u32| Raw {
            seq,
            heard: 40_000 + 2_310 * u64::from(seq) + u64::from(seq % 7),
            dm: 97 * seq + seq % 5,
            elapsed: Some(2_310 * seq),
            strokes: Some(seq),
            rate: 52,
        };
        let packed = Packed::of((1..=900).map(stroke).collect());
        assert!(packed.bytes.len() < 900 * 9, "{} bytes of 900 strokes", packed.bytes.len());
    }
}
