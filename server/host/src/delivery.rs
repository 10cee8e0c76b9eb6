//! Hands the core's outputs to the connections they concern; what many see is written once.

use std::{cell::OnceCell, collections::BTreeMap};

use serde::Serialize;
use thole_piece::{
    Output, Session as Core,
    output::{Athletes, To},
    picture::Picture,
    session::Viewer,
};
use thole_protocol::{
    ServerMsg,
    event::Event,
    ids::{AthleteId, EventNo},
    sample::{Durable, RefusedSample},
    server_msg::Ack,
    standing::{Detail, Notice, Overview, Standings},
};
use tungstenite::{Bytes, Utf8Bytes};

use crate::{
    limits::EVENTS_BYTES,
    members::{ConnId, Members},
    outbound::{Delivery, Outbound, say, text},
};

/// One thing that a commit holds for one athlete.
#[derive(Clone, Copy)]
enum ForAthlete {
    /// By its place among all acknowledgements.
    Ack(usize),
    /// By its place among all events.
    Event(usize),
    Own,
}

/// What the screens show and were last told: once all of them have it, its memory is written over.
#[derive(Debug, Default)]
pub(crate) struct Screens {
    picture: Picture,
    standings: Bytes,
    overview: Bytes,
}

/// Delivers what one commit has brought about.
pub(crate) fn deliver(
    (core, speed): (&Core, u32),
    members: &Members,
    screens: &mut Screens,
    outputs: Vec<Output>,
    out: &mut dyn Outbound,
) {
    if outputs.is_empty() {
        return;
    }
    let mut events: Vec<(To, Event)> = Vec::new();
    let mut acks: Vec<(Durable, Vec<RefusedSample>)> = Vec::new();
    let mut athletes: Vec<(AthleteId, ForAthlete)> = Vec::new();
    let mut published = false;
    for output in outputs {
        match output {
            Output::Event { to, event } => {
                if let Athletes::These(these) = &to.athletes {
                    let for_one = |athlete: &AthleteId| (*athlete, ForAthlete::Event(events.len()));
                    athletes.extend(these.iter().map(for_one));
                }
                events.push((to, event));
            }
            Output::Ack { athlete, durable, refused } => {
                athletes.push((athlete, ForAthlete::Ack(acks.len())));
                acks.push((durable, refused));
            }
            Output::Published => published = true,
            // The host has remarked on both.
            Output::Counted { .. } | Output::SettledDiffers { .. } => {}
            Output::OwnChanged { athlete } => athletes.push((athlete, ForAthlete::Own)),
            Output::Done { command } => to_coach(members, &ServerMsg::Done { command }, out),
            Output::OrderRefused { command, refusal } => {
                to_coach(members, &ServerMsg::Refused { command: Some(command), refusal }, out);
            }
            Output::Refused { athlete, refusal } => {
                if let Some(conn) = members.of_athlete(athlete) {
                    say(out, conn, &ServerMsg::Refused { command: None, refusal });
                }
            }
        }
    }
    let written = Written::of(&events);
    // What one athlete gets stays in order. Athletes come first: whom a call went to is a long list for screens.
    athletes.sort_by_key(|(athlete, _)| *athlete);
    to_athletes((core, members), &written, &acks, &athletes, out);
    let for_coach = written.messages(|to| to.coach);
    members.coaches().for_each(|conn| tell_all(out, conn, &for_coach));
    let for_board = written.messages(|to| to.board);
    members.boards().for_each(|conn| tell_all(out, conn, &for_board));
    if published {
        publish((core, speed), members, screens, out);
    }
}

/// What a connection has missed since `last`.
pub(crate) fn missed(
    (core, speed): (&Core, u32),
    screens: &mut Screens,
    conn: ConnId,
    last: EventNo,
    viewer: Viewer,
    out: &mut dyn Outbound,
) {
    // A client that has no event yet has missed none: the welcome holds everything that is true.
    if last > EventNo(0) {
        let missed = core.events_after(last, viewer);
        let missed: Vec<(To, Event)> =
            missed.into_iter().map(|event| (To::EVERYBODY, event)).collect();
        out.tell(conn, Delivery::Missed(&Written::of(&missed).messages(|_| true)));
    }
    // A screen that comes shows what the others are showing.
    match viewer {
        Viewer::Coach => {
            core.show(&mut screens.picture, speed);
            let standings = screens.picture.standings().clone();
            let details = core.details(&standings.lines);
            let overview = Overview { standings, details, notices: core.notices().to_vec() };
            out.tell(conn, Delivery::State(text(&ServerMsg::Overview(overview))));
        }
        Viewer::Board => {
            core.show(&mut screens.picture, speed);
            let standings = screens.picture.standings().clone();
            out.tell(conn, Delivery::State(text(&ServerMsg::Standings(standings))));
        }
        Viewer::Athlete(_) => {}
    }
}

