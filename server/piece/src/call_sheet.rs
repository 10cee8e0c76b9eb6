//! Focus calls prepared for points of the piece: each athlete gets each of them once, on reaching the point.

use thole_protocol::spec::{Point, SheetCall};

use crate::{limits::Measure, track::Row};

/// Which entries of the sheet one athlete has had.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Given(Vec<bool>);

impl Given {
    /// None of this many entries given yet.
    #[must_use]
    pub fn none_of(entries: usize) -> Given {
        Given(vec![false; entries])
    }

    /// The entries whose points this row of work has reached; each is named only once.
    pub fn reached(
        &mut self,
        sheet: &[SheetCall],
        measure: Measure,
        row: Row,
        strokes_milli: u32,
    ) -> impl Iterator<Item = usize> {
        let reached = self.0.iter_mut().zip(sheet).enumerate().filter(move |(_, (given, call))| {
            !**given && is_there(call.at, measure, row, strokes_milli)
        });
        reached.map(|(entry, (given, _))| {
            *given = true;
            entry
        })
    }
}

fn is_there(point: Point, measure: Measure, row: Row, strokes_milli: u32) -> bool {
    match (point, measure) {
        (Point::DistanceDone { distance_dm }, _) => row.dm >= f64::from(distance_dm.0),
        (Point::DistanceToGo { distance_dm }, Measure::Distance(whole)) => {
            row.dm >= f64::from((whole - distance_dm).0)
        }
        // Nobody knows how far it is to the end of a time piece; such a sheet is refused.
        (Point::DistanceToGo { .. }, Measure::Time(_)) => false,
        (Point::Elapsed { time_ms }, _) => row.ms >= f64::from(time_ms.0),
        (Point::Stroke { number }, _) => strokes_milli >= number.saturating_mul(1_000),
    }
}
