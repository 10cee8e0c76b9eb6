//! What somebody sets out to row a piece by, before anybody looks at what it says.

use thole_protocol::{
    refusal::Refusal,
    spec::{Aim, PieceSpec, Plan},
};

use crate::{
    limits::{HISTORY_MAX, LEGS, Measure, out_of_range},
    plan,
};

/// Whether an aim is no longer than anybody needs, whatever it says. A longer one is refused, neither read nor
/// written.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_length(aim: &Aim) -> Result<(), Refusal> {
    let parts = match &aim.plan {
        Plan::Even | Plan::FastStart | Plan::NegativeSplit => 0,
        Plan::Legs { legs } => legs.len(),
        Plan::Speeds { speeds_ppm } => speeds_ppm.len(),
    };
    if parts > *LEGS.end() {
        return Err(out_of_range(format!("A plan has {} to {} legs.", LEGS.start(), LEGS.end())));
    }
    if aim.history.len() > HISTORY_MAX {
        return Err(out_of_range(format!("Send at most {HISTORY_MAX} past results.")));
    }
    Ok(())
}

/// The same aim; legs without a target make up the target, so that every screen has one.
#[must_use]
pub(crate) fn with_target(piece: &PieceSpec, aim: &Aim) -> Aim {
    let legs = || plan::of_legs(Measure::of(piece)?, &aim.plan);
    Aim { target: aim.target.or_else(legs), ..aim.clone() }
}
