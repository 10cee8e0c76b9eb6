//! One athlete in one piece: the way so far, where it is heading, the call that stands, the result.

use std::sync::Arc;

use thole_protocol::{
    ids::{AthleteId, CallId, PieceNo},
    spec::{Aim, CallText, Extent, PieceSpec, Repeat, SheetCall, Span, Target},
    standing::{
        AgainstTarget, AthleteResult, Doing, Line, Margin, Mark, Notice, Outcome, Own, Projected,
        RunningCall,
    },
    units::{At, Millis, decimetres, millis},
};

use crate::{
    call_sheet::Given,
    limits::{self, Measure, STOPPED_AFTER},
    notice::{Seen, Watch},
    plan::{Course, pace_per_500m},
    projection::{Count, Estimate, Forecast, Live, Marks},
    recording::{Changed, Point, Recording},
    roster::{Athlete, Contact},
    standings,
    track::{Finish, Row, Rule, Track},
};

/// An athlete whose distance has not grown for this long, while the device is heard, has stopped: five of the
/// slowest usual strokes.
pub(crate) const STOPPED_AFTER_MS: f64 = STOPPED_AFTER.0 as f64;
/// Whoever is here begins within this after the go, or is not called; common practice, no source.
const FIRST_STROKE_WITHIN: Millis = Millis(5_000);
/// No stroke for so long is a pause: two of the slowest usual strokes, and a second.
const PAUSE_MS: f64 = 6_000.0;
/// After the start of a later repeat, the pace of the last stretch is that of a standing start for so
/// long (own choice: a dozen strokes).
const SETTLES_AFTER_MS: f64 = 30_000.0;
/// Nobody is called ahead or behind before this share of the piece.
const SAID_FROM: f64 = 0.05;
/// Chances of making the target, in thousandths, under and over which that is said, and until which it stays said (own choice,
/// wide enough that a steady rower is called the same for minutes).
const BEHIND_UNDER: u16 = 250;
const BEHIND_UNTIL: u16 = 350;
const AHEAD_OVER: u16 = 750;
const AHEAD_UNTIL: u16 = 650;
/// How long a stretch the pace 'now' is taken over.
const PACE_OVER_MS: u64 = 10_000;

/// One athlete in one piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Rower {
    aim: Aim,
    course: Course,
    live: Live,
    forecast: Forecast,
    /// What the newest row says: reckoned once a row, looked at by many.
    heading: Option<Heading>,
    enough: Option<Millis>,
    /// The word for it, which stays until it is clearly another.
    against_target: Option<AgainstTarget>,
    /// What was shown at the marks, to be judged at the finish.
    marks: Marks,
    /// The projection as it stood when the last repeat ended.
    rested: Live,
    track: Track,
    given: Given,
    watch: Watch,
    stopped_at: Option<At>,
    call: Option<OwnCall>,
    last_call: Option<At>,
    /// Whether the device was heard when the piece was over: what came later changes no result.
    contact_at_end: Option<Contact>,
    /// The device was heard again for so long after that nothing is on its way any more.
    heard_out: bool,
    /// The session's clock was set while this athlete rowed.
    pub clock_was_set: bool,
    /// The journal has lost something by which the result may be another.
    pub is_damaged: bool,
    /// It has lost strokes, and they may still come.
    pub lacks_strokes: bool,
    /// The result as last told.
    pub told: Option<AthleteResult>,
    /// Place as last published.
    pub place: Option<u32>,
}

/// The focus call that stands for one athlete.
#[derive(Clone, Debug, PartialEq)]
pub struct OwnCall {
    /// Which.
    pub call: CallId,
    /// The words; the same for all who got it.
    pub text: Arc<CallText>,
    /// How long it stands.
    pub span: Span,
    /// When it went out, or when the athlete was at its point of the sheet.
    pub sent_at: At,
}

impl OwnCall {
    /// Whether it stood for a time, and that is over.
    #[must_use]
    pub fn is_past(&self, now: At) -> bool {
        matches!(self.span, Span::Time { time_ms } if self.sent_at + time_ms <= now)
    }
}

