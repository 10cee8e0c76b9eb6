//! The machine's counters, joined across resets and jumps into one that never runs back.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use thole_protocol::ids::RunId;

use super::{Point, Raw, point::Rates};
use crate::limits;

/// Speeds are judged over at least this long: machines that report four times a second in whole
/// metres, and radios that deliver two reports at once, would look impossibly fast over less.
const SPEED_OVER_MS: u64 = 1_500;
/// At most this many points are looked back over to judge a speed: more than a device may record at once.
const NEAR: usize = 512;
/// Two reports of one machine are at least this far apart: four a second.
const SAME_REPORT_MS: u64 = 200;
/// The longest delay of a report that is believed (our choice): how far the machine's clock may run ahead of the session's,
/// in all, since the counters were last joined.
const LATE_MS: i64 = 2_000;
/// For this long after a machine that is being rowed was heard, what an idle one beside it reports is not about the athlete
/// (our choice).
const BESIDE_MS: u64 = 60_000;
/// A counter that falls by no more than this was rounded by the machine, not reset.
const JITTER_DM: u32 = 20;
/// Allows for clocks of whole seconds, and reports that were a while on their way.
const FROM_ZERO_SLACK_MS: u64 = 2_000;
/// A counter that falls again within this time is jittering (our choice): nobody resets a machine twice so soon, and
/// what is rowed after a second reset is joined up all the same, once three reports agree.
const FALLS_APART_MS: u64 = 10_000;
/// Sixteen-bit counters start again after these, in decimetres and in metres.
const TOPS_DM: [u32; 2] = [1 << 16, 10 << 16];
/// This many samples in a row that are impossible only against the one before them, and possible among
/// themselves, mean that the machine's counter has jumped: they are joined up as after a reset.
const JUMP_AFTER: u8 = 3;

/// An odometer between two samples.
pub(super) struct Place {
    odometer: Odometer,
    refused: usize,
}

/// What a sample makes of the odometer.
struct Joined {
    dm: u32,
    strokes_milli: u32,
    /// The counters were joined here.
    joined: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Taken,
    /// The first suspect one of this run after a good one.
    Suspect,
    Refused,
    /// A jump was found: everything from the first suspect of this run on has to be folded again.
    Again,
}

/// Joins the machine's counters; a fold over the samples in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Odometer {
    last: Option<Raw>,
    /// Which run that belongs to.
    run: Option<RunId>,
    /// The run that last added metres.
    rowed: Option<RunId>,
    /// The run of the newest point.
    pushed: Option<RunId>,
    /// A report at which the counters were joined added nothing and made no point: the next one of this run is marked as the
    /// joint instead.
    owes_joint: bool,
    /// Where runs stood when another one took over from them: their last sample, and the joined distance at
    /// that point.
    left: BTreeMap<RunId, (Raw, u32)>,
    /// What each run has reported lately, since its counter was joined: from the newest report that is at least
    /// `SPEED_OVER_MS` old on. Its speed is judged by that alone: another device's report in between says nothing about
    /// this machine.
    told: BTreeMap<RunId, VecDeque<Raw>>,
    /// What has to be added to the machine's own distance.
    offset_dm: i64,
    /// When the counter last fell by more than a rounding.
    fell_ms: Option<u64>,
    /// The sample before a fall that was taken for a reset although no clock says so, and what was being added until
    /// then.
    before_fall: Option<(Raw, i64)>,
    /// How far the machine's clock was behind the session's when it was first heard, or last joined.
    behind: Option<i64>,
    /// Samples whose distance was impossible, in the order in which they were heard.
    pub(super) refused: Vec<(RunId, u32)>,
    /// Samples at which the machine's counter is known to have jumped.
    pub(super) jumps: BTreeSet<(RunId, u32)>,
    /// The refused samples of each run since its last good one: number of the first, the newest, how many.
    suspects: BTreeMap<RunId, (u32, Raw, u8)>,
}

impl Odometer {
    /// Back to the beginning, keeping the jumps that were found.
    pub(super) fn start_over(&mut self) {
        let jumps = std::mem::take(&mut self.jumps);
        *self = Odometer { jumps, ..Odometer::default() };
    }

    /// Where it is now, to come back to: without what was refused and without the jumps, which may be many.
    pub(super) fn mark(&mut self) -> Place {
        let (refused, jumps) = (std::mem::take(&mut self.refused), std::mem::take(&mut self.jumps));
        let place = Place { refused: refused.len(), odometer: self.clone() };
        (self.refused, self.jumps) = (refused, jumps);
        place
    }

