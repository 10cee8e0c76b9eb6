//! Times, distances and paces as people write them.

use crate::{
    shown::{Tenths, time_text},
    units::{Decimetres, Millis, decimetres, millis},
};

/// Reads a time: `6:31.5`, `1:02:03`, `45s`, `12min`, `2min30s`, `1h`; a bare number is not a time.
///
/// # Errors
/// A sentence that says what to type.
///
/// ```
/// use thole_protocol::typed::duration;
/// use thole_protocol::units::Millis;
/// assert_eq!(duration("1:15"), Ok(Millis(75_000)));
/// assert_eq!(duration("2min30s"), Ok(Millis(150_000)));
/// assert!(duration("75").unwrap_err().contains("75s or 1:15"));
/// ```
pub fn duration(typed: &str) -> Result<Millis, String> {
    let typed = typed.trim();
    let wrong = || format!("\"{typed}\" is not a time; type one like 1:15, 75s or 12min.");
    if typed.parse::<f64>().is_ok() {
        return Err(format!(
            "\"{typed}\" has no unit; for seconds type {typed}s or {}.",
            typed
                .parse()
                .map_or("1:15".into(), |s: f64| time_text(millis(s * 1_000.0), Tenths::IfAny))
        ));
    }
    if typed.contains(':') { by_colons(typed) } else { by_units(typed) }.ok_or_else(wrong)
}

/// `6:31.5`, `1:02:03.4`.
fn by_colons(typed: &str) -> Option<Millis> {
    let parts: Vec<&str> = typed.split(':').collect();
    let (hours, minutes, seconds) = match parts.as_slice() {
        [minutes, seconds] => ("0", *minutes, *seconds),
        [hours, minutes, seconds] => (*hours, *minutes, *seconds),
        _ => return None,
    };
    let digits = |text: &str| text.starts_with(|c: char| c.is_ascii_digit());
    if !digits(hours) || !digits(minutes) || !digits(seconds) {
        return None;
    }
    let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
    let seconds: f64 = plain_number(seconds)?;
    // 6:71, 6:5 and 1:2:03 are slips of the finger, not times.
    let whole = |part: &str| part.split('.').next().is_some_and(|whole| whole.len() == 2);
    let two_digits = parts.iter().skip(1).all(|part| whole(part));
    if seconds >= 60.0 || !two_digits || parts.len() == 3 && minutes >= 60 {
        return None;
    }
    whole_ms((f64::from(hours) * 60.0 + f64::from(minutes)) * 60.0 + seconds)
}

/// `1h5min30s`, each part at most once, in this order.
fn by_units(typed: &str) -> Option<Millis> {
    let mut left = typed;
    let mut seconds = 0.0;
    for (unit, size) in [("h", 3_600.0), ("min", 60.0), ("s", 1.0)] {
        let digits = left.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(left.len());
        let (number, behind) = left.split_at(digits);
        // "m" alone is metres; "min" must not be taken for it.
        if let Some(behind) = behind.strip_prefix(unit) {
            seconds += plain_number(number)? * size;
            left = behind;
        }
    }
    (left.is_empty() && !typed.is_empty()).then_some(seconds).and_then(whole_ms)
}

/// Reads a distance: `1700m`, `1.7km`.
///
/// # Errors
/// A sentence that says what to type.
pub fn distance(typed: &str) -> Result<Decimetres, String> {
    let typed = typed.trim();
    let wrong = || format!("\"{typed}\" is not a distance; type one like 1700m or 5km.");
    let (number, size) = match typed.strip_suffix("km") {
        Some(number) => (number, 10_000.0),
        None => (typed.strip_suffix('m').ok_or_else(wrong)?, 10.0),
    };
    let dm = plain_number(number).map(|n| n * size).ok_or_else(wrong)?;
    if dm > f64::from(u32::MAX) {
        return Err(wrong());
    }
    Ok(decimetres(dm))
}

/// A number made of digits with at most one point between them: no sign, no exponent, no infinity.
fn plain_number(text: &str) -> Option<f64> {
    let digit = |c: char| c.is_ascii_digit();
    let plain = text.starts_with(digit)
        && text.ends_with(digit)
        && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    plain.then(|| text.parse().ok()).flatten()
}

fn whole_ms(seconds: f64) -> Option<Millis> {
    (seconds * 1_000.0 <= f64::from(u32::MAX)).then(|| millis(seconds * 1_000.0))
}

#[cfg(test)]
mod tests {
    use crate::shown::{distance_text, duration_text};
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn times_as_people_write_them() {
        for (typed, ms) in [
            ("6:31.5", 391_500),
            ("1:02:03.4", 3_723_400),
            ("45s", 45_000),
            ("12min", 720_000),
            ("1h5min30s", 3_930_000),
            ("0:20.25", 20_250),
            (" 1:15 ", 75_000),
            ("7.5min", 450_000),
        ] {
            assert_eq!(duration(typed), Ok(Millis(ms)), "{typed}");
        }
        for typed in ["", "6:71", "6:5", "x", "12m", "-1:00", "1:-5", "s30", "1e3s", "1:60:00"] {
            let says = duration(typed).expect_err(typed);
            assert!(says.contains("1:15"), "{typed}: {says}");
        }
        assert_eq!(
            duration("75").unwrap_err(),
            "\"75\" has no unit; for seconds type 75s or 1:15."
        );
    }

    #[test]
    fn distances_as_people_write_them() {
        for (typed, dm) in [("1700m", 17_000), ("5km", 50_000), ("1.25km", 12_500), ("12.3m", 123)]
        {
            assert_eq!(distance(typed), Ok(Decimetres(dm)), "{typed}");
        }
        for typed in ["1700", "m", "-5m", "9999999km", "12min"] {
            assert!(distance(typed).expect_err(typed).contains("1700m"), "{typed}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(ms in 0u32..20_000_000, dm in 0u32..2_000_000) {
            prop_assert_eq!(duration(&duration_text(Millis(ms))), Ok(Millis(ms)));
            prop_assert_eq!(distance(&distance_text(Decimetres(dm))), Ok(Decimetres(dm)));
        }
    }
}
