//! Whether a machine cuts its metres off: it shows 312 m from 312.0 to 312.9.

/// This many steps, all of them in whole metres …
const STEPS: u8 = 16;
/// … come from a machine that has on average gone half a metre further than it says, decimetres.
pub(super) const CUT_OFF_DM: f64 = 5.0;

/// Steady rowing that is cut off gives steps of a metre more or less; steps that are all alike, apart from the first
/// strokes, say nothing about cutting off, unless they are of one metre each: so counts a machine that reports more often
/// than it advances a metre.
const UNEVEN: u8 = 4;
/// What such a machine counts in.
const METRE_DM: f64 = 10.0;

/// What the steps of a machine have been like so far.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Wholes {
    steps: u8,
    last_dm: f64,
    /// How many differed from the one before, or were of one metre.
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