    /// Back to where it was, keeping the jumps that were found since.
    pub(super) fn return_to(&mut self, place: Place) {
        let (mut refused, jumps) =
            (std::mem::take(&mut self.refused), std::mem::take(&mut self.jumps));
        refused.truncate(place.refused);
        *self = Odometer { refused, jumps, ..place.odometer };
    }

    pub(super) fn step(&mut self, run: RunId, raw: &Raw, points: &mut Vec<Point>) -> Step {
        let mut raw = *raw;
        let Some(last) = self.last else {
            self.behind = behind(&raw);
            (self.last, self.run, self.pushed) = (Some(raw), Some(run), Some(run));
            self.tell(run, raw);
            let strokes_milli = raw.strokes.map_or(0, |count| count.saturating_mul(1000));
            points.push(point(&raw, raw.dm, strokes_milli, Rates::default()));
            return Step::Taken;
        };
        // A clock that was set again must not make a later stroke earlier.
        raw.heard = raw.heard.max(last.heard);
        let jumped = self.jumps.contains(&(run, raw.seq));
        let goes_on = self.run == Some(run);
        let top_dm = top(&last, &raw).filter(|_| goes_on && !jumped);
        let left = self.left.get(&run).copied();
        if let Some(left) = left.filter(|(left, _)| !jumped && left.dm <= raw.dm) {
            return self.come_back(run, left, raw, points);
        }
        let fell = top_dm.map_or(last.dm.saturating_sub(raw.dm), |_| 0);
        let clock_fell = matches!((last.elapsed, raw.elapsed), (Some(a), Some(b)) if b < a);
        let trembles = goes_on && fell > JITTER_DM && self.falls_again(&raw);
        let reset = began_at_zero(&last, &raw)
            && (fell > JITTER_DM || (clock_fell && fell > 0))
            && (!trembles || clock_from_zero(&raw, raw.heard - last.heard));
        if fell > JITTER_DM && !reset && !jumped {
            // A report that was held up, or a counter that jitters. A counter that has jumped for good is joined up soon.
            return self.suspect(run, raw);
        }
        let joined = reset || jumped;
        let back = self.no_reset_after_all(&raw).filter(|_| goes_on && !joined);
        if let Some(offset_dm) = back {
            self.told.remove(&run);
            (self.offset_dm, self.before_fall) = (offset_dm, None);
        }
        let before_top = (self.offset_dm, top_dm.and_then(|_| self.told.remove(&run)));
        self.offset_dm += i64::from(top_dm.unwrap_or(0));
        if joined {
            let by_clock = clock_from_zero(&raw, raw.heard - last.heard);
            let may_be_none = goes_on && !jumped && !by_clock;
            self.before_fall = may_be_none.then_some((last, self.offset_dm));
            self.join(&last, &raw, jumped);
            self.told.remove(&run);
        } else if fell > 0 {
            raw.dm = last.dm;
        }
        let dm = self.joined_dm(&raw);
        // What was rowed while the counter showed less comes all at once; that it can have been rowed is
        // known already.
        if !joined && back.is_none() && self.too_fast(run, points, &raw, dm) {
            if top_dm.is_some() {
                self.offset_dm = before_top.0;
                self.told.extend(before_top.1.map(|told| (run, told)));
            }
            return self.suspect(run, raw);
        }
        if joined && self.too_fast(run, points, &raw, dm) {
            // The new counter is impossible even from zero: count from this sample on.
            self.offset_dm = points.last().map_or(0, |p| i64::from(p.dm)) - i64::from(raw.dm);
        }
        let dm = self.joined_dm(&raw).max(points.last().map_or(0, |point| point.dm));
        if joined || top_dm.is_some() || self.behind.is_none() {
            self.behind = behind(&raw);
        }
        let strokes_milli = strokes(&last, &raw, reset, points);
        self.take(run, raw, Joined { dm, strokes_milli, joined: joined || back.is_some() }, points)
    }