/// A point of the call sheet that an athlete has reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reached {
    /// Number of the entry.
    pub entry: usize,
    /// When the athlete was there, milliseconds of the session.
    pub heard: f64,
}

/// Where somebody is heading, and what that is against the own target.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Heading {
    projected: Projected,
    margin: Option<Margin>,
}

impl Heading {
    fn of(course: &Course, estimate: Estimate) -> Heading {
        let Estimate { finish, low, high, chance } = estimate;
        let cost = |amount| cost(course.measure(), amount);
        let projected = Projected {
            finish: cost(finish),
            low: cost(low),
            high: cost(high),
            chance_permille: chance.map(permille),
        };
        Heading { projected, margin: course.margin(finish) }
    }
}

/// How a rower is found at one instant.
#[derive(Clone, Copy)]
struct Found {
    finish: Option<Finish>,
    doing: Doing,
    /// Since when the athlete should be rowing, is heard, and does not move; none in a rest.
    idle_since: Option<f64>,
}

impl Rower {
    /// An athlete at the start of a piece. A target or plan that does not fit it counts as none.
    #[must_use]
    pub fn new(piece: &PieceSpec, aim: Aim, forecast: Forecast) -> Option<Rower> {
        let (aim, course) = match Course::of(piece, &aim) {
            Ok(course) => (aim, course),
            Err(_) => (Aim::default(), Course::of(piece, &Aim::default()).ok()?),
        };
        let live = Live::new();
        Some(Rower {
            aim,
            heading: forecast.estimate(&course, &live).map(|told| Heading::of(&course, told)),
            enough: live.enough_per_500m(&course),
            against_target: None,
            course,
            live,
            forecast,
            marks: Marks::default(),
            rested: live,
            track: Track::default(),
            given: Given::none_of(piece.call_sheet.len()),
            watch: Watch::default(),
            stopped_at: None,
            call: None,
            last_call: None,
            contact_at_end: None,
            heard_out: false,
            clock_was_set: false,
            is_damaged: false,
            lacks_strokes: false,
            told: None,
            place: None,
        })
    }

    /// What this athlete rows the piece by.
    #[must_use]
    pub fn aim(&self) -> &Aim {
        &self.aim
    }

    /// The way so far, as the projection keeps it.
    #[must_use]
    pub fn live(&self) -> &Live {
        &self.live
    }

    /// Takes what is new in the recording; returns the points of the sheet that were reached.
    pub fn advance(
        &mut self,
        now: At,
        recording: &Recording,
        changed: Changed,
        rule: Rule<'_>,
        sheet: &[SheetCall],
    ) -> Vec<Reached> {
        if changed == Changed::Rebuilt {
            self.track = Track::default();
            self.live = Live::new();
            self.rested = self.live;
            self.marks = Marks::default();
            self.watch.rewind();
        }
        let Rower { course, live, forecast, marks, rested, track, given, watch, .. } = self;
        let measure = course.measure();
        let mut reached = Vec::new();
        let joined_before = track.is_joined();
        let apart_before = track.clocks_apart_ms();
        let mut repeat = track.newest().map_or(0, |row| row.repeat);
        let (first, points) = recording.points_from(track.needs(rule));
        track.advance(first, &points, rule, |row, strokes_milli| {
            if row.repeat != repeat {
                (*rested, repeat) = (*live, row.repeat);
            }
            live.row(course, millis(row.ms).0, decimetres(row.dm).0);
            let share = share(course, row.ms, row.dm);
            while marks.next().is_some_and(|mark| share >= mark) {
                marks.pass(forecast.estimate(course, live));
            }
            watch.row(share, row.ms - row.missed.ms, row.dm - row.missed.dm);
            let there = given.reached(sheet, measure, row, strokes_milli);
            reached.extend(there.map(|entry| Reached { entry, heard: row.heard }));
        });
        if track.is_joined() && !joined_before && changed != Changed::Rebuilt {
            watch.reset(now, decimetres(track.newest().map_or(0.0, |newest| newest.dm)));
        }
        if let (None, Some(apart_ms)) = (apart_before, track.clocks_apart_ms()) {
            watch.clocks_apart(now, apart_ms);
        }
        // The whole piece cannot be made any more by who has missed a part of it, and nothing is projected for them.
        let is_whole = self.track.missed().is_none();
        let estimate = self.estimate_now().filter(|_| is_whole);
        self.heading = estimate.map(|told| Heading::of(&self.course, told));
        self.enough = self.live.enough_per_500m(&self.course).filter(|_| is_whole);
        if changed == Changed::Rebuilt {
            self.against_target = None;
        }
        self.against_target = self.in_a_word();
        reached
    }

