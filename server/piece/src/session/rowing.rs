//! What athletes' devices say while a piece is rowed, and the calls and results that follow from it.

use std::{collections::BTreeMap, sync::Arc};

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CallId, PieceNo, RunId},
    refusal::{Refusal, Why},
    sample::{Reading, Sample},
    spec::{Audience, CallSpec, SheetCall, Span},
    standing::{AthleteResult, Doing, SentCall},
    units::At,
};

use super::{Session, follows::follows, timers::When};
use crate::{
    fine_at::FineAt,
    output::{Athletes, Output, To},
    piece::{Piece, both_mut},
    recording::{Changed, Weighed},
    rower::{OwnCall, Reached},
};

/// A point of the sheet that was reached longer ago than this (it was rowed while nothing was heard) is told
/// late: listed, not shown as new.
const SHEET_LATE_MS: f64 = 6_000.0;

impl Session {
    pub(super) fn samples(
        &mut self,
        id: AthleteId,
        run: RunId,
        samples: &[Sample],
        out: &mut Vec<Output>,
    ) {
        let Session { people, programme, now, .. } = self;
        let Some(athlete) = people.get_mut(id) else { return };
        if !athlete.is_heard() {
            self.hear(id);
            return self.samples(id, run, samples, out);
        }
        let change = athlete.recording.add(*now, run, samples);
        let durable = athlete.recording.durable(run);
        out.push(Output::Ack { athlete: id, durable, refused: change.refused });
        let may_heal = !athlete.losses.is_empty();
        if change.points == Changed::Nothing {
            if may_heal {
                self.heal(id, out);
            }
            return;
        }
        // Only what is new shows that the machine is back: an old sample sent again would keep somebody rowing for ever.
        athlete.linking_since = None;
        let follows =
            follows(programme, 0..=programme.current_at(), (id, athlete), *now, change.points);
        self.follow(id, follows, out);
        if may_heal {
            self.heal(id, out);
        }
    }

    /// What of a batch is new, and whether it can have been rowed: worked out before it is written.
    #[must_use]
    pub fn weigh(&self, now: At, id: AthleteId, run: RunId, samples: Vec<Sample>) -> Weighed {
        match self.people.get(id) {
            Some(athlete) => athlete.recording.weigh(now, run, samples),
            None => Weighed::New(samples),
        }
    }

    /// The same for samples that a device has given up, by their first and last number.
    #[must_use]
    pub fn weigh_skip(&self, id: AthleteId, run: RunId, skipped: (u32, u32)) -> Weighed {
        let athlete = self.people.get(id);
        athlete.map_or(Weighed::New(Vec::new()), |of| of.recording.weigh_skip(run, skipped))
    }

    pub(super) fn skip(
        &mut self,
        id: AthleteId,
        run: RunId,
        from_seq: u32,
        to_seq: u32,
        out: &mut Vec<Output>,
    ) {
        let Some(athlete) = self.people.get_mut(id) else { return };
        if from_seq == 0 || from_seq > to_seq {
            let says =
                "Samples that are given up are named by their first and last number.".to_owned();
            out.push(Output::Refused {
                athlete: id,
                refusal: Refusal { why: Why::OutOfRange, says },
            });
        } else {
            athlete.recording.skip(run, from_seq, to_seq);
        }
        let durable = athlete.recording.durable(run);
        out.push(Output::Ack { athlete: id, durable, refused: Vec::new() });
    }

    pub(super) fn feel(&mut self, id: AthleteId, readings: &[Reading], out: &mut Vec<Output>) {
        let Some(athlete) = self.people.get_mut(id) else { return };
        if !athlete.heart_consent {
            let says = "Heart rate is passed on only after consent; it was left out.".to_owned();
            out.push(Output::Refused { athlete: id, refusal: Refusal { why: Why::NotNow, says } });
        } else if athlete.feel(readings) > 0 {
            let says =
                "A heart rate outside 25 to 240 a minute was left out; check the strap.".to_owned();
            out.push(Output::Refused {
                athlete: id,
                refusal: Refusal { why: Why::Impossible, says },
            });
        }
    }

