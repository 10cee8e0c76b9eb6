//! What the crowd hears, and what it makes of it.

use std::collections::HashMap;

use memchr::memmem;
use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{ClockQuestion, Ready, Role},
    ids::AthleteId,
    refusal::Why,
    server_msg::{Joined, Links},
    units::Millis,
};
use uuid::Uuid;

use super::{COACHES, Crowd};
use crate::{
    heard::{Event, Heard, Phase},
    link::Stage,
    wire::Said,
};

/// Athletes whose strokes are looked for on a board.
const LOOKED_FOR: usize = 8;

impl Crowd {
    pub(super) fn writable(&mut self, place: usize) {
        let wire = self.links.get_mut(place).and_then(|link| link.wire.as_mut());
        if wire.is_some_and(|wire| wire.writable().is_err()) {
            self.lose(place);
        }
    }

    pub(super) fn readable(&mut self, place: usize) {
        let mut text = Vec::new();
        loop {
            let wire = self.links.get_mut(place).and_then(|link| link.wire.as_mut());
            let Some(wire) = wire else { return };
            let filled = wire.fill(&mut self.scratch);
            loop {
                let wire = self.links.get_mut(place).and_then(|link| link.wire.as_mut());
                let Some(wire) = wire else { return };
                match wire.next(&mut text, &mut self.traffic) {
                    Ok(Some(said)) => self.said(place, said, &text),
                    Ok(None) => break,
                    Err(_) => return self.lose(place),
                }
            }
            match filled {
                Ok(true) => {}
                Ok(false) => return,
                Err(_) => return self.lose(place),
            }
        }
    }

    fn said(&mut self, place: usize, said: Said, text: &[u8]) {
        match said {
            Said::Upgraded => self.greet(place),
            Said::Status(_) => {
                self.seen.refused_joins += 1;
                self.lose(place);
            }
            Said::Ping => {
                let wire = self.links.get_mut(place).and_then(|link| link.wire.as_mut());
                if wire.is_some_and(|wire| wire.pong(text).is_err()) {
                    self.lose(place);
                }
            }
            Said::Closed(_) => self.lose(place),
            Said::Text if place < self.athletes.len() => self.athlete_hears(place, text),
            Said::Text => self.screen_hears(place, text),
        }
    }

    fn athlete_hears(&mut self, place: usize, text: &[u8]) {
        if text.starts_with(br#"{"type":"heartbeat""#) {
            return;
        }
        let now = self.clock.now_us();
        // What cannot be read counts as a lost connection, and so as a loss.
        let Ok(heard) = serde_json::from_slice::<Heard<'_>>(text) else { return self.lose(place) };
        match heard.kind {
            "ack" => {
                self.seen.ack.add(text.len());
                self.acknowledged(place, &heard, now);
            }
            "joined" => {
                if let (Some(link), Some(athlete)) =
                    (self.links.get_mut(place), self.athletes.get_mut(place))
                {
                    link.secret = heard.secret.map(str::to_owned);
                    athlete.id = heard.athlete.and_then(|id| id.parse().ok()).map(AthleteId);
                }
                self.greet(place);
            }
            "welcome" => {
                self.seen.welcome.add(text.len());
                self.welcomed(place, &heard, now);
            }
            "refused" => {
                let asking = self.links.get(place).is_some_and(|link| link.stage == Stage::Asking);
                if asking {
                    self.seen.refused_joins += 1;
                    self.lose(place);
                }
            }
            _ => {}
        }
        if heard.events.iter().any(|event| event.what.kind == "call") && heard.kind == "events" {
            self.seen.call_text.add(text.len());
        }
        for event in &heard.events {
            self.happened(place, event, now);
        }
    }

    fn acknowledged(&mut self, place: usize, heard: &Heard<'_>, now: u64) {
        self.seen.refused_samples += heard.refused.len() as u64;
        let (Some(durable), Some(athlete)) = (heard.durable, self.athletes.get_mut(place)) else {
            return;
        };
        for stroke in athlete.acknowledge(durable.through_seq) {
            let took = now.saturating_sub(stroke.due_us).max(1);
            if stroke.delayed {
                self.seen.acknowledged_after_loss.saturating_record(took);
            } else {
                self.seen.acknowledged.saturating_record(took);
            }
        }
    }

    fn welcomed(&mut self, place: usize, heard: &Heard<'_>, now: u64) {
        let Some(link) = self.links.get_mut(place) else { return };
        link.stage = Stage::In;
        link.tries = 0;
        link.in_since_us = now;
        // The first welcome tells everything; after a later one, what was missed is still to come, and the
        // connection may be lost before it has.
        if link.last_event == 0 {
            link.last_event = heard.last_event.unwrap_or(0);
        }
        let first = self.athletes.get(place).is_some_and(|athlete| athlete.strokes.is_empty());
        if let Some(epoch) = heard.epoch {
            let known = self.epoch.get_or_insert_with(|| epoch.to_owned());
            self.seen.journals_lost += u64::from(known != epoch);
        }
        if let Some(athlete) = self.athletes.get_mut(place) {
            // What became durable just before the loss need not be sent.
            if let Some(durable) = heard.durable {
                for stroke in athlete.acknowledge(durable.through_seq) {
                    let took = now.saturating_sub(stroke.due_us).max(1);
                    self.seen.acknowledged_after_loss.saturating_record(took);
                }
            }
            let missing: Vec<ClientMsg> = athlete.back_fill().collect();
            for message in missing {
                self.say(place, &message);
            }
        }
        if first && place < self.athletes.len() {
            let ready = Ready {
                cautions_read: true,
                machine: Some("invented".to_owned()),
                clock_bound_ms: Some(Millis(1)),
                on_board: None,
                today: None,
                command: None,
            };
            self.say(place, &ClientMsg::Ready(ready));
        }
        self.begin_beating(place, now);
    }

