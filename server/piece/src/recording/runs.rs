//! What several devices recorded, one after the other, put in the order it was rowed.

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
    /// When the last of them was heard: never before those with lower numbers, whatever a clock that was set again
    /// says.
    pub(super) heard: u64,
    /// When the last two claim to have been heard.
    newest: [u64; 2],
    pub(super) skipped: bool,
    /// Samples that were judged, including refused ones.
    pub(super) taken: u64,
}

impl Run {
    /// Takes one more after the others.
    pub(super) fn push(&mut self, raw: &Raw) {
        self.samples.push(raw);
        self.heard = self.heard.max(raw.heard);
        self.newest = [self.newest[1], raw.heard];
    }

    /// Whether these, which follow, or the last two claim to have been heard later than one after them: only now does it
    /// show which of them is wrong.
    pub(super) fn is_overtaken_by(&self, fresh: &[Raw]) -> bool {
        let mut latest = 0;
        let mut heard = self.newest.into_iter().chain(fresh.iter().map(|raw| raw.heard));
        heard.any(|heard| {
            let is_earlier = heard < latest;
            latest = latest.max(heard);
            is_earlier
        })
    }

    /// Takes some that belong in between.
    pub(super) fn mix(&mut self, id: RunId, fresh: &[Raw]) {
        self.samples = Packed::of(self.samples.iter().chain(fresh.iter().copied()).collect());
        (self.heard, self.newest) = (0, [0; 2]);
        for raw in self.samples.iter() {
            self.newest = [self.newest[1], raw.heard];
        }
        let mut front = Front::of(id, 0, self);
        let mut heard = 0;
        while let Some(at) = &mut front {
            heard = at.heard;
            if !at.step() {
                break;
            }
        }
        self.heard = heard;
    }
}

/// Everything is folded again from the beginning at most this many times (our choice), so that devices whose counters jump
/// in turns keep nobody waiting.
const START_OVER_MAX: u32 = 8;

/// Folds all samples. Where a counter is found to have jumped, only what came since is folded again, so that a
/// machine whose counter jumps all the time keeps nobody waiting. Returns the run of the last sample.
pub(super) fn fold(
    runs: &BTreeMap<RunId, Run>,
    order: &[RunId],
    odometer: &mut Odometer,
    points: &mut Vec<Point>,
) -> Option<RunId> {
    let mut last = None;
    let mut rest = Rowed::of(runs, order);
    let mut started_over = 0;
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
                    // Another run's jump has led back to before this run's first suspect was forgotten: everything is folded
                    // again with what is known by now.
                    if started_over < START_OVER_MAX {
                        started_over += 1;
                        odometer.start_over();
                        points.clear();
                        suspects.clear();
                        (last, rest) = (None, Rowed::of(runs, order));
                    }
                    continue;
                };
                // What became suspect later becomes so again, if it does.
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

/// A sample that was refused, and everything as it stood at that point.
struct Suspect<'a> {
    run: RunId,
    raw: Raw,
    odometer: Place,
    points: usize,
    rest: Rowed<'a>,
}

/// All samples as they were rowed: within each run in the order of their numbers, and between runs by when they
/// were heard. Somebody may switch devices and come back to the first one, whose recording then goes on.
#[derive(Clone)]
pub(super) struct Rowed<'a> {
    /// One for each run that has more, the next one to be taken on top. Of two that were heard at the same instant,
    /// that is the one from the run that began first.
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

/// How far a run has been read.
#[derive(Clone)]
struct Front<'a> {
    run: RunId,
    /// How many runs began before it.
    began: usize,
    /// The next sample.
    raw: Raw,
    /// When it was heard: never before those with lower numbers, whatever a clock that was set again says.
    heard: u64,
    /// The two after it.
    then: [Option<Raw>; 2],
    rest: Unpacked<'a>,
}

impl<'a> Front<'a> {
    fn of(id: RunId, began: usize, run: &'a Run) -> Option<Front<'a>> {
        let mut rest = run.samples.iter();
        let raw = rest.next()?;
        let then = [rest.next(), rest.next()];
        let mut front = Front { run: id, began, raw, heard: 0, then, rest };
        front.hear();
        Some(front)
    }

    /// Goes to the next sample; false after the last.
    fn step(&mut self) -> bool {
        let [next, after] = self.then;
        let Some(raw) = next else { return false };
        self.then = [after, self.rest.next()];
        self.raw = raw;
        self.hear();
        true
    }

    /// When this sample was heard. A single one that claims to have been heard after the next two, which fit with those
    /// before it, is wrong: otherwise all that follow would wait until its time has come, and the piece would be over.
    fn hear(&mut self) {
        if let [Some(next), Some(after)] = self.then
            && next.heard.max(after.heard) < self.raw.heard
            && next.heard >= self.heard
        {
            self.raw.heard = next.heard;
        }
        self.heard = self.heard.max(self.raw.heard);
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
