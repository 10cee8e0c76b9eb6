//! What became of a piece, made once it is over and again when its results have changed, for the journal to keep.

use std::collections::BTreeMap;

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CallId, PieceNo},
    spec::{Audience, PieceSpec},
    standing::{AthleteResult, Correction, Phase, SentCall},
    units::{At, Millis},
};

use super::{Kept, Session, timers::When};
use crate::{
    output::Output,
    piece::{Piece, both},
    settled::{
        Cause, Passed, SeatNo, Settled, SettledCall, SettledCorrection, SettledRuling, SettledSeat,
        SettledTeam, stretches,
    },
};

/// The second record waits this long for whatever else comes, and each further one twice as long as the one
/// before: strokes that drip in for hours make a handful of records, not thousands.
const SETTLES_AGAIN_AFTER: Millis = Millis(5_000);
/// How often that is doubled: up to 640 s.
const DOUBLINGS_MAX: u32 = 7;

impl Session {
    /// The next record for the journal to keep, as `Input::Settled`, before anything else is taken; `None` when
    /// everything that is over has been kept. It stays the same until that input comes: a crash in between loses
    /// nothing and keeps nothing twice.
    #[must_use]
    pub fn to_settle(&self) -> Option<&Settled> {
        self.programme.all().iter().find_map(|piece| piece.settling.made.as_deref())
    }

    /// The newest record of a piece that the journal holds.
    #[must_use]
    pub fn settled(&self, piece: PieceNo) -> Option<&Settled> {
        self.programme.get(usize::from(piece.0))?.settling.kept.as_deref()
    }

    /// Whether something that is over has not been kept yet, or may have to be kept again.
    #[must_use]
    pub fn is_settling(&self) -> bool {
        self.timers.is_set(When::Settle) || self.to_settle().is_some()
    }

    /// The seat of an athlete of the roster.
    #[must_use]
    pub fn seat(&self, athlete: AthleteId) -> Option<SeatNo> {
        self.people.get(athlete).map(|athlete| athlete.seat)
    }

    /// Who is in the roster, with their seats and names.
    pub fn seated(&self) -> impl Iterator<Item = (SeatNo, AthleteId, &str)> {
        let roster = self.people.roster().iter();
        roster.map(|(id, athlete)| (athlete.seat, *id, athlete.spec.name.as_str()))
    }

