//! Days, times, distances, splits and single words as they stand in cells.

use thole_piece::{limits::Measure, standings};
use thole_protocol::{
    shown::distance_text,
    spec::{PieceSpec, Repeat},
    standing::{Mark, Outcome, Split},
    total::Total,
    typed::{distance, duration},
    units::{Decimetres, HalfSpm, Millis, decimetres, millis, nearest},
};

use crate::{
    day::ClubDay,
    rowed::{self, plain_number, read_total},
};

pub(super) fn some(cell: &str) -> Option<&str> {
    (!cell.is_empty()).then_some(cell)
}

/// A day as `2026-11-30`, `2026/11/30`, `30.11.2026`; with slashes and the year behind only where no other day can be meant.
pub(super) fn read_day(cell: &str) -> Result<ClubDay, String> {
    if cell.is_empty() {
        return Err("The day is missing.".to_owned());
    }
    let wrong = || format!("\"{cell}\" is no day: write it as 2026-11-30.");
    let mark = cell.chars().find(|c| !c.is_ascii_digit()).ok_or_else(wrong)?;
    let parts: Vec<&str> = cell.split(mark).collect();
    let [first, second, third] = parts.as_slice() else { return Err(wrong()) };
    let number = |part: &str| part.parse::<u16>().ok().filter(|_| part.len() <= 4);
    let (Some(a), Some(b), Some(c)) = (number(first), number(second), number(third)) else {
        return Err(wrong());
    };
    let (year, month, day) = match (mark, first.len(), third.len()) {
        ('-' | '/', 4, _) => (a, b, c),
        ('.', _, 4) => (c, b, a),
        ('/' | '-', _, 4) if a > 12 || a == b => (c, b, a),
        ('/' | '-', _, 4) if b > 12 => (c, a, b),
        ('/' | '-', _, 4) => {
            return Err(format!(
                "\"{cell}\" may be two days: write it as {c:04}-{b:02}-{a:02} or {c:04}-{a:02}-{b:02}."
            ));
        }
        _ => return Err(wrong()),
    };
    format!("{year:04}-{month:02}-{day:02}").parse().map_err(|_| wrong())
}

/// Work time and work distance, from what is shown and, where that is there, from what is exact.
pub(super) fn read_amounts(
    shown: &str,
    (exact_metres, exact_seconds): (&str, &str),
    repeats: &[Repeat],
    outcome: Outcome,
) -> Result<(Millis, Decimetres), String> {
    let (metres, seconds) = (metres(exact_metres)?, seconds(exact_seconds)?);
    if outcome != Outcome::Finished {
        if outcome == Outcome::DidNotStart {
            return Err("Who did not start has no result: leave the line out.".to_owned());
        }
        let needs = || {
            "What was rowed of a piece that was not finished stands in metres and seconds."
                .to_owned()
        };
        return Ok((seconds.ok_or_else(needs)?, metres.ok_or_else(needs)?));
    }
    let said = some(shown).map(|typed| read_total(typed, repeats)).transpose()?;
    let exact = match Measure::of(&PieceSpec::of(repeats.to_vec())) {
        Some(Measure::Time(_)) => metres.map(|distance_dm| Total::Distance { distance_dm }),
        Some(Measure::Distance(_)) | None => seconds.map(|finish_ms| Total::Time { finish_ms }),
    };
    let total = match (said, exact) {
        (None, None) => return Err("The result is missing: write a time or a distance.".to_owned()),
        (Some(one), None) | (None, Some(one)) => one,
        (Some(said), Some(exact)) if said == exact || standings::as_shown(exact) == said => exact,
        (Some(_), Some(exact)) => {
            return Err(format!(
                "The result is \"{shown}\", and metres and seconds say {}: mend one, or empty those two.",
                exact_total(exact)
            ));
        }
    };
    rowed::work(repeats, total)
}

pub(super) fn read_marks(cell: &str) -> Result<Vec<Mark>, String> {
    let wrong = |typed: &str| {
        format!("\"{typed}\" is no mark of a result: leave the cell as it was exported, or empty.")
    };
    cell.split_whitespace().map(|typed| from_word(typed).ok_or_else(|| wrong(typed))).collect()
}

pub(super) fn read_rate(cell: &str) -> Result<Option<HalfSpm>, String> {
    let Some(typed) = some(cell) else { return Ok(None) };
    let most = thole_piece::limits::RATE_MAX_HALF_SPM;
    let half = plain_number(&typed.replace(',', ".")).map(|rate| nearest(rate * 2.0));
    let half =
        half.and_then(|half| u16::try_from(half).ok()).filter(|half| (1..=most).contains(half));
    half.map(|half| Some(HalfSpm(half))).ok_or_else(|| {
        format!("\"{typed}\" is no stroke rate: write it as 24.5, at most {}.", most / 2)
    })
}

pub(super) fn whole(cell: &str, what: &str) -> Result<Option<u32>, String> {
    let wrong = |_| format!("\"{cell}\" is no {what}.");
    some(cell).map(str::parse).transpose().map_err(wrong)
}

pub(super) fn metres(cell: &str) -> Result<Option<Decimetres>, String> {
    let Some(typed) = some(cell) else { return Ok(None) };
    let wrong = || format!("\"{typed}\" are no metres: write them as 2000 or 2000.5.");
    let metres = plain_number(&typed.replace(',', ".")).ok_or_else(wrong)?;
    Ok(Some(decimetres(metres * 1e1)))
}

pub(super) fn seconds(cell: &str) -> Result<Option<Millis>, String> {
    let Some(typed) = some(cell) else { return Ok(None) };
    let wrong = || format!("\"{typed}\" are no seconds: write them as 462.3.");
    let seconds = plain_number(&typed.replace(',', ".")).ok_or_else(wrong)?;
    Ok(Some(millis(seconds * 1e3)))
}

