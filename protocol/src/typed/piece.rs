//! Pieces as people write them: `1700m`, `12min`, `6x350m/1:15`, `3x4x500m/1:00/4:00`, joined by `+`; in `6x350/1:15`
//! metres are meant.

use std::borrow::Cow;

use crate::{
    limits,
    spec::{Extent, Repeat},
    units::Millis,
};

use super::length::{distance, duration};

/// Most repeats of one piece, according to the protocol.
const REPEATS_MAX: usize = *limits::REPEATS.end();

/// Reads a piece. The rest comes after a slash and counts between two repeats; with sets, the rest inside
/// comes first and the rest between sets second.
///
/// # Errors
/// A sentence that says what to type.
///
/// ```
/// let piece = thole_protocol::typed::repeats("3x4x500m/1:00/4:00").unwrap();
/// assert_eq!(piece.len(), 12);
/// assert_eq!((piece[0].rest_ms.0, piece[3].rest_ms.0), (60_000, 240_000));
/// ```
pub fn repeats(typed: &str) -> Result<Vec<Repeat>, String> {
    let mut repeats = Vec::new();
    let short = in_short(typed)?;
    let parts: Vec<&str> = short.split('+').map(str::trim).collect();
    for part in &parts {
        repeats.extend(group(part, typed)?);
        if repeats.len() > REPEATS_MAX {
            return Err(too_many(typed));
        }
    }
    let rests = parts.iter().rev().skip(1);
    let is_without = rests.into_iter().any(|part| !part.contains('/'));
    if let Some(last) = repeats.last_mut() {
        // Nothing comes after it.
        last.rest_ms = Millis(0);
    }
    let by_time = |repeat: &Repeat| matches!(repeat.work, Extent::Time { .. });
    if repeats.iter().any(by_time) && !repeats.iter().all(by_time) {
        return Err(format!(
            "\"{typed}\" mixes distances and times; a piece is all by distance or all by time."
        ));
    }
    if is_without {
        return Err(format!(
            "\"{typed}\" has no rest between its parts; put it after a slash, as in 500m/1:15+500m, or type the whole as one \
             piece."
        ));
    }
    Ok(repeats)
}

/// One part between two `+`.
fn group(part: &str, typed: &str) -> Result<Vec<Repeat>, String> {
    let wrong = || {
        format!(
            "\"{part}\" is not a piece; type one like 1700m, 12min, 6x350m/1:15 or \
             3x4x500m/1:00/4:00."
        )
    };
    let mut slashes = part.split('/');
    let head = slashes.next().ok_or_else(wrong)?;
    let rests: Vec<Millis> = slashes.map(duration).collect::<Result<_, _>>()?;
    let mut factors: Vec<&str> = head.split(['x', '×']).map(str::trim).collect();
    let work = extent(&in_metres(factors.pop().ok_or_else(wrong)?)).map_err(|_| wrong())?;
    let mut counts = Vec::new();
    for factor in factors {
        let count: usize = factor.parse().map_err(|_| wrong())?;
        if count == 0 {
            return Err(format!("\"{part}\" repeats nothing; begin with 1x or more."));
        }
        counts.push(count);
    }
    let (sets, each) = match counts.as_slice() {
        [] => (1, 1),
        [each] => (1, *each),
        [sets, each] => (*sets, *each),
        _ => return Err(wrong()),
    };
    if sets.saturating_mul(each) > REPEATS_MAX {
        return Err(too_many(typed));
    }
    let (inside, between) = match rests.as_slice() {
        [] => (Millis(0), Millis(0)),
        [rest] => (*rest, *rest),
        [inside, between] if sets > 1 => (*inside, *between),
        _ => {
            return Err(format!(
                "\"{part}\" has more rests than it needs; two are for sets, as in \
                 3x4x500m/1:00/4:00."
            ));
        }
    };
    if sets * each > 1 && rests.is_empty() {
        return Err(format!("\"{part}\" has no rest; put it after a slash, as in {part}/1:15."));
    }
    Ok((0..sets * each)
        .map(|nth| Repeat { work, rest_ms: if (nth + 1) % each == 0 { between } else { inside } })
        .collect())
}