    /// The athlete says to have stopped.
    pub fn stop(&mut self, now: At) {
        self.stopped_at.get_or_insert(now);
    }

    /// The athlete goes on after having stopped.
    pub fn row_on(&mut self) {
        self.stopped_at = None;
    }

    /// The piece is over.
    pub fn end(&mut self, athlete: &Athlete) {
        self.contact_at_end = Some(athlete.contact);
    }

    /// Whether the result as last told waits for what was rowed while nothing was heard.
    #[must_use]
    pub fn is_unheard(&self) -> bool {
        self.told.as_ref().is_some_and(|told| told.outcome == Outcome::Unheard)
    }

    /// The device is heard again, and has been for so long that all it had kept has come.
    pub fn hear_out(&mut self) {
        self.heard_out = true;
    }

    /// Whether the athlete has said to have stopped.
    #[must_use]
    pub fn has_stopped(&self) -> bool {
        self.stopped_at.is_some()
    }

    /// Whether the athlete has rowed in this piece.
    #[must_use]
    pub fn has_rowed(&self) -> bool {
        self.track.rowed_at().is_some()
    }

    /// Which repeat is being rowed or comes next.
    #[must_use]
    pub fn repeat(&self) -> usize {
        self.track.repeat()
    }

    /// Which repeat is being rowed, and for how long by now, milliseconds; `None` at rest.
    #[must_use]
    pub fn repeat_so_far(&self) -> Option<(usize, f64)> {
        let newest = self.track.newest()?;
        (newest.repeat == self.track.repeat()).then_some((newest.repeat, newest.into_ms))
    }

    /// When this repeat was over for them, milliseconds of the session: infinite while it goes on, `None` when it was over
    /// before the one that was over last.
    #[must_use]
    pub fn repeat_over_at(&self, rule: Rule<'_>, repeat: usize) -> Option<f64> {
        if repeat == self.track.repeat() {
            return Some(rule.until.map_or(f64::INFINITY, |until| until.0 as f64));
        }
        self.track.ended_at().filter(|_| repeat + 1 == self.track.repeat())
    }

    /// When the last repeat that is done ended, milliseconds of the session.
    #[must_use]
    pub fn ended_at(&self) -> Option<f64> {
        self.track.ended_at()
    }

    /// Where the athlete was when the piece was over for them: the distance rowed, or the time gone, whether they
    /// rowed to the end of it or not; `None` while it goes on.
    #[must_use]
    pub fn over(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.track.finish(rule, now)
    }

    /// How the athlete finished the piece, as known at `now`; `None` for athletes who have not rowed all of it to its end.
    #[must_use]
    pub fn finish(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.home(rule, now).filter(|_| self.track.missed().is_none())
    }

    /// The same, whether or not earlier repeats were missed.
    fn home(&self, rule: Rule<'_>, now: At) -> Option<Finish> {
        self.over(rule, now).filter(|over| self.has_rowed_to(*over, rule))
    }

    /// Whether the athlete has rowed to where the piece was over for them. Distance is rowed by whoever has it;
    /// time goes by for those, too, who have stopped or are not heard.
    fn has_rowed_to(&self, over: Finish, rule: Rule<'_>) -> bool {
        let Some(Repeat { work: Extent::Time { time_ms }, .. }) = rule.repeats.last() else {
            return true;
        };
        let Some((progress, rowed_at)) = self.track.progress().zip(self.track.rowed_at()) else {
            return false;
        };
        let idle_max = STOPPED_AFTER_MS.min(f64::from(time_ms.0) / 2.0);
        let by_word = self.stopped_at.is_some_and(|said| {
            // A machine runs on a little; who rows on has not stopped, whatever was said.
            rowed_at <= said.0 as f64 + STOPPED_AFTER_MS
        });
        progress.repeat + 1 == rule.repeats.len() && over.at - rowed_at < idle_max && !by_word
    }

