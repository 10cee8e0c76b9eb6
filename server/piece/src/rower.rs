//! One athlete in one piece: the way so far, where it is heading, the call that stands, the result.

mod doing;
mod heading;
mod said;
mod today;

use std::sync::Arc;

use thole_protocol::{
    ids::CallId,
    spec::{Aim, CallText, PieceSpec, SheetCall, Span, Today},
    standing::{AgainstTarget, AthleteResult, Outcome, RunningCall},
    total::Margin,
    units::{At, Millis, decimetres, millis},
};

pub use doing::waiting;
use heading::Heading;
pub(crate) use said::pace_now;
use today::LateWord;

use crate::{
    call_sheet::Given,
    fine_at::FineAt,
    limits::{Measure, STOPPED_AFTER},
    notice::Watch,
    plan::Course,
    projection::{Forecast, Live, Marks},
    recording::{Changed, Recording},
    roster::{Athlete, Contact},
    track::{Rule, Track},
};

/// An athlete whose distance has not grown for this long, while the device is heard, has stopped: five of the
/// slowest usual strokes.
pub(crate) const STOPPED_AFTER_MS: f64 = STOPPED_AFTER.0 as f64;

/// One athlete in one piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Rower {
    aim: Aim,
    /// As they row it.
    course: Course,
    /// How they row it.
    today: Today,
    /// What of that was said in the countdown or later.
    late_word: Option<LateWord>,
    /// When the first stroke was heard; `None` before it.
    began: Option<FineAt>,
    live: Live,
    forecast: Forecast,
    /// What the newest row says: worked out once a row, looked at by many.
    heading: Option<Heading>,
    enough: Option<Millis>,
    /// The word for it, which stays until it is clearly a different one.
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
    /// Whether the device was heard when the piece was over: whatever came later changes no result.
    contact_at_end: Option<Contact>,
    /// A device has been heard again for so long that nothing is on its way any more.
    heard_out: bool,
    /// When the device first came back (it may have gone again since), while the result waits for what was rowed unheard.
    pub back_since: Option<At>,
    /// When the device first came back (it may have gone again since), while nothing that was rowed has come.
    pub expected_since: Option<At>,
    /// The session's clock was set while this athlete rowed.
    pub clock_was_set: bool,
    /// The journal has lost something that may have changed the result.
    pub is_damaged: bool,
    /// It has lost strokes, and they may still come.
    pub lacks_strokes: bool,
    /// The result as last told.
    pub told: Option<AthleteResult>,
    /// Place as last published.
    pub place: Option<u32>,
    /// Margin as it was last shown; `None` while not ranked.
    pub margin_shown: Option<Margin>,
}

/// The focus call that stands for one athlete.
#[derive(Clone, Debug, PartialEq)]
pub struct OwnCall {
    /// Which.
    pub call: CallId,
    /// The words; shared by all who got it.
    pub text: Arc<CallText>,
    /// How long it stands.
    pub span: Span,
    /// When it went out, or when the athlete reached its point of the sheet.
    pub sent_at: At,
}

