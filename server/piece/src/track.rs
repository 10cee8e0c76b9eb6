//! What of an athlete's recording is work of a piece: from the go to the finish, rests cut out.

mod clocks;
mod end;
mod exact;
mod missed;
mod result;
mod start;
#[cfg(test)]
mod tests;
mod wholes;

use thole_protocol::{
    spec::{Extent, Repeat, RepeatStart, StartClock},
    units::At,
};

use crate::{fine_at::FineAt, recording::Point};
use clocks::Clocks;
use end::{End, FASTEST_DM_PER_MS, Open, Stretch};
use exact::Exact;
use start::{Around, ByClock, KnownBy, OwnStart, Stood};
use wholes::{CUT_OFF_DM, Wholes};

/// Points further apart than this are not one stretch of rowing: somebody stopped, or rows are missing.
const STRETCH_MS: f64 = 4_000.0;
/// An athlete whose first stroke comes later than this after the go has started late, and the result says so.
const LATE_START_MS: f64 = 10_000.0;
/// A client's idea of the session's clock may be ahead by this much; anything it dates later than that has not happened yet,
/// and nobody's piece ends by it.
const AHEAD_MS: f64 = 1_000.0;
/// After the end of a time piece, how long a stroke that began before the end may still be waited for.
const SETTLE_MS: f64 = 5_000.0;
/// Whoever is first heard later than this after the start of a repeat is marked, even if the machine's clock
/// shows that it began after the start (design: 30 s).
const HEARD_LATE_MS: f64 = 30_000.0;
/// Speed of a usual first stroke, 4 m/s (common practice, no source): tells when it began.
const USUAL_FIRST_DM_PER_MS: f64 = 0.04;
/// A handle being laid down, or a counter that jitters, moves less than this in all; one stroke moves more (our choice).
const TREMBLE_DM: f64 = 10.0;

/// What of the piece all tracks have in common.
#[derive(Clone, Copy, Debug)]
pub struct Rule<'a> {
    /// The work.
    pub repeats: &'a [Repeat],
    /// Where the clock starts.
    pub clock: StartClock,
    /// When later repeats begin.
    pub repeat_start: RepeatStart,
    /// The go, and the signals of later repeats as far as they have been given.
    pub starts: &'a [At],
    /// Nothing heard after this counts: the piece was closed or stopped.
    pub until: Option<At>,
}

impl Rule<'_> {
    /// When the time of a piece by time is over for everybody; `None` for other pieces, and where each
    /// athlete begins or rests on a clock of their own.
    #[must_use]
    pub fn time_over_at(&self) -> Option<FineAt> {
        let Repeat { work: Extent::Time { time_ms }, .. } = self.repeats.last()? else {
            return None;
        };
        let start = self.starts.get(self.repeats.len() - 1)?;
        (self.clock == StartClock::CommonGo).then(|| FineAt::from(start) + f64::from(time_ms.0))
    }

    /// Whether that was some time ago: nobody can still be rowing it, heard or not.
    #[must_use]
    pub fn is_time_over(&self, now: At) -> bool {
        self.time_over_at().is_some_and(|end| FineAt::from(now) >= end + SETTLE_MS)
    }
}

/// Work done at one instant, rests cut out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// When it was heard.
    pub heard: FineAt,
    /// Work time in milliseconds.
    pub ms: f64,
    /// Work distance in decimetres.
    pub dm: f64,
    /// Which repeat it belongs to, counted from 0.
    pub repeat: usize,
    /// Milliseconds since that repeat began.
    pub into_ms: f64,
    /// What of the work was over before the athlete came; it is counted in `ms` or `dm` though nobody rowed
    /// it.
    pub missed: Missed,
    /// Milliseconds of the work time that had gone by before the first stroke of whoever came late; 0 for everybody else.
    pub late_ms: f64,
}

/// Repeats that an athlete has not rowed because they were already over for the class.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Missed {
    /// Of repeats by time: milliseconds.
    pub ms: f64,
    /// Of repeats by distance: decimetres.
    pub dm: f64,
}

