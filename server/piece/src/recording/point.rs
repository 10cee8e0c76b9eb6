//! Instants on the joined odometer.

use crate::fine_at::FineAt;

/// One instant on the joined odometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When it was heard, milliseconds of the session.
    pub heard: u64,
    /// Joined distance in decimetres; never falls.
    pub dm: u32,
    /// Joined strokes in thousandths; counted by the machine, otherwise estimated from its rate.
    pub strokes_milli: u32,
    /// Half strokes a minute; 0 = not reported.
    pub rate: u16,
    /// Of all rates reported so far, this one included.
    pub rates: Rates,
    /// Whether the machine was moving when it was heard.
    pub moving: bool,
    /// Whether the counters were joined here because the machine had been reset.
    pub joined: bool,
    /// The machine's own distance, to judge where it began.
    pub machine_dm: u32,
    /// The machine's own clock in milliseconds, if it has one.
    pub machine_ms: Option<u32>,
}

impl Point {
    /// When it was heard.
    #[must_use]
    pub fn at(&self) -> FineAt {
        FineAt::of(self.heard)
    }
}

/// Rates that were reported, kept so that the mean between two points is a difference.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rates {
    /// Their sum, half strokes a minute.
    pub sum: u32,
    /// How many there are.
    pub told: u32,
}

impl Rates {
    /// With one more, if it was reported.
    #[must_use]
    pub fn with(self, rate: u16) -> Rates {
        Rates {
            sum: self.sum.saturating_add(u32::from(rate)),
            told: self.told + u32::from(rate > 0),
        }
    }
}

/// How many points come before something, as `is_before` says, which holds for none after one for which it does
/// not. Searched from the end, in steps that double: the question is mostly about the last half minute, and the
/// points of a long piece are not in the cache.
pub(crate) fn count_before(points: &[Point], is_before: impl Fn(&Point) -> bool) -> usize {
    let (mut end, mut step) = (points.len(), 4);
    loop {
        let begin = end.saturating_sub(step);
        let part = points.get(begin..end).unwrap_or_default();
        if begin > 0 && part.first().is_some_and(|first| !is_before(first)) {
            (end, step) = (begin, 2 * step);
        } else {
            return begin + part.partition_point(is_before);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const STILL: Point = Point {
        heard: 0,
        dm: 0,
        strokes_milli: 0,
        rate: 0,
        rates: Rates { sum: 0, told: 0 },
        moving: false,
        joined: false,
        machine_dm: 0,
        machine_ms: None,
    };

    proptest! {
        #[test]
        fn looking_from_the_end_finds_the_same(mut heard in prop::collection::vec(0u64..60, 0..80), at in 0u64..62) {
            heard.sort_unstable();
            let point = |heard: &u64| Point { heard: *heard, ..STILL };
            let points: Vec<Point> = heard.iter().map(point).collect();
            let before = |point: &Point| point.heard < at;
            prop_assert_eq!(count_before(&points, before), points.partition_point(before));
        }
    }
}
