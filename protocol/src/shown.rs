//! How times, distances, paces, targets and pieces are shown; `typed` reads most of it back.

use crate::{
    spec::{Extent, Repeat, Target},
    total::Total,
    units::{Decimetres, Millis},
};

/// Whether tenths of a second are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tenths {
    /// Always.
    Always,
    /// Only when there are any.
    IfAny,
}

/// A time as it is shown, rounded once to a tenth: `6:31.5`, `1:02:03.0`.
///
/// ```
/// use thole_protocol::{shown::{Tenths, time_text}, units::Millis};
/// assert_eq!(time_text(Millis(119_970), Tenths::Always), "2:00.0");
/// ```
#[must_use]
pub fn time_text(time: Millis, tenths: Tenths) -> String {
    let all = (u64::from(time.0) + 50) / 100;
    let (tenth, seconds) = (all % 10, all / 10);
    let (hours, minutes, seconds) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    let mut text = if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{minutes}:{seconds:02}")
    };
    if tenths == Tenths::Always || tenth > 0 {
        text.push_str(&format!(".{tenth}"));
    }
    text
}

/// A length of time that `duration` reads back to the millisecond: `12min`, `1:15`, `0:20.25`.
#[must_use]
pub fn duration_text(time: Millis) -> String {
    if time.0 > 0 && time.0.is_multiple_of(60_000) {
        return format!("{}min", time.0 / 60_000);
    }
    let (seconds, ms) = (time.0 / 1_000, time.0 % 1_000);
    let text = format!("{}:{:02}", seconds / 60, seconds % 60);
    if ms == 0 { text } else { format!("{text}.{ms:03}").trim_end_matches('0').to_owned() }
}

/// A distance as it is shown: `1700m`, `0.5m` only when there are tenths.
#[must_use]
pub fn distance_text(distance: Decimetres) -> String {
    match distance.0 % 10 {
        0 => format!("{}m", distance.0 / 10),
        tenth => format!("{}.{tenth}m", distance.0 / 10),
    }
}

/// A pace as it is shown: `1:52.4/500m`.
#[must_use]
pub fn pace_text(per_500m: Millis) -> String {
    format!("{}/500m", time_text(per_500m, Tenths::Always))
}

/// A target as it is shown; always with tenths, since a target is set to the tenth.
#[must_use]
pub fn target_text(target: Target) -> String {
    match target {
        Target::Finish { finish_ms } => total_text(Total::Time { finish_ms }),
        Target::Distance { distance_dm } => total_text(Total::Distance { distance_dm }),
        Target::Pace { per_500m_ms } => pace_text(per_500m_ms),
    }
}

/// The finish of a piece as it is shown: a time with its tenths, or a distance.
#[must_use]
pub fn total_text(total: Total) -> String {
    match total {
        Total::Time { finish_ms } => time_text(finish_ms, Tenths::Always),
        Total::Distance { distance_dm } => distance_text(distance_dm),
    }
}

/// How long one stretch is, as `extent` reads it.
#[must_use]
pub fn extent_text(work: Extent) -> String {
    match work {
        Extent::Distance { distance_dm } => distance_text(distance_dm),
        Extent::Time { time_ms } => duration_text(time_ms),
    }
}

/// A piece in the shortest words that `repeats` reads back.
///
#[must_use]
pub fn repeats_text(repeats: &[Repeat]) -> String {
    if let Some(text) = as_sets(repeats) {
        return text;
    }
    let mut parts = Vec::new();
    let mut left = repeats;
    while let Some(first) = left.first() {
        let alike = left.iter().take_while(|repeat| *repeat == first).count();
        let (these, behind) = left.split_at(alike);
        // The last repeat of the piece has no rest of its own: it is grouped with those before it.
        let joins = matches!(behind, [last] if last.work == first.work);
        let count = these.len() + usize::from(joins);
        let rest = if behind.is_empty() && first.rest_ms.0 == 0 && count == 1 {
            String::new()
        } else {
            format!("/{}", duration_text(first.rest_ms))
        };
        let times = if count > 1 { format!("{count}x") } else { String::new() };
        parts.push(format!("{times}{}{rest}", extent_text(first.work)));
        left = if joins { &[] } else { behind };
    }
    parts.join("+")
}

/// `sets x each x work/inside/between`, when the piece is made so.
fn as_sets(repeats: &[Repeat]) -> Option<String> {
    let first = repeats.first()?;
    if repeats.iter().any(|repeat| repeat.work != first.work) {
        return None;
    }
    let (_, rests) = repeats.split_last()?;
    let each = rests.iter().position(|repeat| repeat.rest_ms != first.rest_ms)? + 1;
    let between = rests.get(each - 1)?.rest_ms;
    let fits = each > 1
        && repeats.len().is_multiple_of(each)
        && rests.iter().enumerate().all(|(nth, repeat)| {
            repeat.rest_ms == if (nth + 1) % each == 0 { between } else { first.rest_ms }
        });
    fits.then(|| {
        format!(
            "{}x{each}x{}/{}/{}",
            repeats.len() / each,
            extent_text(first.work),
            duration_text(first.rest_ms),
            duration_text(between)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounded once and carried: 119.97 s is 2:00.0 and 59.96 s is 1:00.0, never 1:60.0 (check row K6).
    #[test]
    fn tenths_are_carried_into_the_minute() {
        assert_eq!(time_text(Millis(119_970), Tenths::Always), "2:00.0");
        assert_eq!(time_text(Millis(59_960), Tenths::Always), "1:00.0");
        assert_eq!(time_text(Millis(3_599_960), Tenths::IfAny), "1:00:00");
        assert_eq!(pace_text(Millis(112_440)), "1:52.4/500m");
    }
}
