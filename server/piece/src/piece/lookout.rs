//! Whom a piece waits for, remembered, so that not everybody has to be looked at after every single stroke.

use thole_protocol::{ids::AthleteId, units::At};

/// What was found when everybody was last looked at, as far as it still holds.
///
/// It only saves work: the answers are the same with or without it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Lookout {
    /// Before this instant nobody is home, unless somebody who rows gets home sooner (`sees`).
    pub(super) nobody_home_before: At,
    /// Somebody who was found home.
    pub(super) home: Option<AthleteId>,
    /// Somebody whom the piece, or its next repeat, was found to be waiting for.
    pub(super) waited_for: Option<AthleteId>,
}

impl Lookout {
    /// Somebody has rowed on, and will be home from this instant on.
    pub(super) fn sees(&mut self, home_at: At) {
        self.nobody_home_before = self.nobody_home_before.min(home_at);
    }
}
