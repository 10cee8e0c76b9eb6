//! Whom a piece waits for, remembered, so that not everybody is looked at after every single stroke.

use thole_protocol::{ids::AthleteId, units::At};

/// What was found when everybody was looked at last, as far as it still holds.
///
/// It only saves looking: with or without it, the same is found.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Lookout {
    /// Before this instant nobody is home, unless somebody who rows comes home by then (`sees`).
    pub(super) nobody_home_before: At,
    /// Somebody who was found home.
    pub(super) home: Option<AthleteId>,
    /// Somebody for whom the piece, or its next repeat, was found to wait.
    pub(super) waited_for: Option<AthleteId>,
}

impl Lookout {
    /// Somebody has rowed on, and is home from this instant on.
    pub(super) fn sees(&mut self, home_at: At) {
        self.nobody_home_before = self.nobody_home_before.min(home_at);
    }
}