    /// Whether the session is closed, and everything rowed in it is in records that no stroke changes any
    /// more: only then may strokes be erased.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        let is_settled = |piece: &Piece| {
            let settling = &piece.settling;
            settling.kept.is_some() && settling.made.is_none() && settling.due.is_none()
        };
        // Somebody who was not heard may come back with the rest of what was rowed just now.
        self.closed
            && !self.timers.is_set(When::HearOut)
            && self.programme.all().iter().filter(|piece| piece.is_to_settle()).all(is_settled)
    }

    /// A piece is over.
    pub(super) fn settle_now(&mut self, at: usize) {
        self.settle_after(at, Millis(0));
    }

    /// Results of a piece that is already over have changed.
    pub(super) fn settle_again(&mut self, at: usize) {
        let kept = self.programme.get(at).and_then(|piece| piece.settling.kept.as_ref());
        let doublings = kept.map_or(0, |kept| (kept.revision - 1).min(DOUBLINGS_MAX));
        self.settle_after(at, Millis(SETTLES_AGAIN_AFTER.0 << doublings));
    }

    /// Something has changed that may alter the results of any piece.
    pub(super) fn settle_all_again(&mut self) {
        (0..self.programme.all().len()).for_each(|at| self.settle_again(at));
    }

    /// A coach has ruled something: its record follows the order.
    pub(super) fn settle_ruled(&mut self, at: usize, cause: Cause) {
        if let Some(piece) = self.programme.get_mut(at) {
            piece.settling.ruled = Some(cause);
        }
        self.settle_after(at, Millis(0));
    }

    fn settle_after(&mut self, at: usize, wait: Millis) {
        let due = self.now + wait;
        let Some(piece) = self.programme.get_mut(at).filter(|piece| piece.is_to_settle()) else {
            return;
        };
        // Results that change while a piece is coming to its end do not put its record off.
        let due = piece.settling.due.map_or(due, |before| before.min(due));
        piece.settling.due = Some(due);
        self.timers.set_by(When::Settle, due);
    }

    /// Makes the records whose time has come.
    pub(super) fn settle(&mut self) {
        if !self.timers.take_due(When::Settle, self.now) {
            return;
        }
        for at in 0..self.programme.all().len() {
            let Some(piece) = self.programme.get_mut(at) else { continue };
            if piece.settling.due.take_if(|due| *due <= self.now).is_none() {
                continue;
            }
            let made = self.made(at);
            let is_damaged = !self.damage.is_empty();
            let Some(piece) = self.programme.get_mut(at) else { continue };
            // Strokes that the journal had lost are back: it was because they were missing that a record differed.
            piece.settling.differs &= !(is_damaged && piece.lacks_nothing());
            if self.strokes_let_go {
                // Nothing is made of strokes that are not there.
                piece.settling.ruled = None;
                continue;
            }
            let same = match (&made, &piece.settling.kept) {
                (Some(made), Some(kept)) => made.says_the_same(kept),
                (None, _) => true,
                (Some(_), None) => false,
            };
            let was_ruled = piece.settling.ruled.take().is_some();
            if !same && !piece.settling.differs {
                piece.settling.made = made.map(Box::new);
            } else if was_ruled {
                // Ruled and undone before the record of it was kept.
                piece.settling.made = None;
            }
        }
        let next = self.programme.all().iter().filter_map(|piece| piece.settling.due).min();
        self.timers.set(When::Settle, next);
    }

    /// A record is in the journal. It stands, whatever this build makes of the strokes; a difference is told.
    pub(super) fn keep_settled(&mut self, record: &Settled, out: &mut Vec<Output>) {
        let at = usize::from(record.piece.0);
        let (piece, revision) = (record.piece, record.revision);
        self.end_by(record, out);
        if self.strokes_let_go {
            return self.stand_by(record, out);
        }
        let mut differs = |what: String| out.push(Output::SettledDiffers { piece, revision, what });
        let now = self.made(at);
        let Some(piece) = self.programme.get_mut(at) else {
            return differs("there is no such piece".to_owned());
        };
        let settling = &mut piece.settling;
        let next = settling.kept.as_ref().map_or(1, |kept| kept.revision.saturating_add(1));
        if revision < next {
            return differs(format!("a record of revision {} is kept already", next - 1));
        }
        // Made when it was due; under another build it may have been due at another instant.
        let made = settling.made.take().map(|made| *made).or_else(|| now.clone());
        // If an earlier one was lost to damage, the number differs, and nothing else.
        let is = |made: &Settled| made == record || (revision > next && made.says_the_same(record));
        let is = |made: &Option<Settled>| made.as_ref().is_some_and(is);
        if !is(&made) && !is(&now) {
            settling.differs = true;
            differs(match made {
                Some(made) => record.difference(&made).unwrap_or_default(),
                None => "this build does not take the piece to be over".to_owned(),
            });
        }
        let mut record = record.clone();
        if let Some(lines) = record.lines.take() {
            settling.lines = Some(lines);
            piece.recorder = crate::settled::Recorder::default();
        }
        settling.kept = Some(Box::new(record));
    }

    /// Without strokes a piece is what its newest record says.
    fn stand_by(&mut self, record: &Settled, out: &mut Vec<Output>) {
        let at = usize::from(record.piece.0);
        let seats: BTreeMap<SeatNo, AthleteId> =
            self.seated().map(|(seat, athlete, _)| (seat, athlete)).collect();
        let Some(piece) = self.programme.get_mut(at) else { return };
        if piece.settling.kept.as_ref().is_some_and(|kept| record.revision <= kept.revision) {
            return;
        }
        let stands = record.seats.iter().filter_map(|seat| {
            let athlete = *seats.get(&seat.seat)?;
            Some((athlete, result_of(athlete, seat)))
        });
        piece.stands = Some(stands.collect());
        let mut record = record.clone();
        if let Some(lines) = record.lines.take() {
            piece.settling.lines = Some(lines);
        }
        piece.settling.kept = Some(Box::new(record));
        self.tell_results(at, out);
        self.tell_teams(at, out);
    }

    /// A piece that has a record was over. If nothing else says so, what ended it is lost, and everything ordered since
    /// would be refused.
    fn end_by(&mut self, record: &Settled, out: &mut Vec<Output>) {
        let ends = |phase: &Phase| matches!(phase, Phase::Finished { .. } | Phase::Stopped { .. });
        let last = record.phases.iter().rfind(|passed| ends(&passed.phase));
        let current = self.programme.current_mut().filter(|piece| piece.no == record.piece);
        let (Some(Passed { at_ms, phase }), Some(piece)) = (last, current) else { return };
        if piece.has_begun() && !piece.is_over() {
            piece.was_over(*at_ms, *phase);
            self.emit_phase(out);
            self.end_piece(out);
        }
    }

    /// What this build makes of a piece now; `None` when there is nothing to settle.
    fn made(&self, at: usize) -> Option<Settled> {
        let piece = self.programme.get(at).filter(|piece| piece.is_to_settle())?;
        let kept = piece.settling.kept.as_ref();
        let results = piece.results(self.now, &self.settings, self.people.roster());
        let teams = settled_teams(piece);
        let rulings = piece.ruled.told();
        let over = if kept.is_none() { Cause::Over } else { Cause::ResultsChanged };
        let settings = piece.ruled.frozen().map_or(self.settings, |frozen| frozen.settings);
        let mut seats: Vec<SettledSeat> = results
            .into_iter()
            .filter_map(|result| self.settled_seat(piece, result, (&teams, &rulings.corrections)))
            .collect();
        seats.sort_unstable_by_key(|seat| seat.seat);
        let sit_out = both(&piece.rowers, self.people.roster())
            .filter(|(_, rower, _)| rower.sits_out())
            .map(|(.., athlete)| athlete.seat);
        let mut not_today: Vec<SeatNo> = sit_out.collect();
        not_today.sort_unstable();
        let (phases, calls) = self.told_of(piece);
        Some(Settled {
            piece: piece.no,
            revision: kept.map_or(1, |kept| kept.revision.saturating_add(1)),
            cause: piece.settling.ruled.unwrap_or(over),
            spec: PieceSpec { call_sheet: Vec::new(), ..piece.spec.clone() },
            settings,
            starts_at_ms: piece.starts().to_vec(),
            phases,
            first_home_at_ms: seats.iter().filter_map(|seat| seat.home_at_ms).min(),
            teams,
            seats,
            not_today,
            calls,
            lines: kept.is_none().then(|| piece.recorder.lines()),
            official: rulings.official.map(|official| SettledRuling {
                command: official.command,
                at_ms: official.at_ms,
                by: official.by.map(|by| by.coach),
            }),
        })
    }

    fn settled_seat(
        &self,
        piece: &Piece,
        result: AthleteResult,
        (teams, corrections): (&[SettledTeam], &[Correction]),
    ) -> Option<SettledSeat> {
        let athlete = self.people.get(result.athlete)?;
        let rower = piece.rowers.get(&result.athlete)?;
        let frozen = piece.ruled.frozen().and_then(|frozen| frozen.results.get(&result.athlete));
        let team = match frozen {
            Some(frozen) => frozen.team.as_ref(),
            None => athlete.spec.team.as_ref(),
        };
        let team = team.and_then(|name| teams.iter().position(|team| team.name == *name));
        let home_at_ms = match frozen {
            Some(frozen) => frozen.home_at,
            None => rower.home_at_of(&result, piece.rule(), self.now),
        };
        Some(SettledSeat {
            seat: athlete.seat,
            team: team.and_then(|team| u16::try_from(team).ok()),
            outcome: result.outcome,
            place: result.place,
            time_ms: result.time_ms,
            distance_dm: result.distance_dm,
            sure: result.sure,
            shown: result.shown,
            aim: piece.ruled.target(result.athlete).unwrap_or(rower.aim().target),
            plan: rower.aim().plan.clone(),
            target: result.target,
            margin: result.margin,
            splits: result.splits,
            strokes: result.strokes,
            marks: result.marks,
            home_at_ms,
            corrections: settled_corrections(result.athlete, corrections),
            ruling: result.ruling,
        })
    }

    /// The phases of a piece and its calls, from what was told since its last countdown.
    fn told_of(&self, piece: &Piece) -> (Vec<Passed>, Vec<SettledCall>) {
        let told = |kept: &Kept| match kept {
            Kept::Said(_, event) => {
                let Happening::PhaseChanged { piece: no, phase } = event.what else { return None };
                (no == piece.no).then_some(phase)
            }
            Kept::Roster(..) => None,
        };
        let counted = |kept: &Kept| matches!(told(kept), Some(Phase::Counting { .. }));
        let from = self.news.all().iter().rposition(counted).unwrap_or(self.news.all().len());
        let mut phases = Vec::new();
        let mut calls: Vec<SettledCall> = Vec::new();
        let mut ended: BTreeMap<CallId, At> = BTreeMap::new();
        for kept in self.news.all().iter().skip(from) {
            let Kept::Said(to, event) = kept else { continue };
            if let Some(phase) = told(kept) {
                phases.push(Passed { at_ms: event.at_ms, phase });
            }
            if let Happening::PhaseChanged { piece: no, .. } = &event.what
                && *no != piece.no
            {
                // The next piece has its own.
                break;
            }
            if let Happening::CallSent(sent) = &event.what
                && sent.sheet.is_none()
            {
                calls.push(self.settled_call(piece, sent));
            }
            if let Happening::CallEnded { call } | Happening::CallTakenBack { call } = &event.what
                && to.coach
            {
                ended.insert(*call, event.at_ms);
            }
        }
        calls.extend(self.sheet_calls(piece));
        for call in &mut calls {
            call.ended_at_ms = ended.get(&call.call).copied();
        }
        calls.sort_by_key(|call| call.sent_at_ms);
        (phases, calls)
    }

    fn settled_call(&self, piece: &Piece, sent: &SentCall) -> SettledCall {
        let is_named = piece.named_calls.contains(&sent.call);
        SettledCall {
            call: sent.call,
            text: (!is_named).then(|| sent.text.clone()),
            span: sent.span,
            sent_at_ms: sent.sent_at_ms,
            ended_at_ms: None,
            sheet: None,
            seats: stretches(self.seats_of(&sent.athletes)),
            replaced: stretches(self.seats_of(&sent.replaced)),
            reached: Vec::new(),
        }
    }

    /// The calls of the sheet that anybody got.
    fn sheet_calls(&self, piece: &Piece) -> Vec<SettledCall> {
        let mut reached: BTreeMap<u16, Vec<(SeatNo, At)>> = BTreeMap::new();
        for (entry, id, at) in &piece.sheet_reached {
            let seat = self.people.get(*id).map(|athlete| (athlete.seat, *at));
            reached.entry(*entry).or_default().extend(seat);
        }
        let calls = reached.into_iter().filter_map(|(entry, mut reached)| {
            let sheet = piece.spec.call_sheet.get(usize::from(entry))?;
            reached.sort_unstable();
            let is_named = matches!(sheet.audience, Audience::Picked { .. });
            Some(SettledCall {
                call: CallId::of_sheet(piece.no, entry),
                text: (!is_named).then(|| sheet.text.clone()),
                span: sheet.span,
                sent_at_ms: reached.iter().map(|(_, at)| *at).min()?,
                ended_at_ms: None,
                sheet: Some(entry),
                seats: Vec::new(),
                replaced: Vec::new(),
                reached,
            })
        });
        calls.collect()
    }

    fn seats_of<'a>(&'a self, athletes: &'a [AthleteId]) -> impl Iterator<Item = SeatNo> + 'a {
        athletes.iter().filter_map(|id| self.people.get(*id).map(|athlete| athlete.seat))
    }
}