    fn happened(&mut self, place: usize, event: &Event<'_>, now: u64) {
        if let Some(link) = self.links.get_mut(place) {
            link.last_event = link.last_event.max(event.event);
        }
        if let Some(id) = event.what.call.filter(|_| event.what.kind == "call") {
            let delayed = event.late
                || self
                    .links
                    .get(place)
                    .zip(self.calls.last())
                    .is_some_and(|(link, call)| link.in_since_us > call.due_us);
            let call = self.calls.iter_mut().rev().find(|call| call.id == id);
            if let Some(call) = call {
                if let Some(has) = call.has.get_mut(place) {
                    *has = true;
                }
                if !delayed {
                    let took = now.saturating_sub(call.due_us).max(1);
                    self.seen.call.saturating_record(took);
                }
            }
        }
        if let Some(phase) = event.what.phase {
            if phase.phase == "counting" && !event.late && place < self.athletes.len() {
                let took = now.saturating_sub(self.start_due_us).max(1);
                self.seen.start.saturating_record(took);
                self.seen.first_start_us.get_or_insert(now);
                self.seen.last_start_us = now;
            }
            self.phase(phase);
        }
    }

    /// A repeat has been signalled: those who waited for it know when to row.
    fn phase(&mut self, phase: Phase<'_>) {
        self.go_at_ms = self.go_at_ms.or(phase.go_at_ms);
        let signalled = match phase.phase {
            "counting" => phase.go_at_ms.map(|at| (0, at)),
            "rowing" => phase.repeat.zip(phase.repeat_at_ms),
            "resting" => phase.next_repeat.zip(phase.next_at_ms),
            _ => None,
        };
        if let Some((repeat, at_ms)) = signalled {
            self.signal(repeat, at_ms);
        }
    }

    /// The start of a repeat is known.
    pub(crate) fn signal(&mut self, repeat: usize, at_ms: u64) {
        let Some(start) = self.starts.get_mut(repeat).filter(|start| start.is_none()) else {
            return;
        };
        *start = Some(at_ms);
        for place in 0..self.athletes.len() {
            if self.athletes.get(place).is_some_and(|a| a.waits_for() == Some(repeat)) {
                self.plan_stroke(place);
            }
        }
    }

    /// Of what a coach orders, only a call can come too late: when everybody is home. Any other refusal counts as a
    /// loss.
    fn coach_is_refused(&mut self, text: &[u8]) {
        let Ok(ServerMsg::Refused { command: Some(command), refusal }) =
            serde_json::from_slice(text)
        else {
            return;
        };
        let call = self.calls.iter_mut().rev().find(|call| call.command == command);
        if let Some(call) = call {
            call.is_refused = true;
            self.seen.refused_calls += u64::from(refusal.why != Why::NotNow);
            self.done.insert(command);
        }
        self.last_refusal = refusal.says;
    }

    fn screen_hears(&mut self, place: usize, text: &[u8]) {
        let now = self.clock.now_us();
        if text.starts_with(br#"{"type":"standings""#) {
            self.seen.standings.add(text.len());
            if place == self.coach() + COACHES {
                self.look_at_board(text, now);
            }
            return;
        }
        if text.starts_with(br#"{"type":"overview""#) {
            self.seen.overview.add(text.len());
            return;
        }
        if memmem::find(text.get(..200).unwrap_or(text), br#""kind":"call_sent""#).is_some() {
            self.seen.call_sent.add(text.len());
        }
        if text.starts_with(br#"{"type":"events""#) {
            if place == self.coach() {
                // Looked at when the run is over.
                self.coach_events.push(String::from_utf8_lossy(text).into_owned());
            } else {
                return;
            }
        }
        if text.starts_with(br#"{"type":"done""#) {
            if let Ok(ServerMsg::Done { command }) = serde_json::from_slice(text) {
                self.done.insert(command);
            }
            return;
        }
        if text.starts_with(br#"{"type":"refused""#) {
            return self.coach_is_refused(text);
        }
        if text.starts_with(br#"{"type":"links""#) {
            return self.linked(text);
        }
        if text.starts_with(br#"{"type":"heartbeat""#) {
            return;
        }
        let Ok(heard) = serde_json::from_slice::<Heard<'_>>(text) else { return self.lose(place) };
        match heard.kind {
            "created" => self.created(&heard),
            "welcome" => {
                if place == self.coach() {
                    self.coach_welcome = String::from_utf8_lossy(text).into_owned();
                    let question = ClockQuestion { client_sent_us: now };
                    self.say(place, &ClientMsg::Clock(question));
                }
                self.welcomed(place, &heard, now);
                if place == self.coach() {
                    self.order_again();
                }
            }
            "clock" => {
                let heard_us = heard.client_sent_us.zip(heard.server_heard_us);
                // Sender and receiver share a clock: the middle of the round trip is right to within half of
                // it.
                self.offset_us = self.offset_us.or(heard_us.and_then(|(sent, heard)| {
                    let middle = i64::try_from(sent.midpoint(now)).ok()?;
                    Some(i64::try_from(heard).ok()? - middle)
                }));
            }
            _ => {}
        }
        for event in &heard.events {
            self.happened(place, event, now);
        }
    }

