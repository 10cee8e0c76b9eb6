//! One athlete's samples of a session, in the order they were rowed, whatever order they arrived in; and the
//! machine's counters joined into one odometer that never runs back.

mod judged;
mod odometer;
mod packed;
mod point;
mod room;
mod runs;
mod stretches;

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
};

use thole_protocol::{
    ids::RunId,
    sample::{Durable, RefusedSample, Sample},
    units::At,
};

use judged::{believed, impossible_speed};
use odometer::{Odometer, Step};
pub use point::Point;
pub(crate) use point::count_before;
pub use room::Weighed;
use runs::{Run, fold};

/// Points of this last while are kept at hand, and at least this many: what the coach and the athlete are told about now
/// looks back a minute. Older ones are made again from the samples when somebody asks for them.
const RECENT_MS: u64 = 90_000;
const RECENT: usize = 32;

/// A sample whose values are believable one by one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Raw {
    seq: u32,
    heard: u64,
    /// The machine's own distance.
    dm: u32,
    /// The machine's own clock.
    elapsed: Option<u32>,
    strokes: Option<u32>,
    rate: u16,
}

/// How one batch changed a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    /// Samples of the batch that were refused, with reasons.
    pub refused: Vec<RefusedSample>,
    /// How the points have changed.
    pub points: Changed,
}

/// How the points of a recording have changed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Changed {
    /// Not at all.
    #[default]
    Nothing,
    /// Points were added after the others, from this index on.
    Grown(usize),
    /// Samples came in between: everything computed from the points has to be recomputed.
    Rebuilt,
}

/// One athlete's samples of a session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    runs: BTreeMap<RunId, Run>,
    /// Runs in the order in which they began.
    order: Vec<RunId>,
    /// The run that was rowed last.
    last: Option<RunId>,
    odometer: Odometer,
    /// How many points are no longer at hand.
    older: usize,
    /// Those after them.
    recent: Vec<Point>,
    /// Whether any sample carried a stroke count of the machine's own.
    counts_strokes: bool,
}

impl Recording {
    /// Takes a batch; ignores what it already has.
    pub fn add(&mut self, now: At, run: RunId, samples: &[Sample]) -> Change {
        let mut change = Change::default();
        let mut fresh: Vec<Raw> = Vec::with_capacity(samples.len());
        let known = self.runs.entry(run).or_default();
        for sample in samples {
            if known.received.contains(sample.seq) || fresh.iter().any(|raw| raw.seq == sample.seq)
            {
                continue;
            }
            known.taken += 1;
            let (raw, refusals) = believed(now, sample);
            let seq = sample.seq;
            change
                .refused
                .extend(refusals.into_iter().map(|refusal| RefusedSample { seq, refusal }));
            match raw {
                Some(raw) => fresh.push(raw),
                None if seq > 0 => known.received.insert(seq, seq),
                None => {}
            }
        }
        if fresh.is_empty() {
            return change;
        }
        for raw in &fresh {
            known.received.insert(raw.seq, raw.seq);
        }
        fresh.sort_unstable_by_key(|raw| raw.seq);
        self.counts_strokes |= fresh.iter().any(|raw| raw.strokes.is_some());
        change.points = self.insert(run, &fresh);
        let of_run = self.odometer.refused.iter().filter(|(other, _)| *other == run);
        let refused: BTreeSet<u32> = of_run.map(|(_, seq)| *seq).collect();
        let refused = fresh.iter().filter(|raw| refused.contains(&raw.seq));
        change
            .refused
            .extend(refused.map(|raw| RefusedSample { seq: raw.seq, refusal: impossible_speed() }));
        change
    }

    /// The client no longer has these samples.
    pub fn skip(&mut self, run: RunId, from_seq: u32, to_seq: u32) {
        if from_seq >= 1 && from_seq <= to_seq {
            let run = self.runs.entry(run).or_default();
            run.skipped |= !run.received.covers(from_seq, to_seq);
            run.received.insert(from_seq, to_seq);
        }
    }

    /// How far a run is durable.
    #[must_use]
    pub fn durable(&self, run: RunId) -> Durable {
        /// At most this many stretches beyond the first are named; a client with more holes sends a little of
        /// it twice.
        const BEYOND_MAX: usize = 8;
        let stretches: &[(u32, u32)] = self.runs.get(&run).map_or(&[], |run| &run.received.0);
        let (through_seq, rest) = match stretches.split_first() {
            Some((&(1, last), rest)) => (last, rest),
            _ => (0, stretches),
        };
        Durable { run, through_seq, beyond: rest.iter().copied().take(BEYOND_MAX).collect() }
    }