/// How a piece ended for an athlete.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Finish {
    /// Work time in milliseconds.
    pub ms: f64,
    /// Work distance in decimetres.
    pub dm: f64,
    /// The truth is no further away than this, milliseconds: what is left open by the samples around the ends
    /// of repeats (and around their own start, where the clock begins there), and at least half the gap
    /// between them.
    pub sure_ms: f64,
    /// The same in decimetres.
    pub sure_dm: f64,
    /// When that was.
    pub at: FineAt,
}

/// One athlete's way through one piece; fed with the recording's points in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// Index of the first point that was not taken yet.
    next: usize,
    /// Which repeat is being rowed or comes next.
    repeat: usize,
    rowing: Option<Stretch>,
    /// Work of the repeats that are done.
    done_ms: f64,
    done_dm: f64,
    /// Where the last repeat ended: when, joined decimetres.
    ended: Option<(FineAt, f64)>,
    /// Work time and distance at the ends of quarters (one stretch) or repeats.
    marks: Vec<(f64, f64)>,
    newest: Option<Row>,
    /// The newest row of work in which the distance grew.
    progress: Option<Row>,
    /// When it had grown enough to be called rowing, and to how much: decimetres of work.
    rowed: Option<(FineAt, f64)>,
    finish: Option<Finish>,
    /// Which of the marks belong to repeats that were missed, and what those come to in all.
    missed_repeats: Vec<usize>,
    missed: Missed,
    /// What the finished repeats leave open: milliseconds, decimetres.
    open: Open,
    /// The last end, as long as a machine that told it to the metre may still show more.
    exact: Option<Exact>,
    /// Since when the machine's clock has shown the same.
    stood: Option<Stood>,
    strokes_milli: u32,
    wholes: Wholes,
    /// For the stretch that is being rowed.
    clocks: Clocks,
    joined: bool,
    no_baseline: bool,
    heard_late: bool,
    late_start: bool,
    /// Work time that had gone by before the first stroke of whoever started late.
    late_ms: f64,
    /// The end of the piece, once a point was heard after it: what comes later no longer counts.
    past: Option<At>,
}

impl Track {
    /// Index of the first point that `advance` needs to see.
    #[must_use]
    pub fn needs(&self, rule: Rule<'_>) -> usize {
        let is_past = self.past.is_some() && self.past == rule.until;
        if is_past { usize::MAX } else { self.next.saturating_sub(2) }
    }

    /// Takes the points that are new since the last call out of `points`, which begin with the one at index
    /// `first`; `each` is called with every row of work.
    pub fn advance(
        &mut self,
        first: usize,
        points: &[Point],
        rule: Rule<'_>,
        mut each: impl FnMut(Row, u32),
    ) {
        debug_assert!(first == 0 || first <= self.needs(rule), "points are missing");
        let at = |index: usize| points.get(index.checked_sub(first)?);
        while let Some(point) = at(self.next) {
            let before = self.next.checked_sub(1).and_then(at);
            let earlier = self.next.checked_sub(2).and_then(at);
            self.decide(point);
            if let Some(until) = rule.until.filter(|until| point.heard > until.0) {
                // Whoever is home last ends the piece, and whether their machine goes on is heard a moment later.
                if self.finish.is_some() && self.exact.is_some() {
                    self.next += 1;
                    continue;
                }
                self.past = Some(until);
                return;
            }
            self.step(Around { earlier, before, point }, rule, &mut each);
            self.stood = Stood::by(self.stood, point);
            self.next += 1;
        }
    }