/// A result as its record has it: estimates are in none.
fn result_of(athlete: AthleteId, seat: &SettledSeat) -> AthleteResult {
    AthleteResult {
        athlete,
        outcome: seat.outcome,
        place: seat.place,
        target: seat.target,
        time_ms: seat.time_ms,
        distance_dm: seat.distance_dm,
        sure: seat.sure,
        shown: seat.shown,
        margin: seat.margin,
        estimate: None,
        splits: seat.splits.clone(),
        strokes: seat.strokes,
        marks: seat.marks.clone(),
        ruling: seat.ruling.clone(),
    }
}

fn settled_teams(piece: &Piece) -> Vec<SettledTeam> {
    let teams = piece.standings.teams.iter().map(|line| SettledTeam {
        name: line.team.clone(),
        place: line.place,
        mean_margin: line.mean_margin,
        counted: line.counted,
    });
    teams.collect()
}

/// The corrections of one athlete's result, without what is the coach's own words.
fn settled_corrections(athlete: AthleteId, all: &[Correction]) -> Vec<SettledCorrection> {
    let of = all.iter().filter(|correction| correction.athlete == athlete);
    let settled = of.map(|of| {
        let by = of.by.as_ref().map(|by| by.coach);
        let ruling = SettledRuling { command: of.command, at_ms: of.at_ms, by };
        SettledCorrection { ruling, what: of.what }
    });
    settled.collect()
}