    /// All points, in the order they were rowed.
    #[must_use]
    pub fn points(&self) -> Cow<'_, [Point]> {
        if self.older == 0 {
            return Cow::Borrowed(&self.recent);
        }
        let mut points = Vec::with_capacity(self.older + self.recent.len());
        // Jumps are found anew, as they were when the samples came: with all of them known from the start, a sample that was
        // refused might be joined.
        fold(&self.runs, &self.order, &mut Odometer::default(), &mut points);
        Cow::Owned(points)
    }

    /// The newest points: those of the last minute and a half, and possibly more.
    #[must_use]
    pub fn recent(&self) -> &[Point] {
        &self.recent
    }

    /// Points that include all from `index` on, and the index of the first of them.
    #[must_use]
    pub fn points_from(&self, index: usize) -> (usize, Cow<'_, [Point]>) {
        if index >= self.older {
            (self.older, Cow::Borrowed(&self.recent))
        } else {
            (0, self.points())
        }
    }

    /// The athlete's own strokes since an instant of the session, in thousandths.
    #[must_use]
    pub fn strokes_since(&self, at: u64) -> u32 {
        let is_at_hand = self.older == 0 || self.recent.first().is_some_and(|p| p.heard <= at);
        let points = if is_at_hand { Cow::Borrowed(&*self.recent) } else { self.points() };
        let after = count_before(&points, |point| point.heard <= at);
        let before = after.checked_sub(1).and_then(|before| points.get(before)).or(points.first());
        let strokes = |point: Option<&Point>| point.map_or(0, |point| point.strokes_milli);
        strokes(points.last()).saturating_sub(strokes(before))
    }

    /// Whether samples are missing: given up by the client, or not arrived yet.
    #[must_use]
    pub fn has_gaps(&self) -> bool {
        self.runs.values().any(|run| run.skipped || run.received.0.len() > 1)
    }

    /// Whether any run lacks a number before its last one.
    #[must_use]
    pub fn has_holes(&self) -> bool {
        self.runs.values().any(|run| !matches!(run.received.0.as_slice(), [(1, _)]))
    }

    /// Whether a sample was heard later than this.
    #[must_use]
    pub fn is_heard_after(&self, at: At) -> bool {
        self.recent.last().is_some_and(|last| last.heard > at.0)
    }

    /// Whether no number is missing up to a sample that was heard later than this.
    #[must_use]
    pub fn is_whole_beyond(&self, at: At) -> bool {
        let is_whole = |run: &Run| match run.received.0.as_slice() {
            [(1, _)] => true,
            [(1, through), ..] => {
                let mut unbroken = run.samples.iter().take_while(|raw| raw.seq <= *through);
                unbroken.any(|raw| raw.heard > at.0)
            }
            _ => false,
        };
        self.is_heard_after(at) && self.runs.values().all(is_whole)
    }

    /// Whether the machine reports a stroke count.
    #[must_use]
    pub fn counts_strokes(&self) -> bool {
        self.counts_strokes
    }

    fn insert(&mut self, id: RunId, fresh: &[Raw]) -> Changed {
        let at_end = self.comes_last(id, fresh);
        let run = self.runs.entry(id).or_default();
        if at_end {
            fresh.iter().for_each(|raw| run.push(raw));
            if !self.order.contains(&id) {
                self.order.push(id);
            }
            self.last = Some(id);
            let grown_from = self.older + self.recent.len();
            for raw in fresh {
                if self.odometer.step(id, raw, &mut self.recent) == Step::Again {
                    self.rebuild();
                    return Changed::Rebuilt;
                }
            }
            self.let_go();
            return Changed::Grown(grown_from);
        }
        run.mix(id, fresh);
        self.rebuild();
        Changed::Rebuilt
    }

    /// Whether these belong after all others, in the order of `rowed`: two devices at one machine keep taking turns, and
    /// what was rowed before is not gone through again for that.
    fn comes_last(&self, id: RunId, fresh: &[Raw]) -> bool {
        let Some(first) = fresh.first() else { return true };
        let own = self.runs.get(&id);
        let is_behind =
            own.and_then(|run| run.samples.last()).is_none_or(|last| first.seq > last.seq);
        let heard = own.map_or(0, |run| run.heard).max(first.heard);
        let is_newest = || {
            let mut others = self.order.iter().filter(|other| **other != id);
            others.all(|other| self.runs.get(other).is_some_and(|run| run.heard < heard))
        };
        let is_overtaken = own.is_some_and(|run| run.is_overtaken_by(fresh));
        is_behind && !is_overtaken && (self.last == Some(id) || is_newest())
    }

    /// Keeps no more points at hand than needed, once there are twice as many.
    fn let_go(&mut self) {
        let Some(newest) = self.recent.last().filter(|_| self.recent.len() >= 2 * RECENT) else {
            return;
        };
        let now = newest.heard;
        let old = count_before(&self.recent, |point| point.heard + RECENT_MS < now);
        let old = old.min(self.recent.len() - RECENT);
        if old >= RECENT {
            self.recent.drain(..old);
            self.older += old;
        }
    }

    fn rebuild(&mut self) {
        let mut order: Vec<(u64, RunId)> = self
            .runs
            .iter()
            .filter_map(|(id, run)| run.samples.iter().next().map(|first| (first.heard, *id)))
            .collect();
        order.sort_unstable();
        self.order = order.into_iter().map(|(_, id)| id).collect();
        // A jump is recognised only some samples later; all of them are found from the start each time, so
        // that what is known depends on the samples alone.
        self.odometer = Odometer::default();
        self.recent.clear();
        self.last = fold(&self.runs, &self.order, &mut self.odometer, &mut self.recent);
        self.older = 0;
        self.let_go();
        self.recent.shrink_to(4 * RECENT);
    }
}

#[cfg(test)]
mod tests;