    /// How the piece turned out for one for whom it is over, and who has not rowed to its end: stopped, if that is
    /// what was heard; else it is not known what was rowed since.
    fn fell_short(&self, athlete: &Athlete, over: Finish) -> Outcome {
        let Some(rowed_at) = self.track.rowed_at() else { return Outcome::DidNotStart };
        let heard_by_device = match self.contact_at_end.unwrap_or(athlete.contact) {
            Contact::Never => None,
            Contact::Heard { since } => (since.0 as f64 <= over.at).then_some((since, over.at)),
            Contact::Silent { since } => Some((At(0), over.at.min(since.0 as f64))),
        };
        let still = |from: f64, to: f64| to - from.max(rowed_at) >= STOPPED_AFTER_MS;
        let newest = self.track.newest().map_or(rowed_at, |newest| newest.heard);
        let stood = still(rowed_at, newest)
            || heard_by_device.is_some_and(|(since, until)| still(since.0 as f64, until));
        if self.has_stopped() || stood || self.heard_out {
            Outcome::Stopped
        } else {
            Outcome::Unheard
        }
    }

    /// From when on the athlete is home if nothing more is heard; none while that cannot be said.
    #[must_use]
    pub fn home_at(&self, rule: Rule<'_>) -> Option<At> {
        self.track.home_at(rule)
    }