    pub(super) fn stop_rowing(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let now = self.now;
        let rowed = self.piece_mut().filter(|piece| piece.is_rowed());
        let Some(rower) = rowed.and_then(|piece| piece.rowers.get_mut(&id)) else {
            let says = "There is nothing to stop: you are not in a piece.".to_owned();
            out.push(Output::Refused { athlete: id, refusal: Refusal { why: Why::NotNow, says } });
            return;
        };
        rower.stop(now);
        self.end_call_of(id, out);
        self.tell_result(self.programme.current_at(), id, out);
        out.push(Output::OwnChanged { athlete: id });
        self.publish_now(out);
    }

    pub(super) fn row_on(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let Some(rower) = self.piece_mut().and_then(|piece| piece.rowers.get_mut(&id)) else {
            return;
        };
        rower.row_on();
        rower.told = None;
        out.push(Output::OwnChanged { athlete: id });
    }

    /// Ends a call whose strokes are done.
    pub(super) fn count_strokes(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let left = self
            .piece()
            .zip(self.people.get(id))
            .and_then(|(piece, athlete)| piece.rowers.get(&id)?.strokes_left(&athlete.recording));
        if left == Some(0) {
            self.end_call_of(id, out);
        }
    }

    pub(super) fn end_call_of(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let ended = self.piece_mut().and_then(|piece| piece.rowers.get_mut(&id)?.end_call());
        let Some(OwnCall { call, .. }) = ended else { return };
        self.watch.over_for(call, id, self.now);
        let to = To { coach: false, board: false, athletes: Athletes::These(Arc::new([id])) };
        self.emit(to, Happening::CallEnded { call }, out);
        self.over_for_one(call, out);
    }

    fn over_for_one(&mut self, call: CallId, out: &mut Vec<Output>) {
        if self.calls.over_for_one(call) {
            self.emit(To::SCREENS, Happening::CallEnded { call }, out);
        }
    }

    /// Calls whose grace period or time is over.
    pub(super) fn pass_calls(&mut self, out: &mut Vec<Output>) {
        while let Some(spec) = self.calls.due(self.now) {
            self.send_call(&spec, out);
        }
        while let Some(call) = self.calls.timed_out(self.now) {
            let athletes = self.end_call_for_all(call);
            let to = To { coach: true, board: true, athletes: Athletes::These(athletes) };
            self.emit(to, Happening::CallEnded { call }, out);
        }
    }

    fn send_call(&mut self, spec: &CallSpec, out: &mut Vec<Output>) {
        let Session { people, programme, now, .. } = self;
        let Some(piece) = programme.current_mut() else { return };
        let (rule, rowers) = piece.rule_and_rowers();
        let (mut athletes, mut ended) = (Vec::new(), Vec::new());
        let text = Arc::new(spec.text.clone());
        for (id, rower, athlete) in both_mut(rowers, people.roster()) {
            let meant = match &spec.audience {
                Audience::All => true,
                Audience::Team { team } => athlete.spec.team.as_ref() == Some(team),
                Audience::Behind => rower.is_behind(rule, *now),
                Audience::Picked { athletes } => athletes.contains(id),
            };
            // Athletes who have stopped, or are home, are left in peace.
            if !meant || !rower.is_called(athlete, rule, *now) {
                continue;
            }
            let call =
                OwnCall { call: spec.call, text: text.clone(), span: spec.span, sent_at: *now };
            ended.extend(rower.call(*now, call).map(|old| (*id, old.call)));
            athletes.push(*id);
        }
        if matches!(spec.audience, Audience::Picked { .. }) {
            piece.named_calls.insert(spec.call);
        }
        let sent_at_ms = *now;
        let athletes = self.news.shared(athletes);
        for (id, old) in &ended {
            self.watch.over_for(*old, *id, sent_at_ms);
        }
        self.watch_call(spec.call, &athletes);
        self.calls.sent(sent_at_ms, spec.call, spec.span, athletes.len());
        let CallSpec { call, text, span, .. } = spec.clone();
        if !athletes.is_empty() {
            let to = To { coach: false, board: false, athletes: Athletes::These(athletes.clone()) };
            self.emit(to, Happening::Call { call, text: text.clone(), span }, out);
        }
        let replaced = self.news.shared(ended.iter().map(|(id, _)| *id).collect());
        let sent = SentCall { call, text, span, sent_at_ms, athletes, replaced, sheet: None };
        self.emit(To::SCREENS, Happening::CallSent(sent), out);
        for (_, old) in ended {
            self.over_for_one(old, out);
        }
    }

