//! What of a sample can be believed on its own.

use thole_protocol::{
    refusal::{Refusal, Why},
    sample::Sample,
    units::At,
};

use super::Raw;
use crate::limits;

/// A sample may claim to have been heard this much later than now: after a restart of the server a client's
/// idea of the session's clock can be off, and a stroke is worth more than an error message.
const AHEAD_MAX_MS: u64 = 3_600_000;

/// Judges each value of a sample on its own. A sample without a believable number, time or distance is
/// refused whole; of other values only the impossible ones are.
pub(super) fn believed(now: At, sample: &Sample) -> (Option<Raw>, Vec<Refusal>) {
    let mut refusals = Vec::new();
    let mut refuse = |why, says: String| refusals.push(Refusal { why, says });
    if sample.seq == 0 {
        refuse(Why::OutOfRange, "Samples are numbered from 1.".into());
        return (None, refusals);
    }
    let latest = now.0.saturating_add(AHEAD_MAX_MS);
    let heard = match u64::try_from(sample.heard_ms) {
        Ok(heard) if heard <= latest => heard,
        Ok(_) | Err(_) => {
            refuse(
                Why::WrongTime,
                "heard_ms is far from the session's clock; ask for the clock again.".into(),
            );
            return (None, refusals);
        }
    };
    let Ok(dm) = u32::try_from(sample.distance_dm) else {
        refuse(Why::Impossible, "distance_dm must be a counter from 0 up to 4294967295.".into());
        return (None, refusals);
    };
    let mut within = |value: Option<i64>, most: i64, says: &str| {
        let value = value?;
        let fits = u32::try_from(value).ok().filter(|_| value <= most);
        if fits.is_none() {
            refuse(Why::Impossible, says.to_owned());
        }
        fits
    };
    let elapsed = within(
        sample.elapsed_ms,
        i64::from(u32::MAX),
        "elapsed_ms must be a counter from 0 up to 4294967295.",
    );
    let strokes = within(
        sample.strokes,
        i64::from(limits::STROKES_MAX),
        "strokes must be a counter from 0 up.",
    );
    let rate = within(
        sample.rate_half_spm,
        i64::from(limits::RATE_MAX_HALF_SPM),
        "Nobody rows more than 70 strokes a minute; the rate was left out.",
    );
    let _ = within(
        sample.power_w,
        i64::from(limits::POWER_MAX_W),
        "Nobody holds more than 2,050 W over a stroke; the power was left out.",
    );
    let rate = rate.and_then(|rate| u16::try_from(rate).ok()).unwrap_or(0);
    (Some(Raw { seq: sample.seq, heard, dm, elapsed, strokes, rate }), refusals)
}

pub(super) fn impossible_speed() -> Refusal {
    Refusal {
        why: Why::Impossible,
        says: "Nobody rows faster than 9 m/s over a stroke; this distance was left out.".into(),
    }
}
