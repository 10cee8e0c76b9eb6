//! The session's clock after another boot of the machine: the wall clock is the proposal, and what returning
//! devices know of the session's time is the check, before anybody is welcomed.

use std::{collections::BTreeMap, time::Duration};

use thole_protocol::units::At;

use crate::{host::Host, planted::Fault, reckoned::Trust, record::Holder};

/// This many people's devices are enough: of three, one may be wrong.
const ENOUGH: usize = 3;
/// The first welcomes wait this long for them, in real time.
pub const CLOCK_WAIT: Duration = Duration::from_secs(2);
/// How far apart the clocks may be, in real time: the trip over a slow network, and whole seconds.
const APART_MS: u64 = 1_000;
/// Nobody's device moves a session further past its last record than this: a day, in real time. A session left alone for
/// longer has nothing under way that a clock could distort (our choice).
const GONE_MAX_MS: u64 = 24 * 3_600_000;

/// How far the devices of different people are ahead of the proposal, milliseconds of the session.
#[derive(Clone, Debug, Default)]
pub struct Readings(BTreeMap<Holder, i64>);

/// What becomes of the proposal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checked {
    /// It stands.
    Holds,
    /// It is wrong by this many milliseconds.
    Wrong(i64),
    /// Too few have told the time to be able to say.
    Unknown,
}

impl Readings {
    /// A device has come back that had the time `told` when the proposal was at `shown_ms`, which is negative before the
    /// session began. Only the first of each person counts.
    pub fn take(&mut self, whose: Holder, told: At, shown_ms: i64) {
        // A board was told the time like everybody else, but it is nobody's: one person may have eight of
        // them.
        if whose != Holder::Board {
            self.0.entry(whose).or_insert_with(|| signed(told) - shown_ms);
        }
    }

    /// Whether there is no need to wait for anybody else.
    #[must_use]
    pub fn are_enough(&self) -> bool {
        self.0.len() >= ENOUGH
    }

    /// How many people's devices have told the time.
    #[must_use]
    pub fn devices(&self) -> u8 {
        u8::try_from(self.0.len()).unwrap_or(u8::MAX)
    }

    /// What they say about a clock that shows `now`, runs `speed` times as fast as real time, and whose last record is
    /// from `last`.
    #[must_use]
    pub fn of(&self, now: At, last: At, speed: u32) -> Checked {
        let mut apart: Vec<i64> = self.0.values().copied().collect();
        apart.sort_unstable();
        let Some(median) = apart.get(apart.len() / 2).filter(|_| self.are_enough()) else {
            return Checked::Unknown;
        };
        let in_session = |life_ms: u64| signed(At(life_ms.saturating_mul(u64::from(speed))));
        // Back, but never to before what has already happened.
        let median = (*median).max(signed(last) - signed(now));
        if median.abs() <= in_session(APART_MS) {
            Checked::Holds
        } else if signed(now) + median > signed(last) + in_session(GONE_MAX_MS) {
            Checked::Unknown
        } else {
            Checked::Wrong(median)
        }
    }
}

impl Host {
    /// Whether a clock that went on this way is to be checked before anybody is welcomed. Between pieces there is nothing
    /// that a wrong one could distort, and nobody has to wait.
    #[must_use]
    pub fn doubts(&self, trust: Trust) -> bool {
        trust == Trust::WallClock && self.core.is_under_way() && !self.has(Fault::ClockUnchecked)
    }
}

fn signed(at: At) -> i64 {
    i64::try_from(at.0).unwrap_or(i64::MAX / 4)
}

#[cfg(test)]
mod tests {
    use thole_protocol::ids::AthleteId;
    use uuid::Uuid;

    use super::*;

    const LAST: At = At(100_000);
    const NOW: At = At(105_000);

    fn readings(apart: &[i64]) -> Readings {
        let whose = (0..).map(|nth| Holder::Athlete(AthleteId(Uuid::from_u128(nth))));
        Readings(whose.zip(apart.iter().copied()).collect())
    }

    fn of(apart: &[i64]) -> Checked {
        readings(apart).of(NOW, LAST, 1)
    }

    #[test]
    fn three_people_are_asked_and_one_of_them_may_be_wrong() {
        assert_eq!(of(&[20, -30, 900]), Checked::Holds);
        assert_eq!(of(&[-3_600_000, 20, -30]), Checked::Holds);
        assert_eq!(of(&[600_000, 7_000, 7_010]), Checked::Wrong(7_010));
        assert_eq!(of(&[7_000, 7_010]), Checked::Unknown);
        assert_eq!(of(&[]), Checked::Unknown);
    }

    #[test]
    fn a_clock_goes_back_no_further_than_to_what_has_happened() {
        assert_eq!(of(&[-3_000, -3_000, -3_000]), Checked::Wrong(-3_000));
        assert_eq!(of(&[-3_600_000, -3_600_000, -3_600_000]), Checked::Wrong(-5_000));
    }

    #[test]
    fn liars_take_it_a_day_forward_at_most() {
        let day = 24 * 3_600_000;
        assert_eq!(of(&[day - 5_000; 3]), Checked::Wrong(day - 5_000));
        assert_eq!(of(&[day - 4_999; 3]), Checked::Unknown);
        assert_eq!(of(&[i64::MAX / 4; 3]), Checked::Unknown);
    }

    #[test]
    fn a_second_is_one_of_life() {
        assert_eq!(readings(&[9_000; 3]).of(NOW, LAST, 10), Checked::Holds);
        assert_eq!(readings(&[11_000; 3]).of(NOW, LAST, 10), Checked::Wrong(11_000));
    }

    #[test]
    fn each_person_counts_once_and_boards_are_nobody() {
        let mut readings = Readings::default();
        let ana = Holder::Athlete(AthleteId(Uuid::from_u128(1)));
        let whose = [ana, ana, Holder::Board, Holder::Coach, Holder::Coach];
        for (whose, shown_ms) in whose.into_iter().zip([0, 10, 0, 0, 0]) {
            readings.take(whose, At(40), shown_ms);
        }
        assert_eq!(readings.devices(), 2);
        assert_eq!(readings.0.get(&ana), Some(&40));
        // Told two seconds before the session was read.
        let ben = Holder::Athlete(AthleteId(Uuid::from_u128(2)));
        readings.take(ben, At(40), -2_000);
        assert_eq!(readings.0.get(&ben), Some(&2_040));
    }
}