    /// How the piece ended, as known at `now`; `None` while it has not.
    #[must_use]
    pub fn finish(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        if self.finish.is_some() {
            return self.finish.filter(|finish| finish.at <= FineAt::from(now) + AHEAD_MS);
        }
        let (stretch, time_ms) = self.last_by_time(rule)?;
        let end = stretch.start + time_ms;
        let settled = rule.until.is_some_and(|until| FineAt::from(until) >= end);
        (settled || FineAt::from(now) >= end + SETTLE_MS).then(|| {
            // What was rowed between the last sample and the end is in none of them: it may be as much as
            // anybody rows.
            let most = (FASTEST_DM_PER_MS * (end - stretch.heard)).max(0.0);
            let carried = stretch.carried(end);
            let cut_off = if carried > 0.0 { self.cut_off(stretch) } else { 0.0 };
            let unheard = carried.max(most - carried) + cut_off;
            let open = self.open.and(Open { ms: 0.0, dm: unheard + stretch.start_open_dm() });
            Finish {
                ms: self.done_ms + time_ms,
                dm: self.done_dm + (stretch.dm - stretch.base) + carried + cut_off,
                sure_ms: open.ms,
                sure_dm: open.dm,
                at: end,
            }
        })
    }

    /// How much further than it says a machine that counts whole metres from zero has come on average; 0 for others.
    fn cut_off(&self, stretch: Stretch) -> f64 {
        if stretch.from_zero && self.wholes.are_cut_off() { CUT_OFF_DM } else { 0.0 }
    }

    /// The last repeat of a time piece while it is rowed, and its length. A machine that reports strokes says
    /// nothing after the last one.
    fn last_by_time(&self, rule: Rule<'_>) -> Option<(Stretch, f64)> {
        let last = self.repeat + 1 == rule.repeats.len();
        let stretch = self.rowing.filter(|_| last)?;
        let Extent::Time { time_ms } = rule.repeats.get(self.repeat)?.work else { return None };
        let time_ms = f64::from(time_ms.0);
        // In a piece that was over before its time was up, nobody reaches the end any more, however late it
        // is.
        let goes_by = rule.until.is_none_or(|until| FineAt::from(until) >= stretch.start + time_ms);
        goes_by.then_some((stretch, time_ms))
    }

    /// From when on `finish` is known while the piece goes on, if nothing more is heard; `None` as long as
    /// that cannot be said.
    #[must_use]
    pub fn home_at(&self, rule: Rule<'_>) -> Option<At> {
        if let Some(finish) = self.finish {
            return Some((finish.at - AHEAD_MS).ceil());
        }
        let (stretch, time_ms) = self.last_by_time(rule)?;
        Some((stretch.start + time_ms + SETTLE_MS).ceil())
    }

    /// The newest row of work; `None` before the first.
    #[must_use]
    pub fn newest(&self) -> Option<Row> {
        self.newest
    }

    /// When the athlete was last heard to row: a counter that jitters is not rowing.
    #[must_use]
    pub fn rowed_at(&self) -> Option<FineAt> {
        self.rowed.map(|(at, _)| at)
    }

    /// The newest row of work in which the distance grew; `None` before the first stroke.
    #[must_use]
    pub fn progress(&self) -> Option<Row> {
        self.progress
    }

    /// Which repeat is being rowed or comes next, counted from 0.
    #[must_use]
    pub fn repeat(&self) -> usize {
        self.repeat
    }

    /// Whether a repeat is being rowed, and not a rest.
    #[must_use]
    pub fn in_work(&self) -> bool {
        self.rowing.is_some()
    }

    /// Whether the machine was reset during the work and the parts were joined.
    #[must_use]
    pub fn is_joined(&self) -> bool {
        self.joined
    }

    /// By how many milliseconds the session's clock has gained on the machine's while the athlete rowed (negative:
    /// lost), if that distorts the result.
    #[must_use]
    pub fn clocks_apart_ms(&self) -> Option<i64> {
        self.clocks.apart_ms
    }

