//! What the coach orders.

use std::collections::BTreeSet;

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, PieceNo},
    order::Order,
    refusal::{Refusal, Why},
    spec::{AthleteSpec, Audience, CallSpec, CallText, PieceSpec, SessionSettings},
    standing::{Corrected, Phase},
    units::Millis,
};

use super::{Session, refused, timers::When, unknown};
use crate::{
    calls::CallWas,
    limits,
    output::{Athletes, Output, To},
    piece::Piece,
    roster::Athlete,
    rulings::OrderGiven,
};

impl Session {
    pub(super) fn order(
        &mut self,
        given: OrderGiven,
        order: &Order,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        if self.closed && !order.is_ruling() {
            return refused(Why::NotNow, "This session is closed; make a new one.");
        }
        self.people.check_order(order)?;
        match order {
            Order::Settings { settings } => self.change_settings(settings, out),
            Order::ChangeAthlete { athlete, spec } => self.change_athlete(*athlete, spec, out),
            Order::RemoveAthlete { athlete } => self.remove_athlete(*athlete, out),
            Order::Aim { athlete, piece, aim } => self.aim(*athlete, *piece, aim),
            Order::SetPieces { pieces } => self.set_pieces(pieces, out),
            Order::PrepareCalls { calls } => self.prepare(calls, out),
            Order::Arm => self.in_piece(out, |piece, _| piece.arm()),
            Order::Disarm => self.in_piece(out, |piece, _| piece.disarm()),
            Order::Start => self.start(out),
            Order::FalseStart => self.false_start(out),
            Order::NextRepeat => self.next_repeat(out),
            Order::Stop => {
                self.in_piece(out, |piece, now| piece.stop(now))?;
                self.end_piece(out);
                Ok(())
            }
            Order::Close => {
                self.in_piece(out, |piece, now| piece.close(now))?;
                self.end_piece(out);
                Ok(())
            }
            Order::NextPiece => self.next_piece(out),
            Order::CloseSession => self.close_session(out),
            Order::MakeOfficial { piece } => self.make_official(given, *piece, out),
            Order::Reopen { piece, reason } => self.reopen(given, *piece, reason, out),
            Order::CorrectResult { piece, athlete, finish, reason } => {
                let corrected = Corrected::Finish { finish: *finish };
                self.correct(given, (*piece, *athlete), corrected, reason, out)
            }
            Order::CorrectTarget { piece, athlete, target, reason } => {
                let corrected = Corrected::Target { target: *target };
                self.correct(given, (*piece, *athlete), corrected, reason, out)
            }
            Order::Exclude { piece, athlete, reason } => {
                self.correct(given, (*piece, *athlete), Corrected::Excluded, reason, out)
            }
            Order::Unrank { piece, athlete, reason } => {
                self.correct(given, (*piece, *athlete), Corrected::Unranked, reason, out)
            }
            Order::Undo { ruling } => self.undo(*ruling, out),
            Order::Call { call } => self.arm_call(call, out),
            Order::TakeBack { call } => match self.calls.take_back(*call) {
                CallWas::Armed => {
                    self.emit(To::COACH, Happening::CallTakenBack { call: *call }, out);
                    Ok(())
                }
                CallWas::Running => {
                    self.take_back_running(*call, out);
                    Ok(())
                }
                CallWas::Over => refused(Why::NotNow, "This call is over already."),
                CallWas::No => unknown("call"),
            },
        }
    }

    fn change_settings(
        &mut self,
        settings: &SessionSettings,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        check_grace(settings.grace_ms)?;
        self.settings = *settings;
        let settings = *settings;
        self.emit(To::EVERYBODY, Happening::SettingsChanged { settings }, out);
        // Places go by the ranking, also for what was rowed before.
        self.rank_again(out);
        self.settle_all_again();
        self.publish_now(out);
        Ok(())
    }

    fn change_athlete(
        &mut self,
        id: AthleteId,
        spec: &AthleteSpec,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        limits::check_athlete(spec)?;
        if self.people.named(&spec.name).is_some_and(|other| other != id) {
            return refused(Why::NameTaken, "Somebody else has this name: add an initial.");
        }
        let Some(before) = self.name(id).map(str::to_owned) else { return unknown("athlete") };
        self.people.rename(id, spec);
        if before != spec.name {
            self.look(id, out);
        }
        self.roster_changed(id);
        Ok(())
    }