    pub(super) fn take_back_running(&mut self, call: CallId, out: &mut Vec<Output>) {
        let athletes = self.end_call_for_all(call);
        self.watch.forget(call);
        let to = To { coach: true, board: true, athletes: Athletes::These(athletes) };
        self.emit(to, Happening::CallTakenBack { call }, out);
    }

    fn end_call_for_all(&mut self, call: CallId) -> Arc<[AthleteId]> {
        let Some(piece) = self.piece_mut() else { return Arc::default() };
        let mut athletes = Vec::new();
        for (id, rower) in &mut piece.rowers {
            if rower.running().is_some_and(|running| running.call == call) {
                rower.end_call();
                athletes.push(*id);
            }
        }
        for id in &athletes {
            self.watch.over_for(call, *id, self.now);
        }
        self.news.shared(athletes)
    }

    /// An athlete has reached a point of the call sheet.
    pub(super) fn sheet_call(
        &mut self,
        at: usize,
        id: AthleteId,
        reached: Reached,
        out: &mut Vec<Output>,
    ) {
        let Session { people, programme, now, .. } = self;
        let is_current = at == programme.current_at();
        let (Some(athlete), Some(piece)) = (people.get(id), programme.get_mut(at)) else { return };
        let Some(entry) = piece.spec.call_sheet.get(reached.entry).cloned() else { return };
        let SheetCall { text, audience, span, .. } = entry;
        let number = u16::try_from(reached.entry).unwrap_or(u16::MAX);
        let call = CallId::of_sheet(piece.no, number);
        let is_now = is_current && piece.is_rowed();
        let (rule, rowers) = piece.rule_and_rowers();
        let Some(rower) = rowers.get_mut(&id) else { return };
        let meant = match &audience {
            Audience::All => true,
            Audience::Team { team } => athlete.spec.team.as_ref() == Some(team),
            Audience::Behind => rower.is_behind(rule, *now),
            Audience::Picked { athletes } => athletes.contains(&id),
        };
        let is_rowing = rower.doing(athlete, rule, *now) == Doing::Rowing;
        if !meant || !is_now || !is_rowing || rower.is_let_be(athlete) {
            return;
        }
        let sent_at = reached.heard.floor();
        let over = match span {
            Span::Strokes { strokes } => {
                athlete.recording.strokes_since(sent_at.0) >= u32::from(strokes) * 1_000
            }
            Span::Time { time_ms } => sent_at + time_ms <= *now,
            Span::Next => false,
        };
        let ended = if over {
            None
        } else {
            rower.call(*now, OwnCall { call, text: Arc::new(text.clone()), span, sent_at })
        };
        let late = over || FineAt::from(*now) - reached.heard > SHEET_LATE_MS;
        piece.fresh_sheet.entry(number).or_default().push(id);
        piece.sheet_reached.push((number, id, sent_at));
        if !over {
            self.calls.sheet_runs_for_one(call);
        }
        let to = To { coach: false, board: false, athletes: Athletes::These(Arc::new([id])) };
        self.emit_late(to, late, Happening::Call { call, text, span }, out);
        if let Some(old) = &ended {
            self.watch.over_for(old.call, id, self.now);
        }
        self.watch_sheet_call(call, at, id, sent_at);
        if let Some(old) = ended {
            self.over_for_one(old.call, out);
        }
    }

