//! What the coach should see now about an athlete: judged once a second, shown once it has lasted, gone when
//! it ends.

use thole_protocol::{
    ids::AthleteId,
    standing::{About, Doing, Notice, Projected},
    units::{At, Bpm, Decimetres, HalfSpm, Millis, decimetres, millis},
};

use crate::{
    fine_at::FineAt,
    limits::Measure,
    plan::Course,
    recording::{Point, count_before},
    roster::{Athlete, Contact},
};

/// A condition is shown once it has lasted this long (our choice; IEC 60601-1-8 asks that false alarms be
/// kept down).
const LASTS_MS: u32 = 10_000;
/// After a call, an athlete's pace is not judged for this long: it needs time to respond.
const QUIET_AFTER_CALL_MS: u32 = 60_000;
/// A reset of the machine, and a clock that does not match, are shown for this long.
const FAULT_SHOWN_MS: u32 = 60_000;
/// Fading: the last tenth this much slower than the median before, as a share of its pace …
const FADING_SHARE: f64 = 0.02;
/// … and this much slower than would be enough. Both are our choice, well above the 0.3 % that means
/// something (Smith and Hopkins 2011).
const FADING_ENOUGH_SHARE: f64 = 0.01;
/// In the first moments of a repeat the last tenth of the piece contains a standing start (our choice).
const SETTLED_MS: f64 = 45_000.0;
/// Too fast: this much faster than the plan so far, as a share (our choice) …
const TOO_FAST_SHARE: f64 = 0.03;
/// … between these shares of the piece: later it is a good day, earlier it is the start.
const TOO_FAST_FROM: f64 = 0.03;
const TOO_FAST_TO: f64 = 0.40;
/// Rate up: two strokes a minute more than in the half minute before (our choice) …
const RATE_UP_HALF_SPM: f64 = 4.0;
/// … while speed has gained at most this share.
const RATE_NO_FASTER_SHARE: f64 = 0.005;
/// The half minutes that are compared.
const WINDOW_MS: u64 = 30_000;
/// The piece is divided into this many parts, to compare the last tenth with what came before.
const PARTS: usize = 20;

/// The kinds of notices, most urgent first: what may be about somebody's health, then contact, then pace.
const KINDS: usize = 10;
/// An athlete who has stopped and has not been heard for this long may be alone and in need of help (our
/// choice).
const ALONE_MS: u32 = 60_000;

/// What is needed to judge one athlete.
pub struct Sight<'a> {
    /// Who, and whether heard.
    pub athlete: &'a Athlete,
    /// What they are doing.
    pub doing: Doing,
    /// Since when they have stopped, if they have.
    pub stopped_since: Option<At>,
    /// Whether they said so themselves.
    pub stopped_by_word: bool,
    /// Whether they row in peace: their pace is nobody's matter.
    pub let_be: bool,
    /// Plan and target.
    pub course: &'a Course,
    /// Work time so far, in milliseconds.
    pub done_ms: f64,
    /// Work distance so far, in decimetres.
    pub done_dm: f64,
    /// Share of the piece done, 0 to 1.
    pub share: f64,
    /// Start of the stretch of work that is being rowed; `None` in a rest.
    pub stretch_start: Option<FineAt>,
    /// Where the finish is heading, for somebody whose target says nothing.
    pub far_off: Option<Projected>,
    /// The pace that is enough from here on.
    pub enough: Option<Millis>,
    /// When the last call came.
    pub last_call: Option<At>,
}

/// Since when each condition of one athlete in one piece has held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Watch {
    since: [Option<At>; KINDS],
    parts: Parts,
    reset: Option<(At, Decimetres)>,
    apart: Option<(At, i64)>,
}

impl Watch {
    /// Notes a row of work: cost so far at a share of the piece.
    pub fn row(&mut self, share: f64, ms: f64, dm: f64) {
        self.parts.row(share, ms, dm);
    }