/// A piece as people say it, in the short form: `6 x 350 metres with 1:15 rest` is `6x350m/1:15`, `2k` is `2km`, `30'` is
/// `30min`.
fn in_short(typed: &str) -> Result<String, String> {
    let plain = typed.to_lowercase().replace("''", "\"");
    let words = words(&plain);
    let mut short = String::new();
    for (nth, word) in words.iter().enumerate() {
        let before = nth.checked_sub(1).and_then(|before| words.get(before)).copied();
        let mut behind = words.iter().skip(nth + 1).copied().filter(|word| !word.trim().is_empty());
        let begins_a_number = |word: &str| word.starts_with(|c: char| c.is_ascii_digit());
        let ends_a_number = |word: &str| word.ends_with(|c: char| c.is_ascii_digit());
        short.push_str(match *word {
            // Two numbers side by side are a slip, and must not become one.
            word if word.trim().is_empty() => {
                let next = words.get(nth + 1).is_some_and(|next| begins_a_number(next));
                if next && before.is_some_and(ends_a_number) { " " } else { "" }
            }
            "metre" | "metres" | "meter" | "meters" => "m",
            "k" | "kilometre" | "kilometres" | "kilometer" | "kilometers" => "km",
            "minute" | "minutes" | "mins" | "'" | "\u{2019}" | "\u{2032}" => "min",
            "second" | "seconds" | "sec" | "secs" | "\"" | "\u{201d}" | "\u{2033}" => "s",
            "hour" | "hours" => "h",
            "with" => "/",
            // Behind a length of time it says what that is, before one that it follows.
            "rest" => {
                let follows = behind.next().is_some_and(begins_a_number);
                if follows && !short.ends_with('/') { "/" } else { "" }
            }
            "," => {
                let after = words.get(nth + 1).copied().unwrap_or_default();
                let mut units = words.iter().skip(nth + 2).filter(|word| !word.trim().is_empty());
                let unit = units.next().copied().unwrap_or_default();
                comma(before.unwrap_or_default(), after, unit).map_err(|meant| {
                    format!(
                        "The comma in \"{typed}\" can be read in two ways; if {meant} is meant, type that."
                    )
                })?
            }
            word => word,
        });
    }
    Ok(short)
}

/// Numbers, words, spaces, and single signs.
fn words(typed: &str) -> Vec<&str> {
    let kind = |c: char| match c {
        '0'..='9' | ':' | '.' => 0,
        _ if c.is_alphabetic() => 1,
        _ if c.is_whitespace() => 2,
        _ => 3,
    };
    let mut words = Vec::new();
    let mut left = typed;
    while let Some(first) = left.chars().next() {
        let alike = |c: char| kind(c) == kind(first) && kind(c) < 3;
        let end = left.char_indices().skip(1).find(|(_, c)| !alike(*c));
        let (word, behind) = left.split_at(end.map_or(left.len(), |(at, _)| at));
        words.push(word);
        left = behind;
    }
    words
}

/// What a comma means: a point within a number, or the slash before a rest.
///
/// # Errors
/// It may stand between thousands, too; what was probably meant.
fn comma(before: &str, after: &str, unit: &str) -> Result<&'static str, String> {
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    // Whoever writes more before it has the rest behind it: 350,75s.
    if !matches!(before.len(), 1..=2) || after.is_empty() || !digits(before) || !digits(after) {
        return Ok("/");
    }
    let is_km = unit.starts_with('k');
    let is_time = unit.starts_with(['h', 's', '\'', '"', '\u{2019}', '\u{2032}', '\u{2033}'])
        || unit.starts_with("mi");
    match after.len() {
        1 => Ok("."),
        2 if is_km => Ok("."),
        _ if is_km => Err(format!("{before}.{after}km")),
        2 if is_time => Err(format!("{before}:{after}")),
        _ if is_time => Err(format!("{before}.{after}{unit}")),
        _ => Err(format!("{before}{after}m")),
    }
}

/// A stretch without a unit is in metres, from three digits on: nobody means that many minutes.
fn in_metres(typed: &str) -> Cow<'_, str> {
    let is_bare = typed.len() >= 3 && typed.bytes().all(|byte| byte.is_ascii_digit());
    if is_bare { format!("{typed}m").into() } else { typed.into() }
}

