//! The computer that the server runs on: its boots, and a wall clock that anybody may set.

use thole::chance::Chance;
use thole_host::{Reckoned, Uptime};
use thole_protocol::units::At;

use super::{Tally, post::signed};

/// The wall clock at the beginning of the world, when it is right.
pub(super) const BORN_UNIX_MS: u64 = 1_700_000_000_000;
/// A computer takes longer to start again than a process.
const BOOTS_IN_MS: u64 = 3_000;
/// How often its wall clock is set while it runs.
const SET_ONE_IN: u64 = 1_200;

/// One computer, boot after boot.
#[derive(Debug)]
pub(super) struct Computer {
    boots: u64,
    booted_at: u64,
    /// How far the wall clock is ahead of the right time.
    wall_ahead_ms: i64,
    /// `None` in the life in peace.
    chance: Option<Chance>,
}

impl Computer {
    pub(super) fn new(chance: Option<Chance>) -> Computer {
        Computer { boots: 1, booted_at: 0, wall_ahead_ms: 0, chance }
    }

    /// Where the instant `at` of the session's clock is on the computer's clocks.
    pub(super) fn reckoned(&self, now: u64, at: At) -> Reckoned {
        Reckoned { at, unix_ms: self.unix_ms(now), uptime: Some(self.uptime(now)) }
    }

    pub(super) fn unix_ms(&self, now: u64) -> u64 {
        (BORN_UNIX_MS + now).saturating_add_signed(self.wall_ahead_ms)
    }

    pub(super) fn uptime(&self, now: u64) -> Uptime {
        Uptime { boot: self.boots.to_string(), ns: (now - self.booted_at) * 1_000_000 }
    }

    /// Somebody sets its wall clock while the server runs.
    pub(super) fn may_be_set(&mut self, tally: &mut Tally) {
        if let Some(chance) = &mut self.chance
            && chance.below(SET_ONE_IN) == 0
        {
            tally.add("wall clock set while the server runs");
            self.wall_ahead_ms = wrong_by(chance);
        }
    }

    /// The server has died, and maybe its computer with it: returns how much longer it takes to come back
    /// because of that.
    pub(super) fn dies(&mut self, now: u64, tally: &mut Tally) -> u64 {
        let Some(chance) = &mut self.chance else { return 0 };
        if chance.below(2) == 0 {
            return 0;
        }
        self.boots += 1;
        self.booted_at = now;
        self.wall_ahead_ms = match chance.below(4) {
            0 => {
                tally.add("computer started again");
                0
            }
            1 => {
                tally.add("computer started again without a wall clock");
                -signed(BORN_UNIX_MS + now)
            }
            _ => {
                tally.add("computer started again with a wrong wall clock");
                wrong_by(chance)
            }
        };
        BOOTS_IN_MS
    }
}

/// From more than the second that devices overlook, to more than the day that they may take a session
/// forward.
fn wrong_by(chance: &mut Chance) -> i64 {
    let most = match chance.below(3) {
        0 => 60_000,
        1 => 12 * 3_600_000,
        _ => 60 * 24 * 3_600_000,
    };
    let by = signed(2_000 + chance.below(most));
    if chance.below(2) == 0 { by } else { -by }
}