    /// The machine was reset during the work.
    pub fn reset(&mut self, now: At, done_dm: Decimetres) {
        self.reset = Some((now, done_dm));
    }

    /// The session's clock was found to have gained this many milliseconds on the machine's.
    pub fn clocks_apart(&mut self, now: At, apart_ms: i64) {
        self.apart = self.apart.or(Some((now, apart_ms)));
    }

    /// Forgets the rows noted so far; they will be handed in again.
    pub fn rewind(&mut self) {
        self.parts = Parts::default();
    }

    /// The notices that are to be shown now, most urgent first.
    pub fn judge(&mut self, id: AthleteId, now: At, seen: &Sight<'_>) -> Vec<Notice> {
        let rowing = seen.doing == Doing::Rowing;
        let quiet = seen.last_call.is_some_and(|at| now.since(at).0 < QUIET_AFTER_CALL_MS);
        let is_judged = rowing && seen.athlete.is_heard() && !quiet && !seen.let_be;
        let paced = is_judged && seen.stretch_start.is_some();
        let settled =
            seen.stretch_start.is_some_and(|start| FineAt::from(now) - start >= SETTLED_MS);
        let fading = if paced && settled { self.fading(seen) } else { None };
        let reset = self.reset.filter(|(at, _)| now.since(*at).0 < FAULT_SHOWN_MS);
        let reset = reset.map(|(at, done_dm)| (at, About::MachineReset { done_dm }));
        let apart = self.apart.filter(|(at, _)| now.since(*at).0 < FAULT_SHOWN_MS);
        let apart = apart.map(|(at, apart_ms)| (at, About::ClocksApart { apart_ms }));
        let [
            of_heart,
            of_being_alone,
            of_stop,
            of_contact,
            of_fading,
            of_haste,
            of_rate,
            of_target,
            of_reset,
            of_clocks,
        ] = &mut self.since;
        let mut notices = Vec::new();
        let mut note = |since: &mut Option<At>, found: Option<(At, About)>| {
            let Some((from, about)) = found else {
                *since = None;
                return;
            };
            let since_ms = *since.get_or_insert(from);
            let at_once = matches!(
                about,
                About::MachineReset { .. }
                    | About::ClocksApart { .. }
                    | About::StoppedUnheard { .. }
            ) || (matches!(about, About::Stopped { .. }) && seen.stopped_by_word);
            if at_once || now.since(since_ms).0 >= LASTS_MS {
                notices.push(Notice { athlete: id, since_ms, about });
            }
        };
        let from_now = |about| (now, about);
        note(of_heart, heart(seen, now));
        // One card for each athlete who has stopped and is gone, not three.
        let alone = alone(seen, now);
        let is_told = alone.is_some();
        note(of_being_alone, alone);
        note(of_stop, stopped(seen, now).filter(|_| !is_told));
        note(of_contact, not_heard(seen).filter(|_| !is_told));
        note(of_fading, fading.map(from_now));
        note(of_haste, if paced { too_fast(seen).map(from_now) } else { None });
        note(of_rate, if paced { rate_no_faster(seen, now).map(from_now) } else { None });
        note(of_target, far_off(seen).map(from_now));
        note(of_reset, reset);
        note(of_clocks, apart);
        notices
    }

    fn fading(&self, seen: &Sight<'_>) -> Option<About> {
        let enough = seen.enough?;
        let (now, before) = self.parts.last_tenth_and_before(seen.done_ms, seen.done_dm)?;
        let fading = now > before * (1.0 + FADING_SHARE)
            && now > f64::from(enough.0) * (1.0 + FADING_ENOUGH_SHARE);
        fading.then(|| About::Fading {
            now_per_500m_ms: millis(now),
            before_per_500m_ms: millis(before),
            enough_per_500m_ms: enough,
        })
    }
}