    /// A device goes on from where its own counter was when another took over. Two at one machine count the same
    /// metres; with two machines the athlete rows at one of them at a time, so what this one has counted since then
    /// and what the other one has are never added up.
    fn come_back(
        &mut self,
        run: RunId,
        (left, left_dm): (Raw, u32),
        raw: Raw,
        points: &mut Vec<Point>,
    ) -> Step {
        let before = points.last().map_or(0, |point| point.dm);
        let dm = before.max(left_dm.saturating_add(raw.dm - left.dm));
        let by_offset = self.joined_dm(&raw);
        let is_same_machine = by_offset.abs_diff(dm) <= JITTER_DM;
        if self.too_fast(run, points, &raw, dm) {
            return self.suspect(run, raw);
        }
        // One counter, reported in decimetres by one and in whole metres by the other: what was rounded off is not
        // added up.
        let dm = if is_same_machine { before.max(dm.min(by_offset)) } else { dm };
        if !is_same_machine {
            self.offset_dm = i64::from(dm) - i64::from(raw.dm);
        }
        // The clocks and strokes of two machines have nothing in common.
        let last = self.last.filter(|_| is_same_machine);
        if last.is_none() || self.behind.is_none() {
            self.behind = behind(&raw);
        }
        let strokes_so_far = left.strokes.max(last.and_then(|last| last.strokes)).min(raw.strokes);
        let since = Raw { strokes: strokes_so_far, ..last.unwrap_or(left) };
        let strokes_milli = strokes(&since, &raw, false, points);
        let joined = !is_same_machine && self.pushed != Some(run);
        self.take(run, raw, Joined { dm, strokes_milli, joined }, points)
    }

    fn take(&mut self, run: RunId, raw: Raw, made: Joined, points: &mut Vec<Point>) -> Step {
        let Joined { dm, strokes_milli, joined } = made;
        let joined = joined || (self.owes_joint && self.run == Some(run));
        self.suspects.remove(&run);
        let newest = points.last();
        let before = newest.map_or(dm, |point| point.dm);
        if let Some((other, last)) = self.run.zip(self.last).filter(|(other, _)| *other != run) {
            self.left.insert(other, (last, before));
        }
        self.left.remove(&run);
        self.tell(run, raw);
        let gap = self.last.map_or(0, |last| raw.heard.saturating_sub(last.heard));
        let rows = u64::from(dm - before) * 1000 > gap.saturating_mul(5) && dm > before;
        if rows {
            self.rowed = Some(run);
        }
        // The same report again from another device says nothing new; nor does one from a machine that nobody rows.
        let is_same = dm == before && gap < SAME_REPORT_MS;
        let rowed_heard = self.rowed.and_then(|rowed| self.left.get(&rowed));
        let is_beside = rowed_heard.is_some_and(|(last, _)| raw.heard < last.heard + BESIDE_MS);
        let moving = rows || ((is_same || is_beside) && newest.is_some_and(|point| point.moving));
        let rates = newest.map_or(Rates::default(), |point| point.rates);
        // Nor could anybody tell how sure a finish is if something another machine says stood between two samples of
        // the one that was rowed.
        let is_kept = !is_beside || dm > before;
        if is_kept {
            points.push(Point { moving, joined, ..point(&raw, dm, strokes_milli, rates) });
            self.pushed = Some(run);
        }
        self.owes_joint = joined && !is_kept;
        (self.last, self.run) = (Some(raw), Some(run));
        Step::Taken
    }

    /// Whether the counter had already fallen a short while ago; notes this fall.
    fn falls_again(&mut self, raw: &Raw) -> bool {
        let before = self.fell_ms.replace(raw.heard);
        before.is_some_and(|before| raw.heard.saturating_sub(before) < FALLS_APART_MS)
    }

    /// What was added before the last fall, if the counter is back where it was sooner than anybody could row there from
    /// zero: then it was not a reset.
    fn no_reset_after_all(&self, raw: &Raw) -> Option<i64> {
        let (before, offset_dm) = self.before_fall.as_ref()?;
        let most_dm = limits::SPEED_MAX / 100.0 * raw.heard.saturating_sub(before.heard) as f64;
        let is_back = raw.dm.saturating_add(JITTER_DM) >= before.dm
            && f64::from(raw.dm.saturating_sub(before.dm)) <= most_dm;
        (is_back && f64::from(raw.dm) > most_dm).then_some(*offset_dm)
    }

    fn joined_dm(&self, raw: &Raw) -> u32 {
        u32::try_from((i64::from(raw.dm) + self.offset_dm).max(0)).unwrap_or(u32::MAX)
    }

    /// The machine was reset (or its counter jumped) between these two samples.
    fn join(&mut self, last: &Raw, raw: &Raw, jumped: bool) {
        let so_far = i64::from(last.dm) + self.offset_dm;
        let gap = raw.heard.saturating_sub(last.heard);
        // A machine that began at zero after the last sample, by its own clock, or whose clock has run on and so shows that
        // it is the same one: everything it counted was rowed in the gap. Without a clock nothing tells how much had been
        // counted before it was heard again, so metres count from there: that somebody could have rowed them in the gap
        // proves nothing.
        let from_zero = clock_from_zero(raw, gap) || clock_ran_on(last, raw);
        let counts_from = if jumped || !from_zero { i64::from(raw.dm) } else { 0 };
        self.offset_dm = so_far - counts_from;
    }