/// Reads how long one stretch is: `350m` or `4min`.
///
/// # Errors
/// A sentence that says what to type.
pub fn extent(typed: &str) -> Result<Extent, String> {
    if let Ok(distance_dm) = distance(typed) {
        return Ok(Extent::Distance { distance_dm });
    }
    let time_ms = duration(typed).map_err(|_| {
        format!("\"{typed}\" is neither a distance nor a time; type one like 350m or 4min.")
    })?;
    Ok(Extent::Time { time_ms })
}

fn too_many(typed: &str) -> String {
    format!("\"{typed}\" has more than {REPEATS_MAX} repeats; a piece has at most {REPEATS_MAX}.")
}

#[cfg(test)]
mod tests {
    use crate::{shown::repeats_text, units::Decimetres};
    use proptest::prelude::*;

    use super::*;

    fn there_and_back(typed: &str) -> String {
        repeats_text(&repeats(typed).unwrap_or_else(|says| panic!("{typed}: {says}")))
    }

    #[test]
    fn pieces_are_read_and_written_in_the_same_words() {
        for typed in [
            "1700m",
            "12min",
            "6x350m/1:15",
            "3x4x500m/1min/4min",
            "500m/1min+400m/1min+300m",
            "2x500m/1min+3x250m/0:45",
            "5x3min/1:30",
            "1:30",
        ] {
            assert_eq!(there_and_back(typed), typed, "{typed}");
        }
        assert_eq!(there_and_back("3x4x500m/1:00/4:00"), "3x4x500m/1min/4min");
        assert_eq!(there_and_back("2x5x200m/30s"), "10x200m/0:30");
        assert_eq!(there_and_back("1.7km"), "1700m");
    }

    #[test]
    fn the_rest_behind_the_last_repeat_is_nothing() {
        let piece = repeats("6x350m/1:15").unwrap();
        let rests: Vec<u32> = piece.iter().map(|repeat| repeat.rest_ms.0).collect();
        assert_eq!(rests, [75_000, 75_000, 75_000, 75_000, 75_000, 0]);
    }

    #[test]
    fn a_slip_is_answered_by_what_to_type() {
        for (typed, says) in [
            ("", "type one like 1700m"),
            ("boat", "type one like 1700m"),
            ("6x350m", "6x350m/1:15"),
            ("0x350m/1:00", "begin with 1x"),
            ("6x350m/75", "75s or 1:15"),
            ("6x350m/1:00/4:00", "two are for sets"),
            ("61x100m/10s", "at most 60"),
            ("9999999999999x9999999999999x100m/1:00", "at most 60"),
            ("500m/1:00+2min", "all by distance or all by time"),
            ("2x2x2x100m/1:00", "type one like 1700m"),
            ("500m++500m", "type one like 1700m"),
            (
                "2,000m",
                "The comma in \"2,000m\" can be read in two ways; if 2000m is meant, type that.",
            ),
            ("2,000", "if 2000m is meant"),
            ("10,000 metres", "if 10000m is meant"),
            ("2,500km", "if 2.500km is meant"),
            ("12,30min", "if 12:30 is meant"),
            ("500+500+500", "has no rest between its parts"),
            ("500m/1:00+400m+300m", "has no rest between its parts"),
        ] {
            let answer = repeats(typed).expect_err(typed);
            assert!(answer.contains(says), "{typed}: {answer}");
        }
    }

    proptest! {
        #[test]
        fn any_piece_survives_being_written_and_read(
            list in prop::collection::vec((1u32..4, 0u32..3), 1..20),
        ) {
            let mut piece: Vec<Repeat> = list
                .iter()
                .map(|(size, rest)| Repeat {
                    work: Extent::Distance { distance_dm: Decimetres(size * 1_000) },
                    rest_ms: Millis(rest * 30_000),
                })
                .collect();
            piece.last_mut().unwrap().rest_ms = Millis(0);
            let text = repeats_text(&piece);
            prop_assert_eq!(repeats(&text), Ok(piece), "{}", text);
        }
    }
}
