//! What is said of an athlete: the line in the standings, their own numbers, notices, the result.

use thole_protocol::{
    ids::{AthleteId, PieceNo},
    standing::{AthleteResult, Doing, Instead, Line, Mark, Notice, Own, Ruling},
    total::{Certainty, Margin, Total},
    units::{At, Decimetres, Millis, Ppm, decimetres, millis},
};

use super::{
    Rower,
    doing::{Found, seen_doing},
    heading::{Heading, SAID_FROM, permille},
};
use crate::{
    limits::{self, Measure},
    notice::Sight,
    picture,
    piece::SILENT_MAX_MS,
    plan::pace_per_500m,
    recording::Point,
    roster::Athlete,
    track::{Row, Rule},
};

/// The stretch over which the pace 'now' is taken.
const PACE_OVER_MS: u64 = 10_000;

impl Rower {
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
        let instead = self.instead(doing, heading, athlete, now);
        // Where nobody knows yet, or any more, there is nothing to read: what is only expected would be taken for
        // rowed.
        let shows = match instead {
            None | Some(Instead::Untargeted | Instead::Unheard | Instead::Unranked) => heading,
            Some(
                Instead::Missed
                | Instead::Settling
                | Instead::Here
                | Instead::Away
                | Instead::Stopped
                // Said of results alone, behind this (`rulings`).
                | Instead::Excluded,
            ) => None,
        };
        Line {
            athlete: id,
            place: self.place,
            instead,
            doing,
            // Somebody who is home may put the phone away.
            not_heard: doing != Doing::Finished
                && athlete.silent_for(now).is_some_and(|silent| silent.0 >= NOT_HEARD_MS),
            margin: heading.and_then(|heading| heading.margin).filter(|_| instead.is_none()),
            against_target: heading.and_then(|_| self.against_target(found.finish)),
            projected: shows.map(|seen| self.paused(seen.projected, found)),
            done_dm: decimetres(row.map_or(0.0, |row| row.dm)),
            elapsed_ms: millis(row.map_or(0.0, |row| row.ms)),
            share_permille: permille(self.share()),
        }
    }

    /// Why an athlete who is doing this has no place; `None` for athletes who are ranked.
    fn instead(
        &self,
        doing: Doing,
        heading: Option<Heading>,
        athlete: &Athlete,
        now: At,
    ) -> Option<Instead> {
        let margin = heading.and_then(|heading| heading.margin);
        let has_missed = self.track.missed().is_some();
        let is_silent = || athlete.silent_for(now).is_some_and(|silent| silent.0 >= SILENT_MAX_MS);
        match doing {
            Doing::Away => Some(Instead::Away),
            Doing::Here => Some(Instead::Here),
            Doing::Stopped => Some(Instead::Stopped),
            // Nobody drops out in a moment of silence: until then the numbers stay.
            Doing::Rowing if is_silent() => Some(Instead::Unheard),
            Doing::Rowing | Doing::Finished if !self.today.is_as_usual() => Some(Instead::Unranked),
            Doing::Rowing | Doing::Finished if has_missed => Some(Instead::Missed),
            Doing::Rowing if heading.is_none() || self.is_settling(margin) => {
                Some(Instead::Settling)
            }
            Doing::Rowing | Doing::Finished => margin.is_none().then_some(Instead::Untargeted),
        }
    }

    /// Whether too little has been rowed for a standing. A margin of exactly zero early on comes from the plan, not
    /// from a projection.
    fn is_settling(&self, margin: Option<Margin>) -> bool {
        // Counted from the first stroke of whoever started late.
        let elapsed = millis(self.track.newest().map_or(0.0, |row| row.ms - row.late_ms));
        let is_plan = margin.is_some_and(|margin| margin.margin_ppm == Ppm(0));
        elapsed < picture::SETTLING || (is_plan && self.share() < SAID_FROM)
    }

    /// How far the athlete has come: for athletes who have stopped, when they made the last stroke.
    fn row(&self, doing: Doing) -> Option<Row> {
        match doing {
            Doing::Stopped => self.track.progress(),
            Doing::Away | Doing::Here | Doing::Rowing | Doing::Finished => self.track.newest(),
        }
    }

    /// Work done, and work time gone by, as far as it was heard.
    #[must_use]
    pub fn done(&self) -> (Decimetres, Millis) {
        let row = self.track.newest();
        row.map_or((Decimetres(0), Millis(0)), |row| (decimetres(row.dm), millis(row.ms)))
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
            projected: heading.map(|seen| self.paused(seen.projected, found)),
            done_dm: decimetres(row.map_or(0.0, |row| row.dm)),
            elapsed_ms: millis(row.map_or(0.0, |row| row.ms)),
            repeat: u16::try_from(self.track.repeat()).unwrap_or(u16::MAX),
            pace_per_500m_ms: pace_now(recording.recent()),
            enough_per_500m_ms: self.enough,
            call_strokes_left: self.strokes_left(recording),
        }
    }

    /// The pace that their own plan asks for here; `None` without a target.
    #[must_use]
    pub fn planned_pace(&self) -> Option<Millis> {
        self.course.planned_pace(self.share())
    }

    /// The notices about this athlete now.
    fn notices(&mut self, id: AthleteId, athlete: &Athlete, found: Found, now: At) -> Vec<Notice> {
        let row = self.track.newest();
        let seen = Sight {
            athlete,
            doing: found.doing,
            stopped_since: self.stopped_at.or(found.idle.map(|idle| idle.since.floor())),
            stopped_by_word: self.stopped_at.is_some(),
            let_be: self.is_let_be(athlete),
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

    /// What the athlete has made of the piece so far, without a place; `None` while it goes on, and for athletes who did not
    /// mean to row it and have not.
    #[must_use]
    pub fn result(
        &self,
        id: AthleteId,
        athlete: &Athlete,
        rule: Rule<'_>,
        now: At,
    ) -> Option<AthleteResult> {
        let finish = self.finish(rule, now);
        let outcome = self.outcome(athlete, rule, now).filter(|_| !self.sits_out())?;
        let home = self.home(rule, now);
        let row = self.track.progress();
        let (ms, dm) = home.map_or_else(
            || row.map_or((0.0, 0.0), |row| (row.ms, row.dm)),
            |home| (home.ms, home.dm),
        );
        let missed = self.track.missed().unwrap_or_default();
        let (ms, dm) = (ms - missed.ms, dm - missed.dm);
        let sure = match (finish, self.course.measure()) {
            (None, _) => Certainty::Unsaid,
            (Some(finish), Measure::Distance(_)) => Certainty::Time(millis(finish.sure_ms)),
            (Some(finish), Measure::Time(_)) => Certainty::Distance(decimetres(finish.sure_dm)),
        };
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
        if !self.today.is_as_usual() && self.has_rowed() {
            marks.push(Mark::Unranked);
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
            sure,
            shown,
            margin: shown.and_then(|shown| self.margin_of(shown)),
            estimate: self.heading_when_cut_off(outcome),
            splits: self.track.splits(home),
            strokes: athlete.recording.counts_strokes().then(|| self.track.strokes_milli() / 1_000),
            marks,
            ruling: Ruling::default(),
        })
    }

    /// The target in the piece's own unit.
    #[must_use]
    pub fn target(&self) -> Option<Total> {
        self.course.target()
    }
}

/// Pace over the last stretch that was heard, from the newest points.
pub(crate) fn pace_now(points: &[Point]) -> Option<Millis> {
    let last = points.last()?;
    let recent = points.iter().rev().take_while(|point| point.heard + PACE_OVER_MS >= last.heard);
    let first = recent.last()?;
    let metres = f64::from(last.dm - first.dm) / 1e1;
    pace_per_500m(metres, last.heard.saturating_sub(first.heard) as f64 / 1e3)
}
