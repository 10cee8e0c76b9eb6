//! Numbers that know their unit; on the wire a bare integer in a field whose name ends in the unit.

use std::ops::{Add, Sub};

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident($inner:ty)) => {
        $(#[$doc])*
        #[derive(
            Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
        #[serde(transparent)]
        pub struct $name(pub $inner);
    };
}

unit! {
    /// An instant: milliseconds since the session was created.
    At(u64)
}
unit! {
    /// A length of time in milliseconds; 32 bits hold 49 days.
    Millis(u32)
}
unit! {
    /// A distance in decimetres; 32 bits go ten times round the Earth.
    Decimetres(u32)
}
unit! {
    /// Stroke rate in half strokes a minute, the step that the Fitness Machine Service has.
    HalfSpm(u16)
}
unit! {
    /// Mean power of a stroke in watts.
    Watts(u16)
}
unit! {
    /// Heart rate in beats a minute.
    Bpm(u16)
}
unit! {
    /// Millionths of the own target; plus is ahead.
    Ppm(i32)
}

impl At {
    /// Time gone since `earlier`; zero when `earlier` is later, and at most 49 days.
    ///
    /// ```
    /// use thole_protocol::units::{At, Millis};
    /// assert_eq!(At(5_000).since(At(4_000)), Millis(1_000));
    /// assert_eq!(At(4_000).since(At(5_000)), Millis(0));
    /// ```
    #[must_use]
    pub fn since(self, earlier: At) -> Millis {
        Millis(u32::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(u32::MAX))
    }
}

impl Add<Millis> for At {
    type Output = At;
    fn add(self, later: Millis) -> At {
        At(self.0.saturating_add(u64::from(later.0)))
    }
}

impl Add for Millis {
    type Output = Millis;
    fn add(self, other: Millis) -> Millis {
        Millis(self.0.saturating_add(other.0))
    }
}

impl Sub for Millis {
    type Output = Millis;
    fn sub(self, other: Millis) -> Millis {
        Millis(self.0.saturating_sub(other.0))
    }
}

impl Add for Decimetres {
    type Output = Decimetres;
    fn add(self, other: Decimetres) -> Decimetres {
        Decimetres(self.0.saturating_add(other.0))
    }
}

impl Sub for Decimetres {
    type Output = Decimetres;
    fn sub(self, other: Decimetres) -> Decimetres {
        Decimetres(self.0.saturating_sub(other.0))
    }
}

/// Rounds to the nearest whole number of milliseconds; what is not a number or below zero is zero.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` from f64 saturates, which is the contract here"
)]
pub fn millis(ms: f64) -> Millis {
    Millis(ms.round() as u32)
}

/// Rounds to the nearest whole number of decimetres; what is not a number or below zero is zero.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` from f64 saturates, which is the contract here"
)]
pub fn decimetres(dm: f64) -> Decimetres {
    Decimetres(dm.round() as u32)
}

/// Rounds to the nearest millionth and stays within 32 bits.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "`as` from f64 saturates, the contract here")]
pub fn ppm(share: f64) -> Ppm {
    Ppm((share * 1e6).round() as i32)
}
