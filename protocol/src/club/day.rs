//! A day of the club's calendar.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

/// A day of the club's calendar, as `2026-11-30`; days compare as their texts do.
///
/// ```
/// use thole_protocol::club::ClubDay;
/// assert!("2028-02-29".parse::<ClubDay>().unwrap() < ClubDay::last());
/// assert!("2027-02-29".parse::<ClubDay>().is_err());
/// ```
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(try_from = "String", into = "String")]
pub struct ClubDay(
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 10, "maxLength" = 10)))] String,
);

impl ClubDay {
    /// As it is written.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Before every other day that can be written.
    #[must_use]
    pub fn first() -> ClubDay {
        ClubDay("0001-01-01".to_owned())
    }

    /// After every other day that can be written.
    #[must_use]
    pub fn last() -> ClubDay {
        ClubDay("9999-12-31".to_owned())
    }
}

impl FromStr for ClubDay {
    type Err = String;

    fn from_str(text: &str) -> Result<ClubDay, String> {
        let text = text.trim();
        let [year, month, day] = parts(text)
            .filter(|[year, month, day]| *year >= 1 && (1..=days_in(*year, *month)).contains(day))
            .ok_or_else(|| format!("{text} is no day: write it as 2026-11-30"))?;
        Ok(ClubDay(format!("{year:04}-{month:02}-{day:02}")))
    }
}

/// The numbers of `2026-11-30`, if it is written so.
fn parts(text: &str) -> Option<[u16; 3]> {
    let mut parts = text.split('-');
    let mut number = |digits: usize| {
        let part = parts.next()?;
        let is_number = part.len() == digits && part.bytes().all(|byte| byte.is_ascii_digit());
        is_number.then(|| part.parse().ok()).flatten()
    };
    let all = [number(4)?, number(2)?, number(2)?];
    parts.next().is_none().then_some(all)
}

/// How many days a month has in the calendar of ISO 8601; none for what is no month.
fn days_in(year: u16, month: u16) -> u16 {
    let is_leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    match month {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 => 28 + u16::from(is_leap),
        _ => 0,
    }
}

impl TryFrom<String> for ClubDay {
    type Error = String;

    fn try_from(text: String) -> Result<ClubDay, String> {
        text.parse()
    }
}

impl From<ClubDay> for String {
    fn from(day: ClubDay) -> String {
        day.0
    }
}

impl fmt::Display for ClubDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_day_is_said() {
        assert_eq!("2026-11-30".parse::<ClubDay>().unwrap().as_str(), "2026-11-30");
        for wrong in [
            "2026-11-31",
            "2026-00-10",
            "2026-13-01",
            "1900-02-29",
            "2026-1-1",
            "0000-01-01",
            "yesterday",
            "",
            "-000005-01-01",
            "2026-11-30-1",
        ] {
            let said = wrong.parse::<ClubDay>();
            assert!(said.is_err_and(|says| says.contains("2026-11-30")), "{wrong}");
            assert!(serde_json::from_str::<ClubDay>(&format!("{wrong:?}")).is_err(), "{wrong}");
        }
        assert!("2000-02-29".parse::<ClubDay>().is_ok());
    }
}