/// What is published goes to boards as standings and to the coach as part of the overview; thousands of lines
/// are written once.
fn publish(
    (core, speed): (&Core, u32),
    members: &Members,
    screens: &mut Screens,
    out: &mut dyn Outbound,
) {
    if members.coaches().len() == 0 && members.boards().len() == 0 {
        return;
    }
    if core.standings().is_none() {
        return;
    }
    core.show(&mut screens.picture, speed);
    let shown = screens.picture.standings();
    let standings = standings_text(shown, again(&mut screens.standings));
    if members.coaches().len() > 0 {
        let place = again(&mut screens.overview);
        let overview =
            overview_text(&standings, &core.details(&shown.lines), core.notices(), place);
        screens.overview = Bytes::from(overview.clone());
        members.coaches().for_each(|conn| out.tell(conn, Delivery::State(overview.clone())));
    }
    screens.standings = Bytes::from(standings.clone());
    members.boards().for_each(|conn| out.tell(conn, Delivery::State(standings.clone())));
}

/// The memory of what everybody has, emptied; new memory if somebody does not have it yet.
fn again(told: &mut Bytes) -> Vec<u8> {
    let told = std::mem::take(told);
    if !told.is_unique() {
        return Vec::new();
    }
    let mut place = Vec::from(told);
    place.clear();
    place
}

const STANDINGS: &str = r#"{"type":"standings""#;

/// The standings message, written in place.
fn standings_text(standings: &Standings, mut text: Vec<u8>) -> Utf8Bytes {
    text.extend_from_slice(STANDINGS.as_bytes());
    write(&mut text, standings);
    if let Some(brace) = text.get_mut(STANDINGS.len()) {
        *brace = b',';
    }
    String::from_utf8(text).expect(IS_TEXT).into()
}

