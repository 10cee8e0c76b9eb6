//! What was recorded by several devices, one after the other, as it was rowed.

use std::{collections::BTreeMap, iter};

use thole_protocol::ids::RunId;

use super::{
    Point, Raw,
    odometer::{Odometer, Step},
    packed::{Packed, Unpacked},
    stretches::Stretches,
};

/// One recording by one device.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Run {
    pub(super) received: Stretches,
    /// Sorted by number; values believed one by one, speeds not yet judged.
    pub(super) samples: Packed,
    /// When the last of them was heard: not before those with lower numbers, whatever a clock that was set anew says.
    pub(super) heard: u64,
    pub(super) skipped: bool,
    /// Samples that were judged, refused ones among them.
    pub(super) taken: u64,
}

impl Run {
    /// Takes one more behind the others.
    pub(super) fn push(&mut self, raw: &Raw) {
        self.samples.push(raw);
        self.heard = self.heard.max(raw.heard);
    }

    /// Takes some in between.
    pub(super) fn mix(&mut self, fresh: &[Raw]) {
        self.samples = Packed::of(self.samples.iter().chain(fresh.iter().copied()).collect());
        self.heard = fresh.iter().fold(self.heard, |heard, raw| heard.max(raw.heard));
    }
}

/// Folds all samples; false when a jump was found and all is to be folded again.
pub(super) fn fold(
    runs: &BTreeMap<RunId, Run>,
    order: &[RunId],
    odometer: &mut Odometer,
    points: &mut Vec<Point>,
) -> bool {
    rowed(runs, order).all(|(id, raw)| odometer.step(id, &raw, points) != Step::Again)
}

/// All samples as they were rowed: of each run in the order of their numbers, and between runs by when they were
/// heard. Somebody may change the device and come back to the first one, whose recording then goes on.
pub(super) fn rowed<'a>(
    runs: &'a BTreeMap<RunId, Run>,
    order: &[RunId],
) -> impl Iterator<Item = (RunId, Raw)> + use<'a> {
    let mut fronts: Vec<Front<'a>> =
        order.iter().filter_map(|id| Front::of(*id, runs.get(id)?)).collect();
    iter::from_fn(move || {
        // Of two that were heard at one instant, the one of the run that began first.
        let next = fronts.iter().enumerate().min_by_key(|(_, front)| front.heard);
        let at = next.map(|(at, _)| at)?;
        let front = fronts.get_mut(at)?;
        let taken = (front.run, front.raw);
        if !front.step() {
            fronts.remove(at);
        }
        Some(taken)
    })
}

/// How far a run was read.
struct Front<'a> {
    run: RunId,
    /// The next sample.
    raw: Raw,
    /// When it was heard: not before those with lower numbers, whatever a clock that was set anew says.
    heard: u64,
    rest: Unpacked<'a>,
}

impl<'a> Front<'a> {
    fn of(id: RunId, run: &'a Run) -> Option<Front<'a>> {
        let mut rest = run.samples.iter();
        let raw = rest.next()?;
        Some(Front { run: id, raw, heard: raw.heard, rest })
    }

    /// Goes to the next sample; false behind the last.
    fn step(&mut self) -> bool {
        let next = self.rest.next();
        if let Some(raw) = next {
            (self.raw, self.heard) = (raw, self.heard.max(raw.heard));
        }
        next.is_some()
    }
}