    /// Tells the screens who got calls of the sheet since they were last told. Those that stand for a time end
    /// for each athlete at an instant of their own: for `past_call` just now.
    pub(super) fn tell_sheet(&mut self, past_call: &[AthleteId], out: &mut Vec<Output>) {
        let now = self.now;
        let Some(piece) = self.piece_mut() else { return };
        let no = piece.no;
        let fresh: BTreeMap<u16, Vec<AthleteId>> = std::mem::take(&mut piece.fresh_sheet);
        let sheet = piece.spec.call_sheet.clone();
        for (entry, athletes) in fresh {
            let Some(SheetCall { text, span, .. }) = sheet.get(usize::from(entry)).cloned() else {
                continue;
            };
            let call = CallId::of_sheet(no, entry);
            let (replaced, sheet) = (Arc::default(), Some(entry));
            let athletes = self.news.shared(athletes);
            let sent = SentCall { call, text, span, sent_at_ms: now, athletes, replaced, sheet };
            self.emit(To::SCREENS, Happening::CallSent(sent), out);
            self.calls.sheet_told(call);
        }
        for id in past_call {
            self.end_call_of(*id, out);
        }
        for call in self.calls.sheet_over() {
            self.emit(To::SCREENS, Happening::CallEnded { call }, out);
        }
    }

    /// Tells an athlete's result: at once to the athlete, together with the others of this second to the
    /// screens.
    pub(super) fn tell_result(&mut self, at: usize, id: AthleteId, out: &mut Vec<Output>) {
        if let Some(piece) = self.programme.get(at).filter(|piece| piece.is_over()) {
            // One result alone can move the places of all.
            if piece.is_result_new(id, self.now, self.people.roster()) {
                self.tell_results(at, out);
            }
            return;
        }
        let Session { people, programme, now, .. } = self;
        let (Some(athlete), Some(piece)) = (people.get(id), programme.get_mut(at)) else { return };
        let (rule, rowers) = piece.rule_and_rowers();
        let Some(rower) = rowers.get_mut(&id) else { return };
        let result = rower.result(id, athlete, rule, *now);
        if result == rower.told {
            return;
        }
        rower.told.clone_from(&result);
        let waits = rower.is_unheard() && athlete.is_heard();
        piece.fresh_results.insert(id);
        let no = piece.no;
        if waits {
            self.hear_out_soon();
        }
        self.end_call_of(id, out);
        self.emit_results(no, Athletes::These(Arc::new([id])), result.into_iter().collect(), out);
        // A finish is worth a look at the standings within the second in which it is told.
        self.timers.set_if_none(When::Publish, self.now);
    }

    /// Results that come by the clock, of those who are `home`: in a piece by time, the last stroke was
    /// before the end.
    pub(super) fn tell_finishes(&mut self, home: &[AthleteId], out: &mut Vec<Output>) {
        for id in home {
            self.tell_result(self.programme.current_at(), *id, out);
        }
        // The results of a piece that is over are all told together, with places.
        let Some(piece) = self.piece_mut().filter(|piece| !piece.is_over()) else { return };
        let no = piece.no;
        let fresh = std::mem::take(&mut piece.fresh_results);
        let results: Vec<AthleteResult> =
            fresh.iter().filter_map(|id| piece.rowers.get(id)?.told.clone()).collect();
        if !results.is_empty() {
            let to = To::SCREENS;
            self.emit(to, Happening::Results { piece: no, results, teams: Vec::new() }, out);
        }
    }

