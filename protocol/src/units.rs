//! Numbers that know their unit; on the wire, a bare integer in a field whose name ends in the unit.

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
    /// A distance in decimetres; 32 bits reach ten times round the Earth.
    Decimetres(u32)
}
unit! {
    /// Stroke rate in half strokes a minute, the step that the Fitness Machine Service uses.
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
    /// Millionths of their own target; plus is ahead.
    Ppm(i32)
}

impl At {
    /// Time gone by since `earlier`; zero when `earlier` is later, and at most 49 days.
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

/// Rounds to the nearest whole number, halves away from zero, and stays within 64 bits; anything that is not a
/// number becomes zero.
///
/// The same as `f64::round` and `as`, without the call that older processors need for the former: every number
/// shown goes through here.
///
/// ```
/// use thole_protocol::units::nearest;
/// assert_eq!((nearest(2.5), nearest(-2.5), nearest(0.49)), (3, -3, 0));
/// ```
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "`as` from f64 saturates, the contract here")]
pub fn nearest(amount: f64) -> i64 {
    let towards_zero = amount as i64;
    let left = amount - towards_zero as f64;
    towards_zero.saturating_add(i64::from(left >= 0.5) - i64::from(left <= -0.5))
}

/// Rounds to the nearest whole number of milliseconds; anything negative or not a number becomes zero.
#[must_use]
#[inline]
pub fn millis(ms: f64) -> Millis {
    Millis(counted(ms))
}

/// Rounds to the nearest whole number of decimetres; anything negative or not a number becomes zero.
#[must_use]
#[inline]
pub fn decimetres(dm: f64) -> Decimetres {
    Decimetres(counted(dm))
}

/// The nearest whole number that is not negative, within 32 bits.
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` from f64 saturates, the contract here"
)]
fn counted(amount: f64) -> u32 {
    let below = amount as u32;
    below.saturating_add(u32::from(amount - f64::from(below) >= 0.5))
}

/// Rounds to the nearest millionth and stays within 32 bits.
#[must_use]
pub fn ppm(share: f64) -> Ppm {
    let millionths = nearest(share * 1e6);
    Ppm(i32::try_from(millionths).unwrap_or(if millionths < 0 { i32::MIN } else { i32::MAX }))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn as_the_library_does(amount: f64) -> i64 {
        #[expect(clippy::cast_possible_truncation, reason = "saturates, which is compared here")]
        let rounded = amount.round() as i64;
        rounded
    }

    #[test]
    fn whole_numbers_are_rounded_as_the_library_does_where_it_is_hard() {
        let hard = [
            0.499_999_999_999_999_94,
            0.5,
            1.5,
            4_503_599_627_370_495.5,
            9_007_199_254_740_993.0,
            9.3e18,
            1e300,
            f64::INFINITY,
            f64::NAN,
            f64::MIN_POSITIVE,
        ];
        for amount in hard.into_iter().flat_map(|amount| [amount, -amount]) {
            assert_eq!(nearest(amount), as_the_library_does(amount), "{amount}");
        }
        assert_eq!(
            (millis(-0.7), millis(f64::NAN), millis(5e9)),
            (Millis(0), Millis(0), Millis(u32::MAX))
        );
        assert_eq!((ppm(-1e9), ppm(1e9)), (Ppm(i32::MIN), Ppm(i32::MAX)));
    }

    proptest! {
        #[test]
        fn whole_numbers_are_rounded_as_the_library_does(
            amount in prop_oneof![any::<f64>(), -1e7..1e7, (-9_000i32..9_000).prop_map(|halves| f64::from(halves) / 2.0)],
        ) {
            prop_assert_eq!(nearest(amount), as_the_library_does(amount));
            let counted = u32::try_from(as_the_library_does(amount).max(0)).unwrap_or(u32::MAX);
            prop_assert_eq!(millis(amount), Millis(counted));
        }
    }
}
