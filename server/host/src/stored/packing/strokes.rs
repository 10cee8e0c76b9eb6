//! Strokes and heart rates in a few bytes each: variable-length numbers, differences within a record,
//! independent of the record before. Every value that the wire can carry comes back.

use integer_encoding::VarInt;
use thole_protocol::sample::{Reading, Sample};

const ELAPSED: u64 = 1;
const STROKES: u64 = 2;
const RATE: u64 = 4;
const POWER: u64 = 8;

/// Number of the recording, then each sample relative to the one before; the first relative to `at` and zero.
pub(super) fn pack_samples(at: u64, run: u64, samples: &[Sample]) -> Vec<u8> {
    let mut out = Vec::with_capacity(8 + 16 * samples.len());
    put(&mut out, run);
    let mut before = first(at);
    for sample in samples {
        let told = [
            (ELAPSED, sample.elapsed_ms),
            (STROKES, sample.strokes),
            (RATE, sample.rate_half_spm),
            (POWER, sample.power_w),
        ];
        let flags =
            told.iter().filter(|(_, value)| value.is_some()).fold(0, |all, (bit, _)| all | bit);
        let seq = i64::from(sample.seq) - i64::from(before.seq);
        put(&mut out, zigzag(seq) << 4 | flags);
        put(&mut out, zigzag(sample.heard_ms.wrapping_sub(before.heard_ms)));
        put(&mut out, zigzag(sample.distance_dm.wrapping_sub(before.distance_dm)));
        let was = [before.elapsed_ms, before.strokes, before.rate_half_spm, before.power_w];
        for ((_, value), was) in told.iter().zip(was) {
            if let Some(value) = value {
                put(&mut out, zigzag(value.wrapping_sub(was.unwrap_or(0))));
            }
        }
        before = next(before, *sample);
    }
    out
}

/// Only the recording's number, even of a payload that is damaged after it.
pub(super) fn recording_no(mut payload: &[u8]) -> Option<u64> {
    take(&mut payload).ok()
}

/// The recording's number and its samples.
///
/// # Errors
/// The bytes end in the middle of a sample, or say what no sample can.
pub(super) fn unpack_samples(at: u64, payload: &[u8]) -> Result<(u64, Vec<Sample>), String> {
    let mut rest = payload;
    let run = take(&mut rest)?;
    let (mut samples, mut before) = (Vec::new(), first(at));
    while !rest.is_empty() {
        let head = take(&mut rest)?;
        let seq = i64::from(before.seq).wrapping_add(unzigzag(head >> 4));
        let seq = u32::try_from(seq).map_err(|_| "a sample has an impossible number")?;
        let heard_ms = before.heard_ms.wrapping_add(unzigzag(take(&mut rest)?));
        let distance_dm = before.distance_dm.wrapping_add(unzigzag(take(&mut rest)?));
        let mut told = |bit: u64, was: Option<i64>| {
            if head & bit == 0 {
                return Ok::<_, String>(None);
            }
            Ok(Some(was.unwrap_or(0).wrapping_add(unzigzag(take(&mut rest)?))))
        };
        let sample = Sample {
            seq,
            heard_ms,
            distance_dm,
            elapsed_ms: told(ELAPSED, before.elapsed_ms)?,
            strokes: told(STROKES, before.strokes)?,
            rate_half_spm: told(RATE, before.rate_half_spm)?,
            power_w: told(POWER, before.power_w)?,
        };
        before = next(before, sample);
        samples.push(sample);
    }
    Ok((run, samples))
}

/// Each reading relative to the one before; the first relative to `at` and zero.
pub(super) fn pack_readings(at: u64, readings: &[Reading]) -> Vec<u8> {
    let mut out = Vec::with_capacity(4 * readings.len());
    let (mut heard, mut beats) = (at.cast_signed(), 0_i64);
    for Reading { heard_ms, heart_bpm } in readings {
        put(&mut out, zigzag(heard_ms.wrapping_sub(heard)));
        put(&mut out, zigzag(heart_bpm.wrapping_sub(beats)));
        (heard, beats) = (*heard_ms, *heart_bpm);
    }
    out
}

/// # Errors
/// The bytes end in the middle of a reading.
pub(super) fn unpack_readings(at: u64, payload: &[u8]) -> Result<Vec<Reading>, String> {
    let (mut rest, mut readings) = (payload, Vec::new());
    let (mut heard, mut beats) = (at.cast_signed(), 0_i64);
    while !rest.is_empty() {
        heard = heard.wrapping_add(unzigzag(take(&mut rest)?));
        beats = beats.wrapping_add(unzigzag(take(&mut rest)?));
        readings.push(Reading { heard_ms: heard, heart_bpm: beats });
    }
    Ok(readings)
}

fn first(at: u64) -> Sample {
    Sample { heard_ms: at.cast_signed(), ..Sample::default() }
}

/// What the next sample is stored relative to: a number that was not reported is the one last reported.
fn next(before: Sample, sample: Sample) -> Sample {
    Sample {
        elapsed_ms: sample.elapsed_ms.or(before.elapsed_ms),
        strokes: sample.strokes.or(before.strokes),
        rate_half_spm: sample.rate_half_spm.or(before.rate_half_spm),
        power_w: sample.power_w.or(before.power_w),
        ..sample
    }
}

fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

fn unzigzag(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -(number & 1).cast_signed()
}

fn put(out: &mut Vec<u8>, number: u64) {
    let mut bytes = [0; 10];
    let len = number.encode_var(&mut bytes);
    out.extend(bytes.iter().take(len));
}

fn take(rest: &mut &[u8]) -> Result<u64, String> {
    let (number, len) = u64::decode_var(rest).ok_or("it ends in the middle of a number")?;
    *rest = rest.get(len..).unwrap_or(&[]);
    Ok(number)
}
