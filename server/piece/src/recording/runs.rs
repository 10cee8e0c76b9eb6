//! What was recorded by several devices, one after the other, as it was rowed.

use std::{
    cmp::{Ordering, Reverse},
    collections::{BTreeMap, BinaryHeap, binary_heap::PeekMut},
};

use thole_protocol::ids::RunId;

use super::{
    Point, Raw,
    odometer::{Odometer, Place, Step},
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

/// Folds all samples. Where a counter is found to have jumped, only what came since is folded again: a machine whose
/// counter jumps all the time makes nobody wait. Tells the run of the last.
pub(super) fn fold(
    runs: &BTreeMap<RunId, Run>,
    order: &[RunId],
    odometer: &mut Odometer,
    points: &mut Vec<Point>,
) -> Option<RunId> {
    let mut last = None;
    let mut rest = Rowed::of(runs, order);
    // Where each run's first suspect was, in the order in which they came.
    let mut suspects: Vec<Suspect<'_>> = Vec::new();
    while let Some((run, raw)) = rest.next() {
        last = Some(run);
        match odometer.step(run, &raw, points) {
            Step::Taken => suspects.retain(|suspect| suspect.run != run),
            Step::Suspect => {
                suspects.retain(|suspect| suspect.run != run);
                let (odometer, points) = (odometer.mark(), points.len());
                suspects.push(Suspect { run, raw, odometer, points, rest: rest.clone() });
            }
            Step::Refused => {}
            Step::Again => {
                let Some(at) = suspects.iter().position(|suspect| suspect.run == run) else {
                    continue;
                };
                // What became suspect later becomes it again, if it does.
                let Some(first) = suspects.drain(at..).next() else { continue };
                odometer.return_to(first.odometer);
                points.truncate(first.points);
                rest = first.rest;
                odometer.step(first.run, &first.raw, points);
            }
        }
    }
    last
}

/// A sample that was refused, and everything as it was behind it.
struct Suspect<'a> {
    run: RunId,
    raw: Raw,
    odometer: Place,
    points: usize,
    rest: Rowed<'a>,
}

/// All samples as they were rowed: of each run in the order of their numbers, and between runs by when they were
/// heard. Somebody may change the device and come back to the first one, whose recording then goes on.
#[derive(Clone)]
pub(super) struct Rowed<'a> {
    /// One of each run that has more, the one to be taken next on top. Of two that were heard at one instant, that is
    /// the one of the run that began first.
    fronts: BinaryHeap<Reverse<Front<'a>>>,
}

impl<'a> Rowed<'a> {
    pub(super) fn of(runs: &'a BTreeMap<RunId, Run>, order: &[RunId]) -> Rowed<'a> {
        let front = |(began, id): (usize, &RunId)| Front::of(*id, began, runs.get(id)?);
        Rowed { fronts: order.iter().enumerate().filter_map(front).map(Reverse).collect() }
    }
}

impl Iterator for Rowed<'_> {
    type Item = (RunId, Raw);

    fn next(&mut self) -> Option<(RunId, Raw)> {
        let mut top = self.fronts.peek_mut()?;
        let taken = (top.0.run, top.0.raw);
        if !top.0.step() {
            PeekMut::pop(top);
        }
        Some(taken)
    }
}

/// How far a run was read.
#[derive(Clone)]
struct Front<'a> {
    run: RunId,
    /// How many runs began before it.
    began: usize,
    /// The next sample.
    raw: Raw,
    /// When it was heard: not before those with lower numbers, whatever a clock that was set anew says.
    heard: u64,
    rest: Unpacked<'a>,
}

impl<'a> Front<'a> {
    fn of(id: RunId, began: usize, run: &'a Run) -> Option<Front<'a>> {
        let mut rest = run.samples.iter();
        let raw = rest.next()?;
        Some(Front { run: id, began, raw, heard: raw.heard, rest })
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

impl Ord for Front<'_> {
    fn cmp(&self, other: &Self) -> Ordering {
        (self.heard, self.began).cmp(&(other.heard, other.began))
    }
}

impl PartialOrd for Front<'_> {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Front<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for Front<'_> {}
