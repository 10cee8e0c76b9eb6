//! Instants, as the shell tells them.

use std::{
    ops::{Add, Sub},
    time::Duration,
};

use thole_protocol::units::At;

/// An instant of the process's own clock, which nobody sets and no speed scales: the time since it began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment(pub Duration);

impl Add<Duration> for Moment {
    type Output = Moment;

    fn add(self, after: Duration) -> Moment {
        Moment(self.0.saturating_add(after))
    }
}

impl Sub for Moment {
    type Output = Duration;

    fn sub(self, before: Moment) -> Duration {
        self.0.saturating_sub(before.0)
    }
}

/// One instant on both clocks that a session uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Now {
    /// On the session's clock.
    pub at: At,
    /// On the process's.
    pub moment: Moment,
}
