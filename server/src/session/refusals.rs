//! How much of what an athlete says may still turn out to be refused: it is written before the core judges it.

use std::collections::BTreeMap;

use thole_piece::Input;
use thole_protocol::ids::AthleteId;
use tokio::time::Instant;

use crate::limits::{Allowance, WRITTEN_REFUSALS_MAX};

/// Of each athlete of whom something was refused.
#[derive(Debug, Default)]
pub(super) struct Refusals(BTreeMap<AthleteId, Allowance>);

impl Refusals {
    /// The core has refused something that this athlete said.
    pub(super) fn count(&mut self, athlete: AthleteId, now: Instant) {
        let full = || Allowance::new(WRITTEN_REFUSALS_MAX, WRITTEN_REFUSALS_MAX / 60.0, now);
        self.0.entry(athlete).or_insert_with(full).take(now);
    }

    /// Whether so much of this athlete was refused that an input is not written at all. Never what was rowed: that
    /// is refused sample by sample, and each only once.
    pub(super) fn bars(&mut self, input: &Input, now: Instant) -> bool {
        let is_rowed = matches!(input, Input::Samples { .. } | Input::Skipped { .. });
        let allowance = input.athlete().filter(|_| !is_rowed);
        allowance
            .and_then(|athlete| self.0.get_mut(&athlete))
            .is_some_and(|allowance| allowance.is_spent(now))
    }
}
