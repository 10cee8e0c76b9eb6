//! For how long strokes and heart rate are kept, from when on they are due, and what was let go.

use rusqlite::params;
use thole_club::ClubDay;
use thole_protocol::ids::SessionId;

use super::{ClubError, Store, queries, writing};
use crate::journal::Passing;

const DAY_MS: u64 = 86_400_000;
/// What is due is let go when the clock has shown so for this long.
const NOTICE_MS: u64 = 7 * DAY_MS;
/// A horizon is noted so often.
const NOTED_EVERY_MS: u64 = 20 * 3_600_000;
/// The least that a club keeps for: the week of notice, and results are long settled by then.
pub const KEEP_DAYS_MIN: u32 = 7;
/// The most, ten years.
pub const KEEP_DAYS_MAX: u32 = 3_650;

/// For how many days a club keeps what machines and straps have said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Keeping {
    /// Strokes.
    pub strokes_days: u32,
    /// Heart rate.
    pub heart_rate_days: u32,
}

/// What is due, on the wall clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Due {
    /// Strokes from before this.
    pub strokes_before_ms: u64,
    /// Heart rate from before this.
    pub heart_rate_before_ms: u64,
}

/// What was let go of one kind, so far.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WasLetGo {
    /// Of so many sessions.
    pub sessions: u64,
    /// So many records.
    pub records: u64,
    /// The day on which the last of it went; `None` when nothing has yet.
    pub day: Option<ClubDay>,
}

impl Store {
    /// For how long what is kept.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn keeping(&self) -> Result<Keeping, ClubError> {
        let club = self.club.club.to_string();
        let days = |days: i64| u32::try_from(days).unwrap_or(KEEP_DAYS_MAX);
        Ok(self.connection.query_row(queries::KEEPING, [club], |row| {
            Ok(Keeping { strokes_days: days(row.get(0)?), heart_rate_days: days(row.get(1)?) })
        })?)
    }

    /// From now on it is kept for so long. What is due by that is let go a week from now at the earliest.
    ///
    /// # Errors
    /// Too short or too long, or it cannot be written.
    pub fn set_keeping(&mut self, keeping: Keeping) -> Result<(), ClubError> {
        let Keeping { strokes_days, heart_rate_days } = keeping;
        for (what, days) in [("Strokes", strokes_days), ("Heart rate", heart_rate_days)] {
            if !(KEEP_DAYS_MIN..=KEEP_DAYS_MAX).contains(&days) {
                return Err(ClubError::Refused(format!(
                    "{what} can be kept for {KEEP_DAYS_MIN} to {KEEP_DAYS_MAX} days, not for {days}."
                )));
            }
        }
        let club = self.club.club.to_string();
        let named = params![i64::from(strokes_days), i64::from(heart_rate_days), club];
        self.connection.execute(queries::SET_KEEPING, named)?;
        Ok(())
    }

    /// When it was last looked what is due; `None` when that has never been.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn retention_ran(&self) -> Result<Option<u64>, ClubError> {
        let club = self.club.club.to_string();
        let ran: Option<i64> =
            self.connection.query_row(queries::KEEPING, [club], |row| row.get(2))?;
        Ok(ran.map(i64::cast_unsigned))
    }

    /// What is due now: what was due by what the clock has shown a week ago or earlier, and is due by how long the club keeps it
    /// now. Notes what will be due by then.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn due(&mut self, now_unix_ms: u64) -> Result<Due, ClubError> {
        let Keeping { strokes_days, heart_rate_days } = self.keeping()?;
        let club = self.club.club.to_string();
        let before = |days: u32, now: u64| now.saturating_sub(u64::from(days) * DAY_MS);
        let transaction = writing(&mut self.connection)?;
        let mut noted: Vec<(u64, Due)> = {
            let mut select = transaction.prepare_cached(queries::HORIZONS)?;
            let rows = select.query_map([&club], |row| {
                let at = |column| row.get::<_, i64>(column).map(i64::cast_unsigned);
                let due = Due { strokes_before_ms: at(1)?, heart_rate_before_ms: at(2)? };
                Ok((at(0)?, due))
            })?;
            rows.collect::<Result<_, _>>()?
        };
        // The clock has shown what is still to come: it was wrong then, or is now, and nothing goes by what was noted.
        for (at, _) in noted.iter().filter(|(at, _)| *at > now_unix_ms) {
            transaction.execute(queries::REMOVE_HORIZON, params![club, at.cast_signed()])?;
        }
        noted.retain(|(at, _)| *at <= now_unix_ms);
        if noted.first().is_none_or(|(at, _)| *at + NOTED_EVERY_MS <= now_unix_ms) {
            let then = now_unix_ms.saturating_add(NOTICE_MS);
            let (strokes, heart_rate) = (before(strokes_days, then), before(heart_rate_days, then));
            let named = params![
                club,
                now_unix_ms.cast_signed(),
                strokes.cast_signed(),
                heart_rate.cast_signed()
            ];
            transaction.execute(queries::NEW_HORIZON, named)?;
        }
        let mut old = noted.iter().filter(|(at, _)| at.saturating_add(NOTICE_MS) <= now_unix_ms);
        let newest = old.next().map_or(Due::default(), |(_, due)| *due);
        for (at, _) in old {
            transaction.execute(queries::REMOVE_HORIZON, params![club, at.cast_signed()])?;
        }
        transaction.commit()?;
        Ok(Due {
            strokes_before_ms: newest.strokes_before_ms.min(before(strokes_days, now_unix_ms)),
            heart_rate_before_ms: newest
                .heart_rate_before_ms
                .min(before(heart_rate_days, now_unix_ms)),
        })
    }

    /// Something of a session was let go.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn note_let_go(
        &mut self,
        session: SessionId,
        what: Passing,
        records: u64,
        now_unix_ms: u64,
    ) -> Result<(), ClubError> {
        let day = self.club.zone.day(now_unix_ms);
        let named = params![
            self.club.club.to_string(),
            session.to_string(),
            named(what),
            records.cast_signed(),
            day.as_str()
        ];
        self.connection.execute(queries::PUT_LET_GO, named)?;
        Ok(())
    }

    /// It was looked what is due.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn note_retention_ran(&mut self, now_unix_ms: u64) -> Result<(), ClubError> {
        let named = params![now_unix_ms.cast_signed(), self.club.club.to_string()];
        self.connection.execute(queries::SET_RETENTION_RAN, named)?;
        Ok(())
    }

    /// What was let go of one kind so far.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn was_let_go(&self, what: Passing) -> Result<WasLetGo, ClubError> {
        let asked = params![self.club.club.to_string(), named(what)];
        let (sessions, records, day) =
            self.connection.query_row(queries::LET_GO, asked, |row| {
                let (sessions, records): (i64, i64) = (row.get(0)?, row.get(1)?);
                Ok((
                    sessions.cast_unsigned(),
                    records.cast_unsigned(),
                    row.get::<_, Option<String>>(2)?,
                ))
            })?;
        let day = day.map(|day| day.parse()).transpose();
        let day =
            day.map_err(|_| ClubError::Store("a day of what was let go is none".to_owned()))?;
        Ok(WasLetGo { sessions, records, day })
    }
}

