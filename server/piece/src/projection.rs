//! Where a finish is heading, how sure that is, and what is enough from here on.

use thole_protocol::units::Millis;

use crate::plan::{BINS, Course};

/// Where the finish of one athlete is heading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best guess, seconds or metres.
    pub finish: f64,
    /// Lower number of the 80 % interval.
    pub low: f64,
    /// Higher number of the 80 % interval.
    pub high: f64,
    /// Chance of making the own target; none without one.
    pub chance: Option<f64>,
}

/// All that the projection keeps of one athlete who rows: a plain value of fixed size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Live {
    at_ms: u32,
    at_dm: u32,
    edges: [f64; BINS + 1],
}

impl Live {
    /// Before the first row.
    #[must_use]
    pub fn new(course: &Course) -> Live {
        let _ = course;
        Live { at_ms: 0, at_dm: 0, edges: [0.0; BINS + 1] }
    }

    /// One more row of work (rests cut out), in order; an earlier one is left out, and metres never fall.
    pub fn row(&mut self, course: &Course, work_ms: u32, work_dm: u32) {
        let _ = course;
        self.at_ms = work_ms;
        self.at_dm = work_dm;
    }

    /// Where the finish is heading; none while there is nothing to go by.
    #[must_use]
    pub fn projected(&self, course: &Course) -> Option<Estimate> {
        let _ = course;
        todo!()
    }

    /// The pace that is enough from here on, milliseconds for 500 m; none without a target, when the
    /// target is reached or missed already, or when nobody can row so fast.
    #[must_use]
    pub fn enough_per_500m(&self, course: &Course) -> Option<Millis> {
        let _ = course;
        todo!()
    }
}