/// How urgent a notice is: lower comes first.
#[must_use]
pub fn urgency(about: &About) -> u8 {
    match about {
        About::HeartRate { .. } => 0,
        About::StoppedUnheard { .. } => 1,
        About::Stopped { .. } => 2,
        About::NotHeard { .. } => 3,
        About::Fading { .. } => 4,
        About::TooFast { .. } => 5,
        About::RateNoFaster { .. } => 6,
        About::TargetFarOff { .. } => 7,
        About::MachineReset { .. } => 8,
        About::ClocksApart { .. } => 9,
    }
}

fn far_off(seen: &Sight<'_>) -> Option<About> {
    let (target, heading) = (seen.course.target()?, seen.far_off?.finish);
    (seen.doing == Doing::Rowing && !seen.let_be).then_some(About::TargetFarOff { target, heading })
}

fn stopped(seen: &Sight<'_>, now: At) -> Option<(At, About)> {
    (seen.doing == Doing::Stopped).then(|| {
        let done_dm = decimetres(seen.done_dm);
        (seen.stopped_since.unwrap_or(now), About::Stopped { done_dm })
    })
}

fn alone(seen: &Sight<'_>, now: At) -> Option<(At, About)> {
    let Contact::Silent { since, .. } = seen.athlete.contact else { return None };
    let is_alone = seen.doing == Doing::Stopped && now.since(since).0 >= ALONE_MS;
    let done_dm = decimetres(seen.done_dm);
    is_alone.then_some((since, About::StoppedUnheard { done_dm, silent_since_ms: since }))
}

fn not_heard(seen: &Sight<'_>) -> Option<(At, About)> {
    let Contact::Silent { since, .. } = seen.athlete.contact else { return None };
    let expected = matches!(seen.doing, Doing::Rowing | Doing::Stopped);
    expected.then_some((since, About::NotHeard { since_ms: since }))
}

fn heart(seen: &Sight<'_>, now: At) -> Option<(At, About)> {
    let (Bpm(heart_bpm), Bpm(limit_bpm)) = (seen.athlete.heart(now)?, seen.athlete.heart_limit()?);
    (heart_bpm > limit_bpm).then_some((now, About::HeartRate { heart_bpm, limit_bpm }))
}

fn too_fast(seen: &Sight<'_>) -> Option<About> {
    if !(TOO_FAST_FROM..=TOO_FAST_TO).contains(&seen.share) {
        return None;
    }
    let (work, cost) = (seen.course.work() * seen.share, seen.course.planned(seen.share)?);
    let plan = match seen.course.measure() {
        Measure::Distance(_) => per_500m(cost * 1e3, work * 1e1)?,
        Measure::Time(_) => per_500m(work * 1e3, cost * 1e1)?,
    };
    let now = per_500m(seen.done_ms, seen.done_dm)?;
    (now < plan * (1.0 - TOO_FAST_SHARE))
        .then(|| About::TooFast { now_per_500m_ms: millis(now), plan_per_500m_ms: millis(plan) })
}

fn rate_no_faster(seen: &Sight<'_>, now: At) -> Option<About> {
    let points = seen.athlete.recording.recent();
    let newest = points.last()?.heard.min(now.0);
    let middle = newest.checked_sub(WINDOW_MS)?;
    let first = middle.checked_sub(WINDOW_MS)?;
    // Both half minutes lie within the stretch of work that is being rowed.
    if seen.stretch_start.is_none_or(|start| start > FineAt::of(first)) {
        return None;
    }
    let begin = count_before(points, |point| point.heard < first);
    let half = count_before(points, |point| point.heard < middle);
    // A point heard at the very instant between them is in both.
    let between = points.iter().skip(half).take_while(|point| point.heard <= middle).count();
    let later = points.iter().rev().take_while(|point| point.heard > newest).count();
    let before = HalfMinute::of(points.get(begin..half + between)?)?;
    let now = HalfMinute::of(points.get(half..points.len() - later)?)?;
    let (before_rate, now_rate) = (before.rate()?, now.rate()?);
    // Most of the time the rate is not up, and then no pace is asked for.
    if now_rate < before_rate + RATE_UP_HALF_SPM {
        return None;
    }
    let (before_pace, now_pace) = (before.pace()?, now.pace()?);
    (now_pace > before_pace * (1.0 - RATE_NO_FASTER_SHARE)).then(|| About::RateNoFaster {
        rate_half_spm: half_spm(now_rate),
        before_half_spm: half_spm(before_rate),
        now_per_500m_ms: millis(now_pace),
        before_per_500m_ms: millis(before_pace),
    })
}