fn named(what: Passing) -> &'static str {
    match what {
        Passing::Strokes => "strokes",
        Passing::HeartRate => "heart_rate",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: u64 = 1_797_000_000_000;

    fn store() -> (tempfile::TempDir, Store) {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        (folder, store)
    }

    fn days_ago(now: u64, days: u64) -> u64 {
        now - days * DAY_MS
    }

    #[test]
    fn nothing_is_due_before_the_clock_has_shown_for_a_week_that_it_is() {
        let (_folder, mut store) = store();
        assert_eq!(store.due(NOW).unwrap(), Due::default());
        assert_eq!(store.due(NOW + NOTICE_MS - 1).unwrap(), Due::default());
        let week = NOW + NOTICE_MS;
        let due = store.due(week).unwrap();
        assert_eq!(due.strokes_before_ms, days_ago(week, 400));
        assert_eq!(due.heart_rate_before_ms, days_ago(week, 60));
        for day in 0..7 {
            store.due(week + day * DAY_MS).unwrap();
        }
        let week = week + NOTICE_MS;
        // From then on nothing is late, for it is noted every day.
        for hour in 0..24 * 20 {
            let now = week + hour * 3_600_000;
            let due = store.due(now).unwrap();
            let late = days_ago(now, 60) - due.heart_rate_before_ms;
            assert!(late < DAY_MS, "{late} ms late in hour {hour}");
        }
    }

    #[test]
    fn a_clock_that_leaps_a_year_ahead_and_back_takes_nothing() {
        let (_folder, mut store) = store();
        for day in 0..8 {
            store.due(NOW + day * DAY_MS).unwrap();
        }
        let before = store.due(NOW + 8 * DAY_MS).unwrap();
        let ahead = NOW + 373 * DAY_MS;
        for hour in 0..24 * 6 {
            let due = store.due(ahead + hour * 3_600_000).unwrap();
            // What was due by the clock as it was a day before, at the most.
            assert!(
                due.heart_rate_before_ms <= before.heart_rate_before_ms + DAY_MS * 8,
                "{due:?}"
            );
        }
        let back = store.due(NOW + 9 * DAY_MS).unwrap();
        assert!(back.heart_rate_before_ms <= days_ago(NOW + 9 * DAY_MS, 60));
        // What the clock has shown in that time counts for nothing, also when that time comes.
        let later = store.due(ahead + 6 * DAY_MS).unwrap();
        assert!(later.heart_rate_before_ms <= days_ago(NOW + 16 * DAY_MS, 60), "{later:?}");
    }

    #[test]
    fn who_shortens_it_by_a_slip_has_a_week_to_put_it_right() {
        let (_folder, mut store) = store();
        for day in 0..10 {
            store.due(NOW + day * DAY_MS).unwrap();
        }
        let now = NOW + 10 * DAY_MS;
        let before = store.due(now).unwrap();
        store.set_keeping(Keeping { strokes_days: 7, heart_rate_days: 7 }).unwrap();
        assert!(store.due(now + 1).unwrap().strokes_before_ms <= before.strokes_before_ms + 1);
        let longer = Keeping { strokes_days: 800, heart_rate_days: 90 };
        store.set_keeping(longer).unwrap();
        assert_eq!(store.keeping().unwrap(), longer);
        assert_eq!(store.due(now + 2).unwrap().heart_rate_before_ms, days_ago(now + 2, 90));
        for days in [0, 6, 3_651, u32::MAX] {
            let refused = store.set_keeping(Keeping { heart_rate_days: days, ..longer });
            assert!(refused.unwrap_err().to_string().contains("7 to 3650 days"), "{days}");
        }
        assert_eq!(store.keeping().unwrap(), longer);
    }
}