    /// Whether the machine has counted further than anybody rows since the newest report of this run that is at least
    /// `SPEED_OVER_MS` older than `raw`, or since its oldest; for a run that is new, whether the joined distance `dm` is
    /// further than anybody gets since such a point of the others.
    fn too_fast(&self, run: RunId, points: &[Point], raw: &Raw, dm: u32) -> bool {
        // The machine's own clock is free of the radio's delays, and of nothing else: however late reports come, it does
        // not run faster than the session's.
        let is_clock =
            behind(raw).zip(self.behind).is_some_and(|(now, then)| now >= then - LATE_MS);
        let since = |heard: u64, elapsed: Option<u32>| {
            let by_ear = raw.heard.saturating_sub(heard);
            // It may stand still while nobody rows, and then the time of hearing is the better guide.
            match (raw.elapsed, elapsed) {
                (Some(now), Some(then)) if is_clock && now >= then => {
                    by_ear.max(u64::from(now - then))
                }
                (Some(_) | None, _) => by_ear,
            }
        };
        let is_too_far = |gained: u32, since: u64| {
            let seconds = since.max(SPEED_OVER_MS) as f64 / 1000.0;
            f64::from(gained) / 10.0 > limits::SPEED_MAX * seconds
        };
        if let Some(told) = self.told.get(&run) {
            let since = |before: &Raw| since(before.heard, before.elapsed);
            let mut old = told.iter().rev().filter(|before| since(before) >= SPEED_OVER_MS);
            let Some(reference) = old.next().or(told.front()) else { return false };
            return is_too_far(raw.dm.saturating_sub(reference.dm), since(reference));
        }
        let since = |point: &Point| since(point.heard, point.machine_ms.filter(|_| !point.joined));
        let mut reference: Option<&Point> = None;
        for point in points.iter().rev().take(NEAR) {
            // Before a joint nothing was heard of what comes after it.
            let is_before_joint = reference.is_some_and(|nearer| nearer.joined);
            if is_before_joint || reference.is_some_and(|nearer| since(nearer) >= SPEED_OVER_MS) {
                break;
            }
            reference = Some(point);
        }
        reference
            .is_some_and(|reference| is_too_far(dm.saturating_sub(reference.dm), since(reference)))
    }

    /// Notes what a run has reported, and drops what is no longer needed to judge anything.
    fn tell(&mut self, run: RunId, raw: Raw) {
        let told = self.told.entry(run).or_default();
        told.push_back(raw);
        let old = |before: Option<&Raw>| {
            before.is_some_and(|before| raw.heard.saturating_sub(before.heard) >= SPEED_OVER_MS)
        };
        while told.len() > NEAR || old(told.get(1)) {
            told.pop_front();
        }
    }

    fn suspect(&mut self, run: RunId, raw: Raw) -> Step {
        self.refused.push((run, raw.seq));
        let (first, count) = match self.suspects.get(&run) {
            Some((first, before, count)) if agree(before, &raw) => (*first, count + 1),
            Some(_) | None => (raw.seq, 1),
        };
        self.suspects.insert(run, (first, raw, count));
        // A jump that is known already and was not gone back to would otherwise be gone back to at every
        // sample.
        if count >= JUMP_AFTER && self.jumps.insert((run, first)) {
            return Step::Again;
        }
        if count == 1 { Step::Suspect } else { Step::Refused }
    }
}

/// Whether the machine can have begun at zero between these two samples: by its own clock, or because nobody rows further
/// than what it shows in that time.
fn began_at_zero(last: &Raw, raw: &Raw) -> bool {
    let gap = raw.heard.saturating_sub(last.heard);
    let most_dm = limits::SPEED_MAX / 100.0 * (gap + FROM_ZERO_SLACK_MS) as f64;
    clock_from_zero(raw, gap) || f64::from(raw.dm) <= most_dm
}

/// Whether the machine's own clock says that it began at zero within this time.
fn clock_from_zero(raw: &Raw, gap: u64) -> bool {
    raw.elapsed.is_some_and(|elapsed| u64::from(elapsed) <= gap + FROM_ZERO_SLACK_MS)
}

/// Whether the machine's own clock ran on between these two samples as far as the session's did.
fn clock_ran_on(last: &Raw, raw: &Raw) -> bool {
    let gap = raw.heard.saturating_sub(last.heard);
    let ran = raw.elapsed.zip(last.elapsed).and_then(|(now, then)| now.checked_sub(then));
    ran.is_some_and(|ran| u64::from(ran).abs_diff(gap) <= FROM_ZERO_SLACK_MS)
}

