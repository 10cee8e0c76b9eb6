//! The days of a club: what is rowed at half past eleven in the evening is of that evening, wherever the server stands.

use std::str::FromStr;

use jiff::{Timestamp, tz::TimeZone};
pub use thole_protocol::club::ClubDay;

/// The time zone of a club, by its name in the IANA's database; the database is a part of this program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone(TimeZone);

impl Zone {
    /// Where a club is whose zone nobody has said.
    #[must_use]
    pub fn utc() -> Zone {
        Zone(TimeZone::UTC)
    }

    /// As it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// The day of an instant here.
    ///
    /// ```
    /// use thole_club::Zone;
    /// let late = 1_796_077_800_000; // 2026-11-30 23:30 in Berlin
    /// assert_eq!("Europe/Berlin".parse::<Zone>().unwrap().day(late).as_str(), "2026-11-30");
    /// assert_eq!("Pacific/Auckland".parse::<Zone>().unwrap().day(late).as_str(), "2026-12-01");
    /// ```
    #[must_use]
    pub fn day(&self, unix_ms: u64) -> ClubDay {
        let instant =
            i64::try_from(unix_ms).ok().and_then(|ms| Timestamp::from_millisecond(ms).ok());
        // A clock that is set to after the year 9999 is wrong, and its day is no matter.
        let day = instant.map(|instant| self.0.to_datetime(instant).date().to_string());
        day.and_then(|day| day.parse().ok()).unwrap_or_else(ClubDay::last)
    }
}

impl FromStr for Zone {
    type Err = String;

    fn from_str(text: &str) -> Result<Zone, String> {
        TimeZone::get(text.trim())
            .map(Zone)
            .map_err(|_| format!("{text} is no time zone: write it as Europe/Berlin"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values: the hour that summer time leaves out and the one that it has twice, RFC 8536 rules as of 2026 for Berlin.
    #[test]
    fn the_day_turns_at_midnight_there_in_summer_and_in_winter() {
        let zone: Zone = "Europe/Berlin".parse().unwrap();
        let day = |ms| zone.day(ms).to_string();
        // 2026-07-01 00:00 in Berlin is 22:00 UTC of the day before; in winter it is 23:00.
        assert_eq!(
            (day(1_782_856_799_999), day(1_782_856_800_000)),
            ("2026-06-30".into(), "2026-07-01".into())
        );
        assert_eq!(
            (day(1_798_757_999_999), day(1_798_758_000_000)),
            ("2026-12-31".into(), "2027-01-01".into())
        );
        assert_eq!(Zone::utc().day(1_798_758_000_000).as_str(), "2026-12-31");
        assert_eq!(zone.name(), "Europe/Berlin");
        assert_eq!(zone.day(u64::MAX), ClubDay::last());
    }

    #[test]
    fn what_is_no_zone_is_said() {
        assert!("Weir/House".parse::<Zone>().unwrap_err().contains("Europe/Berlin"));
        assert!(
            ClubDay::first() < "2026-11-30".parse().unwrap() && ClubDay::last() > ClubDay::first()
        );
    }
}
