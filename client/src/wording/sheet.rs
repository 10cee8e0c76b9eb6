//! Focus calls as people write them: `850m: Sit tall / Tall at the catch, and breathe for 10 strokes`.

use thole_protocol::{
    spec::{Audience, CallText, Extent, Point, Repeat, SheetCall, Span},
    typed::{distance, duration},
    units::{Decimetres, Millis},
};

/// Reads one entry of a call sheet: the point (`850m`, `last 200m`, `4:00`, `stroke 40`), a colon and
/// a space, the words to show, after ` / ` the sentence to speak, and at the end how long it stands.
///
/// # Errors
/// A sentence that says what to type.
///
/// ```
/// use thole_protocol::spec::{Point, Span};
/// let entry = thole::wording::sheet_call("stroke 40: Sit tall for 10 strokes").unwrap();
/// assert_eq!(entry.at, Point::Stroke { number: 40 });
/// assert_eq!((entry.text.shown.as_str(), entry.span), ("Sit tall", Span::Strokes { strokes: 10 }));
/// ```
pub fn sheet_call(typed: &str) -> Result<SheetCall, String> {
    let wrong = || {
        format!(
            "\"{typed}\" is not an entry of a call sheet; type one like \"850m: Sit tall for 10 \
             strokes\", with last 200m, 4:00 or stroke 40 as the point."
        )
    };
    let (point, rest) = typed.split_once(": ").ok_or_else(wrong)?;
    let at = point_of(point.trim()).ok_or_else(wrong)?;
    let (text, span) = call(rest)?;
    Ok(SheetCall { at, text, audience: Audience::All, span })
}

/// Reads one line of a call sheet for a piece of these repeats: an entry as `sheet_call` reads it or, after `each`, one for
/// the same point of every repeat that is long enough: `each 100m: Sit tall`, `each last 50m: Legs first`.
///
/// # Errors
/// A sentence that says what to type.
pub fn sheet_calls(typed: &str, repeats: &[Repeat]) -> Result<Vec<SheetCall>, String> {
    let Some(of) = typed.trim().strip_prefix("each ") else { return Ok(vec![sheet_call(typed)?]) };
    let call = sheet_call(of)?;
    let mut before = 0;
    let calls: Vec<SheetCall> = repeats
        .iter()
        .filter_map(|repeat| {
            let (start, length) = (before, length_of(repeat.work));
            before += length;
            let into = match (repeat.work, call.at) {
                (Extent::Distance { .. }, Point::DistanceDone { distance_dm }) => distance_dm.0,
                (Extent::Distance { .. }, Point::DistanceToGo { distance_dm }) => {
                    length.checked_sub(distance_dm.0)?
                }
                (Extent::Time { .. }, Point::Elapsed { time_ms }) => time_ms.0,
                (Extent::Distance { .. } | Extent::Time { .. }, _) => return None,
            };
            let at = match repeat.work {
                Extent::Distance { .. } => {
                    Point::DistanceDone { distance_dm: Decimetres(start + into) }
                }
                Extent::Time { .. } => Point::Elapsed { time_ms: Millis(start + into) },
            };
            (into > 0 && into < length).then(|| SheetCall { at, ..call.clone() })
        })
        .collect();
    if calls.is_empty() {
        return Err(format!(
            "\"{}\" lies in none of the repeats; type one like \"each 100m: Sit tall\" or \"each last 50m: Legs first\".",
            typed.trim()
        ));
    }
    Ok(calls)
}

/// Decimetres or milliseconds.
fn length_of(work: Extent) -> u32 {
    match work {
        Extent::Distance { distance_dm } => distance_dm.0,
        Extent::Time { time_ms } => time_ms.0,
    }
}

fn point_of(typed: &str) -> Option<Point> {
    if let Some(number) = typed.strip_prefix("stroke ") {
        return Some(Point::Stroke { number: number.trim().parse().ok()? });
    }
    if let Some(left) = typed.strip_prefix("last ") {
        return Some(Point::DistanceToGo { distance_dm: distance(left).ok()? });
    }
    if let Ok(distance_dm) = distance(typed) {
        return Some(Point::DistanceDone { distance_dm });
    }
    Some(Point::Elapsed { time_ms: duration(typed).ok()? })
}