/// `500m@115.25s+500m@116s`.
pub(super) fn splits_text(splits: &[Split]) -> String {
    let one = |split: &Split| {
        format!("{}@{}s", distance_text(split.distance_dm), thousandths(split.time_ms))
    };
    splits.iter().map(one).collect::<Vec<_>>().join("+")
}

/// A single stretch has four quarters, an interval piece a split for each of its repeats, and some are missing where a piece ended
/// early.
pub(super) fn read_splits(cell: &str, repeats: usize) -> Result<Vec<Split>, String> {
    const QUARTERS: usize = 4;
    if cell.is_empty() {
        return Ok(Vec::new());
    }
    let wrong = || "The splits cannot be read: write them as 500m@115.25s+500m@116s.".to_owned();
    let one = |part: &str| {
        let (metres, time) = part.split_once('@')?;
        Some(Split { distance_dm: distance(metres).ok()?, time_ms: duration(time).ok()? })
    };
    let splits: Vec<Split> = cell.split('+').map(one).collect::<Option<_>>().ok_or_else(wrong)?;
    if splits.len() > repeats.max(QUARTERS) {
        return Err("There are more splits than the piece has.".to_owned());
    }
    Ok(splits)
}

/// An instant as RFC 3339 has it, in UTC.
pub(super) fn instant_text(unix_ms: u64) -> String {
    let instant =
        i64::try_from(unix_ms).ok().and_then(|ms| jiff::Timestamp::from_millisecond(ms).ok());
    instant.map(|instant| instant.to_string()).unwrap_or_default()
}

pub(super) fn read_instant(typed: &str) -> Result<u64, String> {
    let instant: Option<jiff::Timestamp> = typed.parse().ok();
    let ms = instant.and_then(|instant| u64::try_from(instant.as_millisecond()).ok());
    ms.ok_or_else(|| {
        format!("\"{typed}\" is no instant: leave the cell as it was exported, or empty.")
    })
}

pub(super) fn exact_total(total: Total) -> String {
    match total {
        Total::Time { finish_ms } => exact(finish_ms),
        Total::Distance { distance_dm } => distance_text(distance_dm),
    }
}

/// To the millisecond where it has any: `7:44.0`, `7:44.125`.
pub(super) fn exact(time: Millis) -> String {
    let (seconds, ms) = (time.0 / 1_000, time.0 % 1_000);
    let (hours, minutes, seconds) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    let tail = format!("{ms:03}");
    let tail = tail.trim_end_matches('0');
    let tail = if tail.is_empty() { "0" } else { tail };
    if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}.{tail}")
    } else {
        format!("{minutes}:{seconds:02}.{tail}")
    }
}

pub(super) fn tenths(of: u32) -> String {
    match of % 10 {
        0 => (of / 10).to_string(),
        tenth => format!("{}.{tenth}", of / 10),
    }
}

pub(super) fn thousandths(time: Millis) -> String {
    let (whole, ms) = (time.0 / 1_000, time.0 % 1_000);
    if ms == 0 {
        whole.to_string()
    } else {
        format!("{whole}.{ms:03}").trim_end_matches('0').to_owned()
    }
}

/// The one word that a value without fields is in JSON.
pub(super) fn word(value: &impl serde::Serialize) -> String {
    let value = serde_json::to_value(value).ok();
    value.and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

pub(super) fn from_word<T: serde::de::DeserializeOwned>(word: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::from(word)).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rowed::read_piece;

    #[test]
    fn a_day_is_read_where_no_other_can_be_meant() {
        let read = |typed: &str| read_day(typed).map_or_else(|says| says, |day| day.to_string());
        for same in
            ["2026-11-30", "2026/11/30", "30.11.2026", "30/11/2026", "11/30/2026", "30-11-2026"]
        {
            assert_eq!(read(same), "2026-11-30", "{same}");
        }
        assert_eq!(
            (read("1.2.2026"), read("5/5/2026")),
            ("2026-02-01".into(), "2026-05-05".into())
        );
        assert!(read("11/12/2026").contains("2026-12-11 or 2026-11-12"), "{}", read("11/12/2026"));
        for wrong in [
            "",
            "2026-11-31",
            "30.11.26",
            "yesterday",
            "20261130",
            "1-2-3",
            "2026-11",
            "a-b-c",
            "٣٠.11.2026",
        ] {
            assert!(read(wrong).contains("day"), "{wrong}: {}", read(wrong));
        }
    }

    #[test]
    fn amounts_are_exact_where_the_file_has_them_and_what_disagrees_is_said() {
        let piece = read_piece("2000m").unwrap();
        let read = |shown: &str, metres: &str, seconds: &str| {
            read_amounts(shown, (metres, seconds), &piece, Outcome::Finished)
        };
        assert_eq!(read("7:42.3", "2000", "462.287"), Ok((Millis(462_287), Decimetres(20_000))));
        assert_eq!(read("7:42.3", "", ""), Ok((Millis(462_300), Decimetres(20_000))));
        assert_eq!(read("", "", "462,3"), Ok((Millis(462_300), Decimetres(20_000))));
        assert!(
            read("7:24.3", "2000", "462.287")
                .unwrap_err()
                .contains("metres and seconds say 7:42.287")
        );
        assert!(read("", "2000", "").unwrap_err().contains("missing"));
        let part = read_amounts("", ("1200.5", "300"), &piece, Outcome::Stopped);
        assert_eq!(part, Ok((Millis(300_000), Decimetres(12_005))));
        assert!(
            read_amounts("7:42", ("", ""), &piece, Outcome::Stopped)
                .unwrap_err()
                .contains("not finished")
        );
    }
}