/// The first and the last point of half a minute.
#[derive(Clone, Copy)]
struct HalfMinute<'a> {
    first: &'a Point,
    last: &'a Point,
}

impl<'a> HalfMinute<'a> {
    fn of(points: &'a [Point]) -> Option<HalfMinute<'a>> {
        Some(HalfMinute { first: points.first()?, last: points.last()? })
    }

    /// Mean rate, half strokes a minute; `None` for fewer than three reports.
    fn rate(self) -> Option<f64> {
        let HalfMinute { first, last } = self;
        let told = last.rates.told - first.rates.told + u32::from(first.rate > 0);
        let sum = last.rates.sum - first.rates.sum + u32::from(first.rate);
        (told >= 3).then(|| f64::from(sum) / f64::from(told))
    }

    /// Pace, milliseconds per 500 m; `None` without distance.
    fn pace(self) -> Option<f64> {
        let HalfMinute { first, last } = self;
        per_500m(last.heard.saturating_sub(first.heard) as f64, f64::from(last.dm - first.dm))
    }
}

/// Milliseconds per 500 m; `None` without distance.
fn per_500m(ms: f64, dm: f64) -> Option<f64> {
    (dm > 0.0 && ms > 0.0).then(|| ms * 5_000.0 / dm)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a mean of 16-bit rates fits in 16 bits"
)]
fn half_spm(rate: f64) -> HalfSpm {
    HalfSpm(rate.round() as u16)
}

/// Work time and distance at the end of each twentieth of the piece.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Parts {
    ends: [(f64, f64); PARTS],
    passed: usize,
    before: Option<PartsBefore>,
}

/// The parts before the last tenth and a little more.
#[derive(Clone, Copy, Debug, PartialEq)]
struct PartsBefore {
    /// Their end.
    ms: f64,
    dm: f64,
    /// Their median pace, milliseconds per 500 m.
    median: f64,
}

impl Default for Parts {
    fn default() -> Self {
        Parts { ends: [(0.0, 0.0); PARTS], passed: 0, before: None }
    }
}

impl Parts {
    fn row(&mut self, share: f64, ms: f64, dm: f64) {
        let passed = self.passed;
        while (self.passed as f64 + 1.0) / PARTS as f64 <= share {
            let Some(end) = self.ends.get_mut(self.passed) else { break };
            *end = (ms, dm);
            self.passed += 1;
        }
        if self.passed > passed {
            self.before = self.before();
        }
    }

    /// Pace over the last tenth and a little more, and the median pace of the parts before it.
    fn last_tenth_and_before(&self, ms: f64, dm: f64) -> Option<(f64, f64)> {
        let before = self.before?;
        Some((per_500m(ms - before.ms, dm - before.dm)?, before.median))
    }

    fn before(&self) -> Option<PartsBefore> {
        // Three parts are the fewest that give a median worth the name.
        let old = self.passed.checked_sub(2).filter(|old| *old >= 3)?;
        let mut paces = [0.0; PARTS];
        let mut last = (0.0, 0.0);
        for (pace, end) in paces.iter_mut().zip(self.ends.iter().take(old)) {
            *pace = per_500m(end.0 - last.0, end.1 - last.1).unwrap_or(0.0);
            last = *end;
        }
        let paces = paces.get_mut(..old)?;
        paces.sort_unstable_by(f64::total_cmp);
        Some(PartsBefore { ms: last.0, dm: last.1, median: *paces.get(old / 2)? })
    }
}