    /// Takes somebody off the roster who has rowed nothing: somebody who is in it twice, or will not come.
    fn remove_athlete(&mut self, id: AthleteId, out: &mut Vec<Output>) -> Result<(), Refusal> {
        let Some(name) = self.name(id).map(str::to_owned) else { return unknown("athlete") };
        if self.programme.all().iter().any(|piece| piece.was_rowed_by(id)) {
            let says = format!(
                "{name} has rowed in this session: what was rowed stays, and so does who rowed it."
            );
            return refused(Why::NotNow, &says);
        }
        if self.programme.all().iter().any(|piece| piece.ruled.is_about(id)) {
            let says = format!(
                "A result of {name} was corrected in this session: undo that before you take them off the roster."
            );
            return refused(Why::NotNow, &says);
        }
        if self.piece().is_some_and(|piece| piece.has_begun() && !piece.is_over()) {
            let says = format!("A piece is under way: take {name} off the roster when it is over.");
            return refused(Why::NotNow, &says);
        }
        self.people.remove(id);
        self.news.forget(id);
        for piece in self.programme.all_mut() {
            piece.forget(id);
        }
        // Somebody who rowed nothing and is gone does not appear in earlier results either.
        self.settle_all_again();
        self.emit(To::SCREENS, Happening::AthletesRemoved { athletes: vec![id] }, out);
        self.publish_now(out);
        Ok(())
    }

    fn set_pieces(&mut self, pieces: &[PieceSpec], out: &mut Vec<Output>) -> Result<(), Refusal> {
        let begun = self.programme.begun();
        let is_armed = |piece: &Piece| piece.phase() == Phase::Armed;
        if self.programme.get(begun).is_some_and(is_armed) {
            return refused(Why::NotNow, "The piece is armed: disarm it first, then change it.");
        }
        if begun + pieces.len() > limits::PIECES_MAX {
            return refused(
                Why::Limit,
                &format!("A session has at most {} pieces.", limits::PIECES_MAX),
            );
        }
        for spec in pieces {
            limits::check_piece(spec)?;
        }
        let before = self.programme.replace_from(begun, pieces);
        self.fit_aims(begun, &before, pieces);
        let first = PieceNo(u16::try_from(begun).unwrap_or(u16::MAX));
        let without_sheet = |spec: &PieceSpec| PieceSpec { call_sheet: Vec::new(), ..spec.clone() };
        let others = To { coach: false, board: true, athletes: Athletes::All };
        let told = pieces.iter().map(without_sheet).collect();
        self.emit(To::COACH, Happening::PiecesSet { first, pieces: pieces.to_vec() }, out);
        self.emit(others, Happening::PiecesSet { first, pieces: told }, out);
        Ok(())
    }

    /// For pieces whose work has changed, only what fits any piece is kept of what they were to be rowed by.
    fn fit_aims(&mut self, begun: usize, before: &[PieceSpec], pieces: &[PieceSpec]) {
        let numbers = (0..=u16::MAX).map(PieceNo).skip(begun);
        let changed: Vec<(PieceNo, &PieceSpec)> = numbers
            .clone()
            .zip(before.iter().zip(pieces))
            .filter(|(_, (old, new))| old.repeats != new.repeats)
            .map(|(no, (_, new))| (no, new))
            .collect();
        let gone = numbers.clone().nth(pieces.len());
        let new: Vec<(PieceNo, &PieceSpec)> =
            numbers.clone().zip(pieces).skip(before.len()).collect();
        let mut others = BTreeSet::new();
        for (id, athlete) in self.people.each_mut() {
            if let Some(gone) = gone {
                athlete.aims.split_off(&gone);
                athlete.left_out.split_off(&gone);
            }
            for (no, spec) in &new {
                others.extend(athlete.fit_new_piece(*no, spec).then_some(*id));
            }
            for (no, spec) in &changed {
                others.extend(athlete.fit_aim(*no, spec).then_some(*id));
            }
        }
        for id in others {
            self.roster_changed(id);
        }
        let is_current =
            |(no, _): &(PieceNo, &PieceSpec)| usize::from(no.0) == self.programme.current_at();
        if changed.iter().any(is_current) {
            self.carry_paces();
        }
        // Targets that fitted another piece of the session may fit none now: the questions about them are
        // looked at again.
        self.timers.set_by(When::TellRoster, self.now + super::ROSTER_TOLD_AFTER);
    }

    /// A pace is a target for any piece: athletes who have no target for the current one row it by the last pace
    /// they had.
    fn carry_paces(&mut self) {
        let Some(piece) = self.programme.current() else { return };
        let carries = |(id, athlete): (&AthleteId, &mut Athlete)| {
            athlete.carry_pace(piece.no, &piece.spec).then_some(*id)
        };
        let carried: Vec<AthleteId> = self.people.each_mut().filter_map(carries).collect();
        for id in carried {
            self.roster_changed(id);
        }
    }

    fn prepare(&mut self, calls: &[CallText], out: &mut Vec<Output>) -> Result<(), Refusal> {
        if calls.len() > limits::PREPARED_MAX {
            return refused(Why::Limit, "At most 50 calls can be prepared.");
        }
        for text in calls {
            limits::check_call_text(text)?;
        }
        self.prepared = calls.to_vec();
        self.emit(To::COACH, Happening::CallsPrepared { calls: calls.to_vec() }, out);
        Ok(())
    }

    fn in_piece(
        &mut self,
        out: &mut Vec<Output>,
        step: impl FnOnce(&mut Piece, thole_protocol::units::At) -> Result<(), Refusal>,
    ) -> Result<(), Refusal> {
        let now = self.now;
        let Some(piece) = self.piece_mut() else {
            return refused(Why::NotNow, "There is no piece yet: set one first.");
        };
        step(piece, now)?;
        self.emit_phase(out);
        Ok(())
    }