    /// The piece is over: calls end, and everybody is told the results, with places.
    pub(super) fn end_piece(&mut self, out: &mut Vec<Output>) {
        for call in self.calls.disarm() {
            self.emit(To::COACH, Happening::CallTakenBack { call }, out);
        }
        let all: Vec<AthleteId> = self.people.ids();
        for id in all {
            self.end_call_of(id, out);
        }
        self.tell_sheet(&[], out);
        let Session { people, programme, .. } = self;
        let rowers = programme.current_mut().map(|piece| &mut piece.rowers);
        for (id, rower) in rowers.into_iter().flatten() {
            if let Some(athlete) = people.get(*id) {
                rower.end(athlete);
            }
        }
        self.advance_all(out);
        self.tell_results(self.programme.current_at(), out);
        self.settle_now(self.programme.current_at());
    }

    /// Tells places and teams again, of everything that is over, by the settings as they are now.
    pub(super) fn rank_again(&mut self, out: &mut Vec<Output>) {
        for at in 0..self.programme.all().len() {
            if self.programme.get(at).is_some_and(Piece::is_to_settle) {
                self.tell_results(at, out);
                self.tell_teams(at, out);
            }
        }
    }

    /// Tells what the teams have made of a piece that is over, if it is not told along with its results.
    pub(super) fn tell_teams(&mut self, at: usize, out: &mut Vec<Output>) {
        let Session { people, programme, settings, now, .. } = self;
        let piece = programme.get_mut(at).filter(|piece| piece.ruled.frozen().is_none());
        let Some(piece) = piece else { return };
        let before = std::mem::take(&mut piece.standings.teams);
        piece.publish(*now, settings, people.roster());
        let (piece, teams) = (piece.no, piece.standings.teams.clone());
        if teams != before {
            self.emit(To::SCREENS, Happening::Results { piece, results: Vec::new(), teams }, out);
        }
    }

    /// Tells what is new in the results of a piece that is over.
    pub(super) fn tell_results(&mut self, at: usize, out: &mut Vec<Output>) {
        let Session { people, programme, settings, now, .. } = self;
        let Some(piece) = programme.get_mut(at) else { return };
        // Told to their athletes, and not yet to the screens: the piece was over within the second.
        let waiting = std::mem::take(&mut piece.fresh_results);
        let (mut own, mut all, mut waits) = (Vec::new(), Vec::new(), false);
        piece.see_results(*now, people.roster());
        for result in piece.results(*now, settings, people.roster()) {
            let Some(rower) = piece.rowers.get_mut(&result.athlete) else { continue };
            let is_new = rower.told.as_ref() != Some(&result);
            rower.told = Some(result.clone());
            rower.place = result.place;
            waits |= rower.is_unheard();
            if is_new {
                own.push(result.clone());
            }
            if is_new || waiting.contains(&result.athlete) {
                all.push(result);
            }
        }
        let no = piece.no;
        if waits {
            self.hear_out_soon();
        }
        if all.is_empty() {
            return;
        }
        self.settle_again(at);
        for result in own {
            self.emit_results(no, Athletes::These(Arc::new([result.athlete])), vec![result], out);
        }
        if at == self.programme.current_at() {
            self.publish_now(out);
        } else if let Some(piece) = self.programme.get_mut(at) {
            // Nobody is shown the standings of an earlier piece, but its teams are settled by them.
            piece.publish(self.now, &self.settings, self.people.roster());
        }
        let teams = self.programme.get(at).map_or_else(Vec::new, |p| p.standings.teams.clone());
        let mut some = all.chunks(super::ATHLETES_AN_EVENT).peekable();
        while let Some(results) = some.next() {
            let teams = if some.peek().is_none() { teams.clone() } else { Vec::new() };
            let what = Happening::Results { piece: no, results: results.to_vec(), teams };
            self.emit(To::SCREENS, what, out);
        }
    }

    fn emit_results(
        &mut self,
        piece: PieceNo,
        athletes: Athletes,
        results: Vec<AthleteResult>,
        out: &mut Vec<Output>,
    ) {
        if !results.is_empty() {
            let to = To { coach: false, board: false, athletes };
            self.emit(to, Happening::Results { piece, results, teams: Vec::new() }, out);
        }
    }
}