    /// Since when there is something to row at `now` (later than `now` in a rest whose end is known); `None`
    /// in a rest that ends on a signal.
    #[must_use]
    pub fn due(&self, rule: Rule<'_>, now: FineAt) -> Option<FineAt> {
        let signalled = |repeat| rule.starts.get(repeat).map(FineAt::from);
        let rested = |repeat: usize, ended: FineAt| match rule.repeat_start {
            RepeatStart::CommonSignal => signalled(repeat + 1),
            RepeatStart::OwnRest => Some(ended + f64::from(rule.repeats.get(repeat)?.rest_ms.0)),
        };
        let Some(stretch) = self.rowing else {
            return match (self.ended, self.repeat.checked_sub(1)) {
                (Some((ended, _)), Some(before)) => rested(before, ended),
                _ => signalled(self.repeat),
            };
        };
        // A machine that reports only strokes says nothing when a repeat by time is over.
        match rule.repeats.get(self.repeat)?.work {
            Extent::Time { time_ms }
                if self.repeat + 1 < rule.repeats.len()
                    && now >= stretch.start + f64::from(time_ms.0) =>
            {
                rested(self.repeat, stretch.start + f64::from(time_ms.0))
            }
            Extent::Time { .. } | Extent::Distance { .. } => Some(stretch.start),
        }
    }

    /// When the repeat that is being rowed began; `None` in a rest.
    #[must_use]
    pub fn stretch_start(&self) -> Option<FineAt> {
        self.rowing.map(|stretch| stretch.start)
    }

    /// When the last finished repeat ended.
    #[must_use]
    pub fn ended_at(&self) -> Option<FineAt> {
        self.ended.map(|(at, _)| at)
    }

    /// Strokes in the work, in thousandths.
    #[must_use]
    pub fn strokes_milli(&self) -> u32 {
        self.strokes_milli
    }

    fn step(&mut self, around: Around<'_>, rule: Rule<'_>, each: &mut impl FnMut(Row, u32)) {
        // One point can end a repeat and belong to the next: each turn of the loop handles one of the two.
        while self.finish.is_none() {
            self.miss(around, rule);
            let Some(repeat) = rule.repeats.get(self.repeat) else { return };
            let Some(stretch) = self.rowing else {
                let Some(stretch) = self.begin(around, rule) else { return };
                self.rowing = Some(stretch);
                continue;
            };
            if !self.row(stretch, repeat, around, rule, each) {
                return;
            }
        }
    }

    /// The stretch that has begun by this point, if the next repeat has.
    fn begin(&mut self, around: Around<'_>, rule: Rule<'_>) -> Option<Stretch> {
        let heard = around.point.at();
        // Metres since the sample before that belong to an earlier repeat do not count for this one.
        let done_dm = self.ended.map_or(0.0, |(_, ended)| ended);
        let (start, start_open, base, by_clock) =
            match (self.repeat, rule.clock, rule.repeat_start, self.ended) {
                (0, StartClock::OwnFirstStroke, _, _) => {
                    let go = FineAt::from(rule.starts.first()?);
                    let base = Some(around.own_base(go)).filter(|_| heard > go)?;
                    if base.known == KnownBy::No {
                        // Metres and clock both begin with what is heard from here on.
                        self.no_baseline = true;
                        return None;
                    }
                    let OwnStart { at, open, by_clock } = around.own_start(go, base, self.stood)?;
                    (at, open, base, by_clock)
                }
                (_, _, RepeatStart::OwnRest, Some((ended, _))) => {
                    let rest = rule.repeats.get(self.repeat.checked_sub(1)?)?.rest_ms;
                    let start = ended + f64::from(rest.0);
                    let base = around.base(start, done_dm);
                    (start, base.open_ms, base, ByClock::default())
                }
                (repeat, _, _, ended) => {
                    let start = FineAt::from(rule.starts.get(repeat)?);
                    let start = ended.map_or(start, |(ended, _)| start.max(ended));
                    let base = around.base(start, done_dm);
                    (start, base.open_ms, base, ByClock::default())
                }
            };
        if heard <= start {
            return None;
        }
        self.no_baseline |= base.known == KnownBy::No;
        self.heard_late |= base.known == KnownBy::ByClock && heard - start > HEARD_LATE_MS;
        let dm = base.dm.max(done_dm);
        let from_zero = base.is_zero && dm <= base.dm;
        let (took, speed) = (0.0, 0.0);
        let heard = start;
        Some(Stretch { start, start_open, base: dm, from_zero, by_clock, heard, dm, took, speed })
    }