/// The value after which a sixteen-bit counter has started again between these two samples, if one has, and went no further
/// than anybody rows.
fn top(last: &Raw, raw: &Raw) -> Option<u32> {
    let seconds = raw.heard.saturating_sub(last.heard).max(SPEED_OVER_MS) as f64 / 1_000.0;
    let is_rowed = |gained: u32| f64::from(gained) / 10.0 <= limits::SPEED_MAX * seconds;
    let fits = |top: &u32| {
        let left = top.checked_sub(last.dm).filter(|_| raw.dm < last.dm);
        left.is_some_and(|left| left > 0 && is_rowed(left.saturating_add(raw.dm)))
    };
    TOPS_DM.into_iter().find(fits)
}

/// How far the machine's clock is behind the session's; `None` without one.
fn behind(raw: &Raw) -> Option<i64> {
    let heard = i64::try_from(raw.heard).unwrap_or(i64::MAX / 4);
    Some(heard - i64::from(raw.elapsed?))
}

/// Strokes made up to `raw`, in thousandths; `last` is what its machine reported before.
fn strokes(last: &Raw, raw: &Raw, reset: bool, points: &[Point]) -> u32 {
    let gap = raw.heard.saturating_sub(last.heard);
    let before = points.last().map_or(0, |point| point.strokes_milli);
    // A metre counter that falls while the machine's clock runs on was nonsense, not a reset.
    let runs_on = matches!((last.elapsed, raw.elapsed), (Some(a), Some(b)) if a <= b);
    if let (Some(old), Some(new)) = (last.strokes, raw.strokes)
        && (!reset || runs_on)
        && new >= old
    {
        return before.saturating_add((new - old).saturating_mul(1000));
    }
    if raw.strokes.is_some() && last.strokes.is_some() {
        return before.saturating_add(raw.strokes.unwrap_or(0).saturating_mul(1000));
    }
    // No stroke counter: the rate tells how many strokes fit into the gap; without a rate, 24 a minute while
    // the machine moves, a usual rate of steady work (common practice, no source).
    let moved = raw.dm != last.dm;
    let rate = match (raw.rate, moved) {
        (0, true) => 48,
        (rate, true) => u64::from(rate),
        (_, false) => 0,
    };
    // Half strokes a minute x milliseconds / 120 = thousandths of a stroke.
    let milli = gap.min(10_000) * rate / 120;
    before.saturating_add(u32::try_from(milli).unwrap_or(u32::MAX))
}

/// Whether two samples are possible one after the other.
fn agree(before: &Raw, after: &Raw) -> bool {
    let seconds = after.heard.saturating_sub(before.heard).max(SPEED_OVER_MS) as f64 / 1000.0;
    after.dm >= before.dm && f64::from(after.dm - before.dm) / 10.0 <= limits::SPEED_MAX * seconds
}

/// A point at rest, with what the machine said about itself; `rates` are those before it.
fn point(raw: &Raw, dm: u32, strokes_milli: u32, rates: Rates) -> Point {
    Point {
        heard: raw.heard,
        dm,
        strokes_milli,
        machine_dm: raw.dm,
        machine_ms: raw.elapsed,
        rate: raw.rate,
        rates: rates.with(raw.rate),
        moving: false,
        joined: false,
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;
    use thole_protocol::{sample::Sample, units::At};
    use uuid::Uuid;

    use super::{super::Recording, RunId};

    /// The page counts by the same table: one rule in two languages.
    const CASES: &str = include_str!("../../../../protocol/cases/odometer.json");

    #[derive(Deserialize)]
    struct Case {
        name: String,
        /// Heard, distance, the machine's clock, its strokes.
        reports: Vec<(i64, i64, Option<i64>, Option<i64>)>,
        /// Heard, joined distance.
        joined_dm: Vec<(u64, u32)>,
    }

    #[test]
    fn counters_are_joined_as_the_table_says() {
        let cases: Vec<Case> = serde_json::from_str(CASES).unwrap();
        assert!(!cases.is_empty());
        for case in cases {
            let mut recording = Recording::default();
            for (seq, (heard_ms, distance_dm, elapsed_ms, strokes)) in (1..).zip(case.reports) {
                let sample =
                    Sample { seq, heard_ms, distance_dm, elapsed_ms, strokes, ..Sample::default() };
                recording.add(At(1_000_000), RunId(Uuid::nil()), &[sample]);
            }
            let joined: Vec<_> = recording.points().iter().map(|p| (p.heard, p.dm)).collect();
            assert_eq!(joined, case.joined_dm, "{}", case.name);
        }
    }
}