    /// What the athlete is doing.
    #[must_use]
    pub fn doing(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Doing {
        self.found(athlete, rule, now).doing
    }

    /// Whether a call of the coach goes to this athlete: to who rows, and just after the go to who is here, whose first
    /// stroke cannot have been heard yet.
    #[must_use]
    pub fn is_called(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> bool {
        match self.doing(athlete, rule, now) {
            Doing::Rowing => true,
            Doing::Here => rule.starts.first().is_some_and(|go| now < *go + FIRST_STROKE_WITHIN),
            Doing::Away | Doing::Stopped | Doing::Finished => false,
        }
    }

    /// Whether a call that stands is over for this athlete, who does this: nobody is pushed who stands still, or who has
    /// not begun when others would be found to have stopped.
    #[must_use]
    pub fn is_left_in_peace(&self, doing: Doing, rule: Rule<'_>, now: At) -> bool {
        let has_had_time = |go: &At| now.0.saturating_sub(go.0) as f64 >= STOPPED_AFTER_MS;
        match doing {
            Doing::Stopped => true,
            Doing::Here => rule.starts.first().is_some_and(has_had_time),
            Doing::Away | Doing::Rowing | Doing::Finished => false,
        }
    }

    fn found(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Found {
        let finish = self.finish(rule, now);
        let home = self.home(rule, now);
        let idle_since = self.idle_since(athlete, rule);
        let until = rule.until.map_or(now, |until| until.min(now));
        let stands = idle_since.is_some_and(|since| until.0 as f64 - since >= STOPPED_AFTER_MS);
        let over = self.over(rule, now).filter(|_| home.is_none());
        let fell_short = over.map(|over| self.fell_short(athlete, over));
        let doing = if home.is_some() {
            Doing::Finished
        } else if self.has_stopped() || fell_short == Some(Outcome::Stopped) {
            Doing::Stopped
        } else if !self.has_rowed() {
            waiting(athlete)
        } else if stands {
            Doing::Stopped
        } else {
            Doing::Rowing
        };
        Found { finish, doing, idle_since }
    }

    /// Since when the athlete should be rowing, is heard, and does not move; none in a rest.
    fn idle_since(&self, athlete: &Athlete, rule: Rule<'_>) -> Option<f64> {
        let contact = self.contact_at_end.unwrap_or(athlete.contact);
        let Contact::Heard { since } = contact else { return None };
        let signalled = rule.starts.get(self.track.repeat()).map(|start| start.0 as f64);
        let due = if self.track.in_work() { self.track.stretch_start() } else { signalled }?;
        // What was rowed while nothing was heard is still on its way just after a reconnect.
        Some(self.track.rowed_at()?.max(due).max(since.0 as f64))
    }

    /// Share of the piece that is done, 0 to 1.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.track.newest().map_or(0.0, |row| share(&self.course, row.ms, row.dm))
    }

    /// Where the finish is heading; of an athlete who has finished, the result. `None` until something was rowed.
    #[must_use]
    pub fn projected(&self, rule: Rule<'_>, now: At) -> Option<Projected> {
        self.heading(self.finish(rule, now)).map(|heading| heading.projected)
    }

    /// Against the own target: of the projection, or of the finish as shown.
    #[must_use]
    pub fn margin(&self, rule: Rule<'_>, now: At) -> Option<Margin> {
        self.heading(self.finish(rule, now))?.margin
    }

    /// Projection and margin; of a finish, how it is shown.
    fn heading(&self, finish: Option<Finish>) -> Option<Heading> {
        let Some(finish) = finish else { return self.heading };
        let shown = self.shown(finish);
        let margin = self.margin_of(shown);
        let chance_permille = margin.map(|m| 1_000 * u16::from(m.margin_ppm.0 >= 0));
        let projected = Projected { finish: shown, low: shown, high: shown, chance_permille };
        Some(Heading { projected, margin })
    }

    /// While somebody who is heard makes no stroke, the range reaches further on the slower side, by
    /// what is being lost.
    fn paused(&self, projected: Projected, found: Found, now: At) -> Projected {
        let idle = found.idle_since.map_or(0.0, |since| now.0 as f64 - since);
        if idle < PAUSE_MS || found.doing == Doing::Finished {
            return projected;
        }
        match (projected.low, projected.high) {
            (_, Target::Finish { finish_ms }) => {
                let high = Target::Finish { finish_ms: finish_ms + millis(idle) };
                Projected { high, ..projected }
            }
            (Target::Distance { distance_dm }, _) => {
                let row = self.track.newest();
                let lost = row.map_or(0.0, |row| idle * row.dm / row.ms.max(1.0));
                let distance_dm = decimetres((f64::from(distance_dm.0) - lost).max(0.0));
                Projected { low: Target::Distance { distance_dm }, ..projected }
            }
            (Target::Finish { .. } | Target::Pace { .. }, _) => projected,
        }
    }

    /// Where the finish is heading. The first strokes of a repeat, from a standstill, say nothing about
    /// it that was not known before the rest.
    fn estimate_now(&self) -> Option<Estimate> {
        let settling = self.track.newest().is_some_and(|row| {
            row.repeat > 0 && self.track.in_work() && row.into_ms < SETTLES_AFTER_MS
        });
        self.forecast.estimate(&self.course, if settling { &self.rested } else { &self.live })
    }

    /// Holds the finish against what was shown on the way; the share of intervals that missed it (0 to 1),
    /// if any were shown. None of somebody who has not finished.
    pub fn judged(&self, rule: Rule<'_>, now: At, count: &mut Count) -> Option<f64> {
        let finish = self.finish(rule, now)?;
        let amount = match self.course.measure() {
            Measure::Distance(_) => finish.ms / 1e3,
            Measure::Time(_) => finish.dm / 1e1,
        };
        let made = self.margin(rule, now).is_some_and(|margin| margin.margin_ppm.0 >= 0);
        count.add(&self.marks, amount, made)
    }

    /// Whether the word for this athlete is 'behind'.
    #[must_use]
    pub fn is_behind(&self, rule: Rule<'_>, now: At) -> bool {
        self.against_target(self.finish(rule, now)) == Some(AgainstTarget::Behind)
    }

    /// The word for the projection; of a finish, whether the target was made.
    fn against_target(&self, finish: Option<Finish>) -> Option<AgainstTarget> {
        if finish.is_none() {
            return self.against_target;
        }
        let margin = self.heading(finish)?.margin?;
        let is_made = margin.margin_ppm.0 >= 0;
        Some(if is_made { AgainstTarget::Ahead } else { AgainstTarget::Behind })
    }

    /// The word for the projection now, which follows from the one before: a chance that wavers about a limit changes
    /// nothing. Before `SAID_FROM` what is projected is history and plan, and nobody is called behind by those.
    fn in_a_word(&self) -> Option<AgainstTarget> {
        let heading = self.heading.filter(|_| self.share() >= SAID_FROM)?;
        let chance = heading.projected.chance_permille?;
        Some(match self.against_target {
            _ if chance < BEHIND_UNDER => AgainstTarget::Behind,
            _ if chance > AHEAD_OVER => AgainstTarget::Ahead,
            Some(AgainstTarget::Behind) if chance <= BEHIND_UNTIL => AgainstTarget::Behind,
            Some(AgainstTarget::Ahead) if chance >= AHEAD_UNTIL => AgainstTarget::Ahead,
            Some(_) | None => AgainstTarget::About,
        })
    }

    fn shown(&self, finish: Finish) -> Target {
        standings::as_shown(match self.course.measure() {
            Measure::Distance(_) => Target::Finish { finish_ms: millis(finish.ms) },
            Measure::Time(_) => Target::Distance { distance_dm: decimetres(finish.dm) },
        })
    }

    fn margin_of(&self, shown: Target) -> Option<Margin> {
        self.course.margin(match shown {
            Target::Finish { finish_ms } => f64::from(finish_ms.0) / 1e3,
            Target::Distance { distance_dm } => f64::from(distance_dm.0) / 1e1,
            Target::Pace { .. } => return None,
        })
    }

    /// The line in the standings, and the notices about this athlete if they are asked for.
    pub fn published(
        &mut self,
        id: AthleteId,
        athlete: &Athlete,
        rule: Rule<'_>,
        now: At,
        with_notices: bool,
    ) -> (Line, Vec<Notice>) {
        let found = self.found(athlete, rule, now);
        let notices = if with_notices { self.notices(id, athlete, found, now) } else { Vec::new() };
        (self.line(id, athlete, rule, found, now), notices)
    }

    fn line(
        &self,
        id: AthleteId,
        athlete: &Athlete,
        rule: Rule<'_>,
        found: Found,
        now: At,
    ) -> Line {
        /// 'Not heard' (design: 6 s of silence).
        const NOT_HEARD_MS: u32 = 6_000;
        let doing = seen_doing(found, rule);
        let row = self.row(doing);
        let heading = self.heading(found.finish).filter(|_| doing != Doing::Stopped);
        Line {
            athlete: id,
            place: self.place,
            doing,
            // Who is home may put the phone away.
            not_heard: doing != Doing::Finished
                && athlete.silent_for(now).is_some_and(|silent| silent.0 >= NOT_HEARD_MS),
            margin: heading.and_then(|heading| heading.margin),
            against_target: heading.and_then(|_| self.against_target(found.finish)),
            projected: heading.map(|seen| self.paused(seen.projected, found, now)),
            done_dm: decimetres(row.map_or(0.0, |row| row.dm)),
            elapsed_ms: millis(row.map_or(0.0, |row| row.ms)),
            share_permille: permille(self.share()),
        }
    }

    /// How far the athlete is: of one who has stopped, when the last stroke was made.
    fn row(&self, doing: Doing) -> Option<Row> {
        match doing {
            Doing::Stopped => self.track.progress(),
            Doing::Away | Doing::Here | Doing::Rowing | Doing::Finished => self.track.newest(),
        }
    }

    /// What the athlete sees.
    #[must_use]
    pub fn own(&self, piece: PieceNo, athlete: &Athlete, rule: Rule<'_>, now: At) -> Own {
        let found = self.found(athlete, rule, now);
        let doing = seen_doing(found, rule);
        let row = self.row(doing);
        let heading = self.heading(found.finish).filter(|_| doing != Doing::Stopped);
        let recording = &athlete.recording;
        Own {
            piece,
            doing,
            place: self.place,
            margin: heading.and_then(|heading| heading.margin),
            against_target: heading.and_then(|_| self.against_target(found.finish)),
            projected: heading.map(|seen| self.paused(seen.projected, found, now)),
            done_dm: decimetres(row.map_or(0.0, |row| row.dm)),
            elapsed_ms: millis(row.map_or(0.0, |row| row.ms)),
            repeat: u16::try_from(self.track.repeat()).unwrap_or(u16::MAX),
            pace_per_500m_ms: pace_now(recording.recent()),
            enough_per_500m_ms: self.enough,
            call_strokes_left: self.strokes_left(recording),
        }
    }

    /// The pace that the own plan has here; none without a target.
    #[must_use]
    pub fn planned_pace(&self) -> Option<Millis> {
        self.course.planned_pace(self.share())
    }

    /// Takes a call; returns the one that it ends.
    pub fn call(&mut self, now: At, call: OwnCall) -> Option<OwnCall> {
        self.last_call = Some(now);
        self.call.replace(call)
    }

    /// The call that stands.
    #[must_use]
    pub fn running(&self) -> Option<&OwnCall> {
        self.call.as_ref()
    }

    /// The call that stands, as the athlete sees it.
    #[must_use]
    pub fn running_view(&self, recording: &Recording) -> Option<RunningCall> {
        let OwnCall { call, text, span, sent_at } = self.call.clone()?;
        let strokes_left = self.strokes_left(recording);
        let text = text.as_ref().clone();
        Some(RunningCall { call, text, span, sent_at_ms: sent_at, strokes_left })
    }

    /// Ends the call that stands.
    pub fn end_call(&mut self) -> Option<OwnCall> {
        self.call.take()
    }

    /// Own strokes left of the call that stands, if it counts strokes.
    #[must_use]
    pub fn strokes_left(&self, recording: &Recording) -> Option<u16> {
        let call = self.call.as_ref()?;
        let Span::Strokes { strokes } = call.span else { return None };
        let taken = recording.strokes_since(call.sent_at.0) / 1_000;
        Some(strokes.saturating_sub(u16::try_from(taken).unwrap_or(u16::MAX)))
    }

    /// The notices about this athlete now.
    fn notices(&mut self, id: AthleteId, athlete: &Athlete, found: Found, now: At) -> Vec<Notice> {
        let row = self.track.newest();
        let seen = Seen {
            athlete,
            doing: found.doing,
            stopped_since: self.stopped_at.or(found.idle_since.map(millis_at)),
            stopped_by_word: self.stopped_at.is_some(),
            course: &self.course,
            far_off: self
                .heading(found.finish)
                .filter(|_| self.live.is_far_off(&self.course))
                .map(|heading| heading.projected),
            done_ms: row.map_or(0.0, |row| row.ms - row.missed.ms),
            done_dm: row.map_or(0.0, |row| row.dm - row.missed.dm),
            share: self.share(),
            stretch_start: self.track.stretch_start().filter(|_| self.track.in_work()),
            enough: self.enough,
            last_call: self.last_call,
        };
        self.watch.judge(id, now, &seen)
    }

    /// How the piece turned out; none while it goes on.
    fn outcome(&self, athlete: &Athlete, rule: Rule<'_>, now: At) -> Option<Outcome> {
        let is_over = rule.until.is_some();
        if self.finish(rule, now).is_some() {
            return Some(Outcome::Finished);
        }
        if self.home(rule, now).is_some() {
            return Some(Outcome::Unfinished);
        }
        if !self.has_rowed() {
            return is_over.then_some(Outcome::DidNotStart);
        }
        if let Some(over) = self.over(rule, now) {
            return Some(self.fell_short(athlete, over));
        }
        // Whoever was heard to stand still, and is not heard any more, had stopped all the same.
        let stood = self.track.newest().filter(|_| self.track.in_work()).zip(self.track.rowed_at());
        if is_over && stood.is_some_and(|(newest, at)| newest.heard - at >= STOPPED_AFTER_MS) {
            return Some(Outcome::Stopped);
        }
        match self.doing(athlete, rule, now) {
            Doing::Stopped if is_over || self.has_stopped() => Some(Outcome::Stopped),
            Doing::Away | Doing::Here | Doing::Rowing | Doing::Stopped | Doing::Finished => {
                is_over.then_some(Outcome::Unfinished)
            }
        }
    }

    /// What the athlete has made of the piece so far, without a place; none while it goes on.
    #[must_use]
    pub fn result(
        &self,
        id: AthleteId,
        athlete: &Athlete,
        rule: Rule<'_>,
        now: At,
    ) -> Option<AthleteResult> {
        let finish = self.finish(rule, now);
        let outcome = self.outcome(athlete, rule, now)?;
        let home = self.home(rule, now);
        let row = self.track.progress();
        let (ms, dm) = home.map_or_else(
            || row.map_or((0.0, 0.0), |row| (row.ms, row.dm)),
            |home| (home.ms, home.dm),
        );
        let missed = self.track.missed().unwrap_or_default();
        let (ms, dm) = (ms - missed.ms, dm - missed.dm);
        let by_distance = matches!(self.course.measure(), Measure::Distance(_));
        let shown = finish.map(|finish| self.shown(finish));
        let mut marks: Vec<Mark> = self.track.marks().collect();
        if self.clock_was_set {
            marks.push(Mark::ClocksApart);
        }
        if athlete.recording.has_gaps() {
            marks.push(Mark::Gaps);
        }
        if self.is_damaged || self.lacks_strokes {
            marks.push(Mark::Damaged);
        }
        if finish.is_some() && limits::implausible_mean(dm / 1e1, ms / 1e3) {
            marks.push(Mark::Implausible);
        }
        marks.sort_unstable();
        marks.dedup();
        Some(AthleteResult {
            athlete: id,
            outcome,
            place: None,
            target: self.target(),
            time_ms: millis(ms),
            distance_dm: decimetres(dm),
            sure_ms: finish.filter(|_| by_distance).map(|finish| millis(finish.sure_ms)),
            sure_dm: finish.filter(|_| !by_distance).map(|finish| decimetres(finish.sure_dm)),
            shown,
            margin: shown.and_then(|shown| self.margin_of(shown)),
            splits: self.track.splits(home),
            strokes: athlete.recording.counts_strokes().then(|| self.track.strokes_milli() / 1_000),
            marks,
        })
    }

    /// The target in the piece's own kind.
    #[must_use]
    pub fn target(&self) -> Option<Target> {
        self.course.target().map(limits::Cost::target)
    }
}

/// What people see somebody doing: when the piece is over, nobody rows it any more.
fn seen_doing(found: Found, rule: Rule<'_>) -> Doing {
    let doing = found.doing;
    if doing == Doing::Rowing && rule.until.is_some() { Doing::Stopped } else { doing }
}

/// What somebody does who has not rowed in this piece.
#[must_use]
pub fn waiting(athlete: &Athlete) -> Doing {
    if athlete.is_heard() { Doing::Here } else { Doing::Away }
}

fn share(course: &Course, ms: f64, dm: f64) -> f64 {
    let done = match course.measure() {
        Measure::Distance(_) => dm / 1e1,
        Measure::Time(_) => ms / 1e3,
    };
    (done / course.work()).clamp(0.0, 1.0)
}

fn cost(measure: Measure, amount: f64) -> Target {
    match measure {
        Measure::Distance(_) => Target::Finish { finish_ms: millis(amount * 1e3) },
        Measure::Time(_) => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    }
}

/// Thousandths of a share between 0 and 1.
fn permille(share: f64) -> u16 {
    u16::try_from(millis(share.clamp(0.0, 1.0) * 1e3).0).unwrap_or(1_000)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "an instant of the session, never below zero; `as` from f64 saturates"
)]
fn millis_at(ms: f64) -> At {
    At(ms as u64)
}

/// Pace over the last stretch that was heard, from the newest points.
pub(crate) fn pace_now(points: &[Point]) -> Option<Millis> {
    let last = points.last()?;
    let recent = points.iter().rev().take_while(|point| point.heard + PACE_OVER_MS >= last.heard);
    let first = recent.last()?;
    let metres = f64::from(last.dm - first.dm) / 1e1;
    pace_per_500m(metres, last.heard.saturating_sub(first.heard) as f64 / 1e3)
}
