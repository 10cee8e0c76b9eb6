//! Instants between two milliseconds: a crossing lies somewhere between two samples.

use std::ops::{Add, Sub, SubAssign};

use thole_protocol::units::At;

/// An instant of the session, with its fraction of a millisecond.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct FineAt(f64);

impl FineAt {
    /// After every other instant.
    pub(crate) const NEVER: FineAt = FineAt(f64::INFINITY);

    /// This many milliseconds into the session.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "exact for 285,000 years")]
    pub fn of(ms: u64) -> FineAt {
        FineAt(ms as f64)
    }

    /// Milliseconds of the session.
    #[must_use]
    pub fn ms(self) -> f64 {
        self.0
    }

    /// The whole millisecond that it falls in.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an instant of the session, never below zero; `as` from f64 saturates"
    )]
    pub fn floor(self) -> At {
        At(self.0 as u64)
    }

    /// The first whole millisecond that is not before it.
    #[must_use]
    pub fn ceil(self) -> At {
        FineAt(self.0.ceil()).floor()
    }

    /// The later of two.
    #[must_use]
    pub fn max(self, other: FineAt) -> FineAt {
        FineAt(self.0.max(other.0))
    }

    /// The earlier of two.
    #[must_use]
    pub fn min(self, other: FineAt) -> FineAt {
        FineAt(self.0.min(other.0))
    }

    /// The nearest instant between these two.
    #[must_use]
    pub(crate) fn clamp(self, earliest: FineAt, latest: FineAt) -> FineAt {
        FineAt(self.0.clamp(earliest.0, latest.0))
    }

    /// This share (0 to 1) of the way from this one to the other.
    #[must_use]
    pub(crate) fn towards(self, other: FineAt, share: f64) -> FineAt {
        FineAt(share * other.0 + (1.0 - share) * self.0)
    }
}

impl From<At> for FineAt {
    fn from(at: At) -> FineAt {
        FineAt::of(at.0)
    }
}

impl From<&At> for FineAt {
    fn from(at: &At) -> FineAt {
        FineAt::of(at.0)
    }
}

/// This many milliseconds later.
impl Add<f64> for FineAt {
    type Output = FineAt;

    fn add(self, ms: f64) -> FineAt {
        FineAt(self.0 + ms)
    }
}

/// This many milliseconds earlier.
impl Sub<f64> for FineAt {
    type Output = FineAt;

    fn sub(self, ms: f64) -> FineAt {
        FineAt(self.0 - ms)
    }
}

impl SubAssign<f64> for FineAt {
    fn sub_assign(&mut self, ms: f64) {
        self.0 -= ms;
    }
}

/// How many milliseconds lie between the two; negative when this one is earlier.
impl Sub for FineAt {
    type Output = f64;

    fn sub(self, other: FineAt) -> f64 {
        self.0 - other.0
    }
}
