//! The one file of the load tests that reads the time.

use std::time::Instant;

/// Microseconds since the run began, on the machine's monotonic clock.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clock(Instant);

impl Clock {
    /// A clock that starts now.
    #[expect(clippy::disallowed_methods, reason = "this is the file that reads the time")]
    pub(crate) fn start() -> Clock {
        Clock(Instant::now())
    }

    /// Microseconds since it began.
    pub(crate) fn now_us(self) -> u64 {
        u64::try_from(self.0.elapsed().as_micros()).unwrap_or(u64::MAX)
    }
}