/// Reads the words of a call and how long it stands: `Sit tall / Breathe out for 30s`; without a length it
/// stands until the next.
///
/// # Errors
/// A sentence, when there is nothing to show.
pub fn call(typed: &str) -> Result<(CallText, Span), String> {
    let typed = typed.trim();
    let (words, span) = match typed.rsplit_once(" for ") {
        Some((words, length)) => match span(length) {
            Some(span) => (words, span),
            None => (typed, Span::Next),
        },
        None => (typed, Span::Next),
    };
    let (shown, spoken) = words.split_once(" / ").unwrap_or((words, ""));
    if shown.trim().is_empty() {
        return Err("A call needs words to show, at most 3 words and 18 characters.".into());
    }
    Ok((CallText { shown: shown.trim().into(), spoken: spoken.trim().into() }, span))
}

/// `10 strokes`, `30s`, `1:30`.
fn span(typed: &str) -> Option<Span> {
    let typed = typed.trim();
    if let Some(number) = typed.strip_suffix("strokes").or(typed.strip_suffix("stroke")) {
        return Some(Span::Strokes { strokes: number.trim().parse().ok()? });
    }
    Some(Span::Time { time_ms: duration(typed).ok()? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wording::repeats;

    /// The page reads the same lines in its tests.
    #[test]
    fn a_call_in_each_repeat_is_one_at_the_same_point_of_every_repeat_that_is_long_enough() {
        let points = |typed: &str, piece: &str| {
            let calls = sheet_calls(typed, &repeats(piece).unwrap())?;
            Ok::<_, String>(calls.into_iter().map(|call| call.at).collect::<Vec<_>>())
        };
        let metres = |all: &[u32]| {
            let at = |m: &u32| Point::DistanceDone { distance_dm: Decimetres(10 * m) };
            all.iter().map(at).collect::<Vec<_>>()
        };
        let seconds = |all: &[u32]| {
            let at = |s: &u32| Point::Elapsed { time_ms: Millis(1_000 * s) };
            all.iter().map(at).collect::<Vec<_>>()
        };
        assert_eq!(
            points("each 100m: Sit tall for 5 strokes", "3x350m/1:00"),
            Ok(metres(&[100, 450, 800]))
        );
        assert_eq!(points("each last 50m: Legs first", "2x350m/1:00"), Ok(metres(&[300, 650])));
        assert_eq!(
            points("each 0:30: Sit tall", "2min/1:00+20s/1:00+1min"),
            Ok(seconds(&[30, 170]))
        );
        assert_eq!(points("100m: Sit tall", "3x350m/1:00"), Ok(metres(&[100])));
        for typed in [
            "each 400m: Sit tall",
            "each 350m: Sit tall",
            "each 0:30: Sit tall",
            "each stroke 5: Sit tall",
        ] {
            let says = points(typed, "3x350m/1:00").expect_err(typed);
            assert!(says.contains("each last 50m"), "{says}");
        }
    }

    #[test]
    fn every_kind_of_point_and_length() {
        let entry = sheet_call("850m: Sit tall / Tall, and breathe out for 30s").unwrap();
        assert_eq!(entry.at, Point::DistanceDone { distance_dm: Decimetres(8_500) });
        assert_eq!(entry.text.spoken, "Tall, and breathe out");
        assert_eq!(entry.span, Span::Time { time_ms: Millis(30_000) });
        let entry = sheet_call("last 200m: Good for you").unwrap();
        assert_eq!(entry.at, Point::DistanceToGo { distance_dm: Decimetres(2_000) });
        assert_eq!((entry.text.shown.as_str(), entry.span), ("Good for you", Span::Next));
        let entry = sheet_call("4:00: Loose hands for 1 stroke").unwrap();
        assert_eq!(entry.at, Point::Elapsed { time_ms: Millis(240_000) });
        assert_eq!(entry.span, Span::Strokes { strokes: 1 });
        for typed in ["Sit tall", "soon: Sit tall", "850m:", "stroke x: Sit tall"] {
            assert!(sheet_call(typed).expect_err(typed).contains("850m: Sit tall"), "{typed}");
        }
        assert!(sheet_call("850m:  ").unwrap_err().contains("words to show"));
    }
}