    /// The roster is entered: everybody comes by a link of their own, for a name with the code opens no seat of it.
    fn linked(&mut self, text: &[u8]) {
        let Ok(ServerMsg::Links(Links { links, .. })) = serde_json::from_slice(text) else {
            return;
        };
        let all = self.athletes.iter().enumerate();
        let places: HashMap<_, _> = all.map(|(place, of)| (of.name.clone(), place)).collect();
        for Joined { athlete, name, secret } in links {
            let Some(place) = places.get(&name) else { continue };
            if let Some(link) = self.links.get_mut(*place) {
                link.secret = Some(secret);
            }
            if let Some(of) = self.athletes.get_mut(*place) {
                of.id = Some(athlete);
            }
        }
    }

    fn created(&mut self, heard: &Heard<'_>) {
        self.code = heard.code.unwrap_or("").to_owned();
        self.session = heard.session.unwrap_or("").to_owned();
        self.board_secret = heard.board_secret.map(str::to_owned);
        let (coach, board) = (heard.coach_secret.map(str::to_owned), self.board_secret.clone());
        for place in self.screens() {
            if let Some(link) = self.links.get_mut(place) {
                link.secret = match link.role {
                    Role::Board => board.clone(),
                    Role::Coach | Role::Athlete => coach.clone(),
                };
            }
        }
        self.greet(self.coach());
    }

    /// Looks for the newest strokes of a few athletes.
    fn look_at_board(&mut self, text: &[u8], now: u64) {
        let step = (self.athletes.len() / LOOKED_FOR).max(1);
        for athlete in self.athletes.iter_mut().step_by(step) {
            let Some(done) = athlete.id.and_then(|id| done_dm(text, id)) else { continue };
            for stroke in athlete.show(done).iter().filter(|s| s.rowed && !s.delayed) {
                let took = now.saturating_sub(stroke.due_us).max(1);
                self.seen.board.saturating_record(took);
            }
        }
    }
}

/// The distance that the standings show of an athlete.
fn done_dm(standings: &[u8], athlete: AthleteId) -> Option<i64> {
    let mut id = Uuid::encode_buffer();
    let at = memmem::find(standings, athlete.0.hyphenated().encode_lower(&mut id).as_bytes())?;
    let line = standings.get(at..)?;
    let key = br#""done_dm":"#;
    let digits = line.get(memmem::find(line, key)? + key.len()..)?;
    let end = digits.iter().position(|byte| !byte.is_ascii_digit())?;
    std::str::from_utf8(digits.get(..end)?).ok()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use clap::Parser;
    use thole_protocol::refusal::Refusal;

    use super::*;
    use crate::settings::Settings;

    #[test]
    fn a_call_that_is_refused_is_a_loss_unless_nobody_rows_any_more() {
        let settings = Settings::parse_from(["load-tests", "--athletes", "1"]);
        let nowhere = std::net::SocketAddr::from(([127, 0, 0, 1], 1));
        let mut crowd = Crowd::gathered(&settings, nowhere, None, 1).unwrap();
        for (why, refused) in [(Why::NotNow, 0), (Why::NotInCommand, 1)] {
            crowd.call(0, None, false);
            let command = Some(crowd.calls.last().unwrap().command);
            let refusal = Refusal { why, says: "No.".to_owned() };
            let told = serde_json::to_vec(&ServerMsg::Refused { command, refusal }).unwrap();
            crowd.screen_hears(crowd.coach(), &told);
            assert_eq!(crowd.seen.refused_calls, refused);
            assert!(crowd.calls.last().unwrap().is_refused);
        }
    }

    #[test]
    fn a_distance_is_found_on_the_board_of_the_protocols_own_example() {
        let example = include_str!("../../../protocol/examples/server/standings.json");
        let ServerMsg::Standings(standings) = serde_json::from_str(example).unwrap() else {
            panic!("the example holds standings")
        };
        let text = serde_json::to_string(&ServerMsg::Standings(standings.clone())).unwrap();
        for line in &standings.lines {
            let found = done_dm(text.as_bytes(), line.athlete);
            assert_eq!(found, Some(i64::from(line.done_dm.0)));
        }
        assert!(!standings.lines.is_empty());
    }
}