    fn start(&mut self, out: &mut Vec<Output>) -> Result<(), Refusal> {
        let Session { people, programme, now, forecast, .. } = self;
        let Some(piece) = programme.current_mut() else {
            return refused(Why::NotNow, "There is no piece yet: set one first.");
        };
        if people.roster().is_empty() {
            return refused(Why::NotNow, "Nobody is in the roster yet: let athletes join first.");
        }
        piece.start(*now, people.roster(), forecast)?;
        self.emit_phase(out);
        Ok(())
    }

    fn false_start(&mut self, out: &mut Vec<Output>) -> Result<(), Refusal> {
        let now = self.now;
        let Some(piece) = self.piece_mut() else { return unknown("piece") };
        piece.false_start(now)?;
        let piece = piece.no;
        for call in self.calls.disarm() {
            self.emit(To::COACH, Happening::CallTakenBack { call }, out);
        }
        for call in self.calls.end_all() {
            self.emit(To::SCREENS, Happening::CallEnded { call }, out);
        }
        self.watch.forget_piece(self.programme.current_at());
        self.emit(To::EVERYBODY, Happening::FalseStart { piece }, out);
        self.emit_phase(out);
        Ok(())
    }

    fn next_repeat(&mut self, out: &mut Vec<Output>) -> Result<(), Refusal> {
        self.in_piece(out, |piece, now| piece.next_repeat(now))?;
        // A signal that comes earlier than planned changes which samples belong to the rest.
        self.advance_all(out);
        Ok(())
    }

    fn next_piece(&mut self, out: &mut Vec<Output>) -> Result<(), Refusal> {
        if !self.piece().is_some_and(Piece::is_over) {
            return refused(Why::NotNow, "The current piece is not over: close or stop it first.");
        }
        if !self.programme.advance() {
            return refused(Why::NotNow, "There is no further piece: set one first.");
        }
        self.carry_paces();
        let all: Vec<AthleteId> = self.people.ids();
        for id in all {
            self.roster_changed(id);
        }
        self.emit_phase(out);
        Ok(())
    }

    fn close_session(&mut self, out: &mut Vec<Output>) -> Result<(), Refusal> {
        if self.piece().is_some_and(|piece| piece.has_begun() && !piece.is_over()) {
            return refused(Why::NotNow, "A piece is being rowed: close or stop it first.");
        }
        self.closed = true;
        self.emit(To::EVERYBODY, Happening::SessionClosed, out);
        Ok(())
    }

    /// A call to nobody would look as if it had gone out: a team that does not exist is a slip of the hand.
    fn check_is_there(&self, audience: &Audience) -> Result<(), Refusal> {
        match audience {
            Audience::All | Audience::Behind => Ok(()),
            Audience::Team { team } => {
                let teams: BTreeSet<&str> = self
                    .people
                    .roster()
                    .values()
                    .filter_map(|athlete| athlete.spec.team.as_deref())
                    .collect();
                if teams.contains(team.as_str()) {
                    return Ok(());
                }
                let there = if teams.is_empty() {
                    "nobody in this session is in a team".to_owned()
                } else {
                    format!("there are: {}", listed(&teams))
                };
                refused(Why::Unknown, &format!("No team is called {team}; {there}."))
            }
            Audience::Picked { athletes } => {
                if athletes.iter().any(|id| self.knows(*id)) {
                    return Ok(());
                }
                refused(Why::Unknown, "None of those whom the call is for is in this session.")
            }
        }
    }

    fn arm_call(&mut self, spec: &CallSpec, out: &mut Vec<Output>) -> Result<(), Refusal> {
        if self.calls.knows(spec.call) {
            return Ok(());
        }
        limits::check_call_text(&spec.text)?;
        limits::check_span(&spec.span)?;
        limits::check_audience(&spec.audience)?;
        self.check_is_there(&spec.audience)?;
        let grace = spec.grace_ms.unwrap_or(self.settings.grace_ms);
        check_grace(grace)?;
        if !self.piece().is_some_and(Piece::is_rowed) {
            return refused(Why::NotNow, "Nobody is rowing: a call reaches those who row.");
        }
        self.check_is_called(&spec.audience)?;
        let sends_at_ms = self.calls.arm(self.now, grace, spec.clone());
        if grace > Millis(0) {
            let (call, text) = (spec.call, spec.text.clone());
            self.emit(To::COACH, Happening::CallArmed { call, text, sends_at_ms }, out);
        }
        self.pass_calls(out);
        Ok(())
    }
}

/// Names of people or teams in a sentence, with none left out.
fn listed(names: &BTreeSet<&str>) -> String {
    names.iter().copied().collect::<Vec<_>>().join(", ")
}

fn check_grace(grace: Millis) -> Result<(), Refusal> {
    if grace > limits::GRACE_MAX {
        return refused(Why::OutOfRange, "The grace period of a call is at most 5 s.");
    }
    Ok(())
}