/// The overview around standings that are already written.
fn overview_text(
    standings: &str,
    details: &[Detail],
    notices: &[Notice],
    mut text: Vec<u8>,
) -> Utf8Bytes {
    let fields = standings.strip_prefix(STANDINGS).unwrap_or(standings).trim_start_matches(',');
    text.reserve(2 * standings.len());
    text.extend_from_slice(br#"{"type":"overview","standings":{"#);
    text.extend_from_slice(fields.as_bytes());
    text.extend_from_slice(br#","details":"#);
    write(&mut text, details);
    text.extend_from_slice(br#","notices":"#);
    write(&mut text, notices);
    text.push(b'}');
    String::from_utf8(text).expect(IS_TEXT).into()
}

const IS_TEXT: &str = "JSON is text";

fn write(text: &mut Vec<u8>, value: &(impl Serialize + ?Sized)) {
    serde_json::to_writer(text, value).expect("every message can be written as JSON");
}

/// Hands out what is for athletes; `athletes` stand in the order of their ids.
fn to_athletes(
    (core, members): (&Core, &Members),
    written: &Written<'_>,
    acks: &[(Durable, Vec<RefusedSample>)],
    athletes: &[(AthleteId, ForAthlete)],
    out: &mut dyn Outbound,
) {
    let for_all: Vec<usize> = written.numbers(|to| to.athletes == Athletes::All);
    if !for_all.is_empty() {
        let all = written.bundles(&for_all);
        let has_more = |athlete| athletes.binary_search_by_key(&athlete, |(id, _)| *id).is_ok();
        for (_, conn) in members.athletes().filter(|(athlete, _)| !has_more(*athlete)) {
            tell_all(out, conn, &all);
        }
    }
    // Many athletes get the same events (a call, say): those are written once.
    let mut bundles: BTreeMap<Vec<usize>, Vec<Utf8Bytes>> = BTreeMap::new();
    let mut numbers = Vec::new();
    let mut answer = Vec::new();
    let groups: Vec<&[(AthleteId, ForAthlete)]> =
        athletes.chunk_by(|(one, _), (other, _)| one == other).collect();
    let ids: Vec<AthleteId> =
        groups.iter().filter_map(|has| has.first()).map(|(athlete, _)| *athlete).collect();
    for (has, conn) in groups.into_iter().zip(members.of_athletes(&ids)) {
        let (Some(conn), Some((athlete, _))) = (conn, has.first()) else { continue };
        numbers.clone_from(&for_all);
        numbers.extend(has.iter().filter_map(|(_, has)| has.event()));
        numbers.sort_unstable();
        numbers.dedup();
        let mut own_acks = has.iter().filter_map(|(_, has)| acks.get(has.ack()?));
        let Some((durable, refused)) = own_acks.next_back() else {
            if !bundles.contains_key(numbers.as_slice()) {
                bundles.insert(numbers.clone(), written.bundles(&numbers));
            }
            tell_all(out, conn, bundles.get(numbers.as_slice()).map_or(&[], Vec::as_slice));
            if has.iter().any(|(_, has)| matches!(has, ForAthlete::Own))
                && let Some(own) = core.own(*athlete)
            {
                out.tell(conn, Delivery::State(text(&ServerMsg::Own(own))));
            }
            continue;
        };
        // Acknowledgements are cumulative: the last of a recording says it all.
        let mut refused = refused.clone();
        for (other, more) in own_acks {
            if other.run == durable.run {
                refused.extend(more.iter().cloned());
            } else {
                let (durable, refused) = (other.clone(), more.clone());
                let ack = Ack { durable, refused, own: None, events: Vec::new() };
                acknowledge(out, conn, ack, &mut answer);
            }
        }
        let (events, rest) = written.some(&numbers);
        let own = core.own(*athlete);
        let ack = Ack { durable: durable.clone(), refused, own, events };
        acknowledge(out, conn, ack, &mut answer);
        tell_all(out, conn, &written.bundles(rest));
    }
}

/// Each has a different text, and thousands are written a second: all in the same memory.
fn acknowledge(out: &mut dyn Outbound, conn: ConnId, ack: Ack, answer: &mut Vec<u8>) {
    answer.clear();
    write(answer, &ServerMsg::Ack(ack));
    out.tell(conn, Delivery::Own(str::from_utf8(answer).expect(IS_TEXT)));
}

impl ForAthlete {
    fn event(&self) -> Option<usize> {
        match self {
            ForAthlete::Event(number) => Some(*number),
            ForAthlete::Ack(_) | ForAthlete::Own => None,
        }
    }

    fn ack(&self) -> Option<usize> {
        match self {
            ForAthlete::Ack(number) => Some(*number),
            ForAthlete::Event(_) | ForAthlete::Own => None,
        }
    }
}

fn to_coach(members: &Members, msg: &ServerMsg, out: &mut dyn Outbound) {
    let msg = text(msg);
    members.coaches().for_each(|conn| out.tell(conn, Delivery::Shared(&msg)));
}

fn tell_all(out: &mut dyn Outbound, conn: ConnId, texts: &[Utf8Bytes]) {
    for text in texts {
        out.tell(conn, Delivery::Shared(text));
    }
}

/// The events of one commit, each written as JSON once, when somebody is to get it.
struct Written<'a> {
    events: &'a [(To, Event)],
    texts: Vec<OnceCell<String>>,
}

impl<'a> Written<'a> {
    fn of(events: &'a [(To, Event)]) -> Written<'a> {
        Written { events, texts: vec![OnceCell::new(); events.len()] }
    }

    fn text(&self, number: usize) -> Option<&str> {
        let (_, event) = self.events.get(number)?;
        let write = || serde_json::to_string(event).expect("every event can be written as JSON");
        self.texts.get(number).map(|text| text.get_or_init(write).as_str())
    }

    fn numbers(&self, concerns: impl Fn(&To) -> bool) -> Vec<usize> {
        let all = self.events.iter().enumerate();
        all.filter(|(_, (to, _))| concerns(to)).map(|(number, _)| number).collect()
    }

    fn messages(&self, concerns: impl Fn(&To) -> bool) -> Vec<Utf8Bytes> {
        self.bundles(&self.numbers(concerns))
    }

    /// As messages of a bounded size.
    fn bundles(&self, numbers: &[usize]) -> Vec<Utf8Bytes> {
        let mut messages = Vec::new();
        let mut open = String::new();
        for text in numbers.iter().filter_map(|number| self.text(*number)) {
            if !open.is_empty() && open.len() + text.len() > EVENTS_BYTES {
                messages.push(bundled(&open));
                open.clear();
            }
            if !open.is_empty() {
                open.push(',');
            }
            open.push_str(text);
        }
        if !open.is_empty() {
            messages.push(bundled(&open));
        }
        messages
    }

    /// The first of these events, as many as fit beside an acknowledgement, and the numbers of the rest.
    fn some<'b>(&self, numbers: &'b [usize]) -> (Vec<Event>, &'b [usize]) {
        let mut size = 0;
        let fits = numbers
            .iter()
            .take_while(|number| {
                size += self.text(**number).map_or(0, str::len);
                size <= EVENTS_BYTES
            })
            .count();
        let (now, later) = numbers.split_at(fits);
        let events = now.iter().filter_map(|number| self.events.get(*number));
        (events.map(|(_, event)| event.clone()).collect(), later)
    }
}

fn bundled(events: &str) -> Utf8Bytes {
    format!(r#"{{"type":"events","events":[{events}]}}"#).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_written_over_only_when_nobody_else_has_it() {
        let first = standings_text(&Standings::default(), Vec::with_capacity(4_096));
        let (at, mut told) = (first.as_ptr(), Bytes::from(first.clone()));
        let second = again(&mut told);
        assert_eq!((second.capacity(), told.len()), (0, 0), "a screen has the first");
        told = Bytes::from(first);
        let third = standings_text(&Standings::default(), again(&mut told));
        assert_eq!(third.as_ptr(), at);
        assert_eq!(third, standings_text(&Standings::default(), Vec::new()));
    }

    #[test]
    fn standings_and_the_overview_around_them_are_the_messages() {
        let example = include_str!("../../../protocol/examples/server/overview.json");
        let ServerMsg::Overview(overview) = serde_json::from_str(example).unwrap() else {
            panic!("{example} is no overview")
        };
        let standings = standings_text(&overview.standings, Vec::new());
        assert_eq!(standings, text(&ServerMsg::Standings(overview.standings.clone())).as_str());
        let around = overview_text(&standings, &overview.details, &overview.notices, Vec::new());
        assert_eq!(around, text(&ServerMsg::Overview(overview)));
    }
}
