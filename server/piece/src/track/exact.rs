//! Ends that a machine of whole metres told to the metre: either it is set to the distance and stops there, or it
//! goes on.

use super::{
    STRETCH_MS, Track,
    end::{End, Open},
};
use crate::{fine_at::FineAt, recording::Point};

/// An end that was told to the metre, until it is known whether the machine shows more.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Exact {
    /// When and where the machine told it: joined decimetres.
    at: FineAt,
    dm: f64,
    /// How much sooner it was if the machine shows more: then metres are cut off here as everywhere else.
    sooner_ms: f64,
    /// What all that is done leaves open in that case.
    open: Open,
}

impl Exact {
    /// For this end, and what those before it leave open.
    pub(super) fn of(end: &End, before: Open) -> Option<Exact> {
        let (at, open) = end.unless_set?;
        Some(Exact { at: end.at, dm: end.dm, sooner_ms: end.at - at, open: before.and(open) })
    }
}

impl Track {
    /// What one more point says about the last end: a machine that is set to a distance never shows more. The next point
    /// tells, or a later one for somebody who does not row a metre between two.
    pub(super) fn decide(&mut self, point: &Point) {
        let Some(exact) = self.exact else { return };
        let goes_on = f64::from(point.dm) > exact.dm;
        if point.joined || point.at() > exact.at + STRETCH_MS {
            self.exact = None;
        } else if goes_on {
            self.exact = None;
            self.open = exact.open;
            self.done_ms -= exact.sooner_ms;
            self.ended = self.ended.map(|(at, dm)| (at - exact.sooner_ms, dm));
            match &mut self.finish {
                Some(finish) => {
                    finish.ms -= exact.sooner_ms;
                    finish.at -= exact.sooner_ms;
                    finish.sure_ms = exact.open.ms;
                }
                None => {
                    if let Some(mark) = self.marks.last_mut() {
                        mark.0 -= exact.sooner_ms;
                    }
                }
            }
        }
    }
}
