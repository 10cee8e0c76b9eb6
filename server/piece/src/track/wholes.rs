//! Whether a machine cuts its metres off: it shows 312 m from 312.0 to 312.9.

/// So many steps in whole metres, and no other …
const STEPS: u8 = 16;
/// … are those of a machine that has on average come half a metre further than it says, decimetres.
pub(super) const CUT_OFF_DM: f64 = 5.0;

/// Steady rowing that is cut off makes steps of a metre more or less; steps all alike, but for the first strokes, tell nothing of
/// what is cut off, unless they are of one metre each: so a machine counts that is heard more often than it has come a metre on.
const UNEVEN: u8 = 4;
/// What such a machine counts in.
const METRE_DM: f64 = 10.0;

/// What the steps of a machine have been like so far.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Wholes {
    steps: u8,
    last_dm: f64,
    /// How many were not as large as the one before, or of one metre.
    uneven: u8,
    has_tenths: bool,
}

impl Wholes {
    /// One more step, decimetres.
    pub(super) fn hear(&mut self, gained_dm: f64) {
        if gained_dm <= 0.0 {
            return;
        }
        let is_uneven = self.steps > 0 && (gained_dm != self.last_dm || gained_dm == METRE_DM);
        self.uneven = self.uneven.saturating_add(u8::from(is_uneven));
        self.has_tenths |= gained_dm % METRE_DM != 0.0;
        self.steps = self.steps.saturating_add(1);
        self.last_dm = gained_dm;
    }

    pub(super) fn are_cut_off(self) -> bool {
        self.steps >= STEPS && self.uneven >= UNEVEN && !self.has_tenths
    }
}