    /// Rows one stretch up to this point; true when the repeat ended before it.
    fn row(
        &mut self,
        stretch: Stretch,
        repeat: &Repeat,
        around: Around<'_>,
        rule: Rule<'_>,
        each: &mut impl FnMut(Row, u32),
    ) -> bool {
        let point = around.point;
        let stretch = stretch.with_clock(point.machine_ms);
        let (heard, dm) = (point.at(), f64::from(point.dm).max(stretch.dm));
        let (took, gained) = (heard - stretch.heard, dm - stretch.dm);
        self.wholes.hear(gained);
        let end = stretch.end(repeat.work, heard, dm, self.cut_off(stretch));
        let before = around.before;
        self.joined |= point.joined && before.is_some_and(|before| before.at() >= stretch.start);
        self.clocks.hear(before.filter(|before| before.at() >= stretch.start), point);
        let strokes_before = before.map_or(0, |before| before.strokes_milli);
        self.strokes_milli += point.strokes_milli.saturating_sub(strokes_before);
        let (at, to) = end.map_or((heard, dm), |end| (end.at, end.dm));
        let cut_off = end.map_or(0.0, |end| end.cut_off);
        let mut row = Row {
            heard: at,
            ms: self.done_ms + (at - stretch.start),
            dm: self.done_dm + (to - stretch.base) + cut_off,
            repeat: self.repeat,
            into_ms: at - stretch.start,
            missed: self.missed,
            late_ms: self.late_ms,
        };
        if to > stretch.dm && end.is_none_or(|end| end.rowed_to) {
            if self.progress.is_none() {
                let go = rule.starts.first().filter(|_| self.missed_repeats.is_empty());
                let go = go.map_or(stretch.start, FineAt::from);
                let began = at - (to - stretch.base) / USUAL_FIRST_DM_PER_MS;
                self.late_start = began - go > LATE_START_MS;
                if self.late_start {
                    self.late_ms = (began - stretch.start).max(0.0);
                    row.late_ms = self.late_ms;
                }
            }
            self.progress = Some(row);
            if self.rowed.is_none_or(|(_, dm)| row.dm >= dm + TREMBLE_DM) {
                self.rowed = Some((row.heard, row.dm));
            }
        }
        self.mark_quarters(rule.repeats, row);
        self.newest = Some(row);
        each(row, self.strokes_milli);
        let Some(end) = end else {
            let speed = if took > 0.0 { gained / took } else { stretch.speed };
            self.rowing = Some(Stretch { heard, dm, took, speed, ..stretch });
            return false;
        };
        self.end(row, end, rule.repeats.len());
        true
    }

    fn end(&mut self, row: Row, end: End, repeats: usize) {
        self.rowing = None;
        self.clocks = Clocks::of_next(self.clocks);
        self.ended = Some((end.at, end.dm));
        (self.done_ms, self.done_dm) = (row.ms, row.dm);
        self.exact = Exact::of(&end, self.open);
        self.open = self.open.and(end.open);
        self.repeat += 1;
        if self.repeat == repeats {
            let Open { ms: sure_ms, dm: sure_dm } = self.open;
            self.finish = Some(Finish { ms: row.ms, dm: row.dm, sure_ms, sure_dm, at: end.at });
        } else {
            self.marks.push((row.ms, row.dm));
        }
    }

    /// Notes the ends of quarters that lie between the newest row and this one.
    fn mark_quarters(&mut self, repeats: &[Repeat], row: Row) {
        let [repeat] = repeats else { return };
        let (ms, dm) = self.newest.map_or((0.0, 0.0), |newest| (newest.ms, newest.dm));
        while self.marks.len() < 3 {
            let quarters = (self.marks.len() + 1) as f64 / 4.0;
            let share = match repeat.work {
                Extent::Distance { distance_dm } => {
                    (quarters * f64::from(distance_dm.0) - dm) / (row.dm - dm)
                }
                Extent::Time { time_ms } => (quarters * f64::from(time_ms.0) - ms) / (row.ms - ms),
            };
            if !(0.0..=1.0).contains(&share) {
                return;
            }
            self.marks.push((ms + share * (row.ms - ms), dm + share * (row.dm - dm)));
        }
    }
}