impl OwnCall {
    /// Whether it was to stand for a time, and that time is over.
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
    /// When the athlete was there.
    pub heard: FineAt,
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
            today: Today::default(),
            late_word: None,
            began: None,
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
            back_since: None,
            expected_since: None,
            clock_was_set: false,
            is_damaged: false,
            lacks_strokes: false,
            told: None,
            place: None,
            margin_shown: None,
        })
    }

    /// What this athlete rows the piece by.
    #[must_use]
    pub fn aim(&self) -> &Aim {
        &self.aim
    }

    /// What the projection keeps about them so far.
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
            self.began = None;
        }
        let Rower { course, live, forecast, marks, rested, track, given, watch, began, .. } = self;
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
            live.comes_late(millis(row.late_ms).0);
            live.row(course, millis(row.ms).0, decimetres(row.dm).0);
            if began.is_none() && row.dm > row.missed.dm {
                *began = Some(row.heard);
            }
            let share = share(course, row.ms, row.dm);
            while marks.next().is_some_and(|mark| share >= mark) {
                marks.pass(forecast.estimate(course, live));
            }
            watch.row(share, row.ms - row.missed.ms, row.dm - row.missed.dm);
            let there = given.reached(sheet, measure, row, strokes_milli);
            reached.extend(there.map(|entry| Reached { entry, heard: row.heard }));
        });
        if self.word_came_too_late() {
            reached.extend(self.advance(now, recording, Changed::Rebuilt, rule, sheet));
            return reached;
        }
        let Rower { track, watch, .. } = self;
        if track.is_joined() && !joined_before && changed != Changed::Rebuilt {
            watch.reset(now, decimetres(track.newest().map_or(0.0, |newest| newest.dm)));
        }
        if let (None, Some(apart_ms)) = (apart_before, track.clocks_apart_ms()) {
            watch.clocks_apart(now, apart_ms);
        }
        // An athlete who has missed a part of the piece can no longer make the whole of it, and nothing is projected
        // for them.
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

    /// The athlete says that they have stopped.
    pub fn stop(&mut self, now: At) {
        self.stopped_at.get_or_insert(now);
    }

    /// The athlete carries on after having stopped.
    pub fn row_on(&mut self) {
        self.stopped_at = None;
    }

    /// The piece is over.
    pub fn end(&mut self, athlete: &Athlete) {
        self.contact_at_end = Some(athlete.contact);
    }

    /// Whether the result as last told is waiting for what was rowed while nothing was heard.
    #[must_use]
    pub fn is_unheard(&self) -> bool {
        self.told.as_ref().is_some_and(|told| told.outcome == Outcome::Unheard)
    }

    /// The device is heard again, and has been for so long that all it had kept has arrived.
    pub fn hear_out(&mut self) {
        self.heard_out = true;
    }

    /// Whether the athlete has said that they stopped.
    #[must_use]
    pub fn has_stopped(&self) -> bool {
        self.stopped_at.is_some()
    }

    /// Whether the athlete has rowed in this piece.
    #[must_use]
    pub fn has_rowed(&self) -> bool {
        self.track.rowed_at().is_some()
    }

    /// When the athlete was home by their strokes, of a result that says so; `None` of one that was corrected to be a finish.
    #[must_use]
    pub fn home_at_of(&self, result: &AthleteResult, rule: Rule<'_>, now: At) -> Option<At> {
        let home = self.finish(rule, now).filter(|_| result.outcome == Outcome::Finished);
        home.map(|home| home.at.floor())
    }

    /// Which repeat is being rowed or comes next.
    #[must_use]
    pub fn repeat(&self) -> usize {
        self.track.repeat()
    }

    /// Which repeat is being rowed, and for how long so far, milliseconds; `None` at rest.
    #[must_use]
    pub fn repeat_so_far(&self) -> Option<(usize, f64)> {
        let newest = self.track.newest()?;
        (newest.repeat == self.track.repeat()).then_some((newest.repeat, newest.into_ms))
    }

    /// When this repeat was over for them: never while it goes on, `None` when it was over before the one
    /// that was over last.
    #[must_use]
    pub fn repeat_over_at(&self, rule: Rule<'_>, repeat: usize) -> Option<FineAt> {
        if repeat == self.track.repeat() {
            return Some(rule.until.map_or(FineAt::NEVER, FineAt::from));
        }
        self.track.ended_at().filter(|_| repeat + 1 == self.track.repeat())
    }

    /// When the last finished repeat ended.
    #[must_use]
    pub fn ended_at(&self) -> Option<FineAt> {
        self.track.ended_at()
    }

    /// Share of the piece done, 0 to 1.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.track.newest().map_or(0.0, |row| share(&self.course, row.ms, row.dm))
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

    /// How many of the athlete's own strokes are left of the call that stands, if it counts strokes.
    #[must_use]
    pub fn strokes_left(&self, recording: &Recording) -> Option<u16> {
        let call = self.call.as_ref()?;
        let Span::Strokes { strokes } = call.span else { return None };
        let taken = recording.strokes_since(call.sent_at.0) / 1_000;
        Some(strokes.saturating_sub(u16::try_from(taken).unwrap_or(u16::MAX)))
    }
}

fn share(course: &Course, ms: f64, dm: f64) -> f64 {
    let done = match course.measure() {
        Measure::Distance(_) => dm / 1e1,
        Measure::Time(_) => ms / 1e3,
    };
    (done / course.work()).clamp(0.0, 1.0)
}
