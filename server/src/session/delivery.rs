//! Hands the core's outputs to the connections that they concern; what many see is written once.

use std::collections::BTreeMap;

use thole_piece::{
    Output, Session as Core,
    output::{Athletes, To},
    session::Viewer,
};
use thole_protocol::{
    ServerMsg,
    event::Event,
    ids::{AthleteId, EventNo},
    sample::{Durable, RefusedSample},
    server_msg::Ack,
    standing::{Detail, Notice, Overview},
};
use tokio_tungstenite::tungstenite::Utf8Bytes;

use super::devices::{ConnId, Devices, say, text};
use crate::{limits::EVENTS_BYTES, outbox::Outbox};

/// What one commit has for one athlete.
#[derive(Default)]
struct ForAthlete {
    acks: Vec<(Durable, Vec<RefusedSample>)>,
    /// Events for this athlete alone, by their place among all.
    events: Vec<usize>,
    own: bool,
}

/// Delivers what one commit has brought.
pub(super) fn deliver(core: &Core, devices: &Devices, outputs: Vec<Output>) {
    if outputs.is_empty() {
        return;
    }
    let mut events: Vec<(To, Event)> = Vec::new();
    let mut athletes: BTreeMap<AthleteId, ForAthlete> = BTreeMap::new();
    let mut published = false;
    for output in outputs {
        match output {
            Output::Event { to, event } => {
                if let Athletes::These(these) = &to.athletes {
                    for athlete in these {
                        athletes.entry(*athlete).or_default().events.push(events.len());
                    }
                }
                events.push((to, event));
            }
            Output::Ack { athlete, durable, refused } => {
                athletes.entry(athlete).or_default().acks.push((durable, refused));
            }
            Output::Published => published = true,
            // The task keeps it for the sessions to come.
            Output::Counted { .. } => {}
            Output::OwnChanged { athlete } => athletes.entry(athlete).or_default().own = true,
            Output::Done { command } => to_coach(devices, &ServerMsg::Done { command }),
            Output::OrderRefused { command, refusal } => {
                to_coach(devices, &ServerMsg::Refused { command: Some(command), refusal });
            }
            Output::Refused { athlete, refusal } => {
                if let Some(outbox) = devices.of_athlete(athlete) {
                    say(outbox, &ServerMsg::Refused { command: None, refusal });
                }
            }
        }
    }
    let written = Written::of(&events);
    let for_coach = written.messages(|to| to.coach);
    devices.coach_outboxes().for_each(|outbox| queue_all(outbox, &for_coach));
    let for_board = written.messages(|to| to.board);
    devices.board_outboxes().for_each(|outbox| queue_all(outbox, &for_board));
    to_athletes(core, devices, &written, &athletes);
    if published {
        publish(core, devices);
    }
}

/// What a connection has missed since `last`.
pub(super) fn missed(core: &Core, devices: &Devices, conn: ConnId, last: EventNo, viewer: Viewer) {
    let Some(outbox) = devices.outbox(conn) else { return };
    // A client that has no event yet has missed none: the welcome holds all that is true.
    if last > EventNo(0) {
        let missed = core.events_after(last, viewer);
        let missed: Vec<(To, Event)> =
            missed.into_iter().map(|event| (To::EVERYBODY, event)).collect();
        queue_all(outbox, &Written::of(&missed).messages(|_| true));
    }
    let overview = core.overview();
    match viewer {
        Viewer::Coach => outbox.state(text(&ServerMsg::Overview(overview))),
        Viewer::Board => outbox.state(text(&ServerMsg::Standings(overview.standings))),
        Viewer::Athlete(_) => {}
    }
}

/// What is published goes to boards as standings and to the coach within the overview; thousands of lines
/// are written once.
fn publish(core: &Core, devices: &Devices) {
    if devices.coaches() == 0 && devices.boards() == 0 {
        return;
    }
    let Overview { standings, details, notices } = core.overview();
    let standings = text(&ServerMsg::Standings(standings));
    devices.board_outboxes().for_each(|outbox| outbox.state(standings.clone()));
    if devices.coaches() > 0 {
        let overview = overview_with(&standings, &details, &notices);
        devices.coach_outboxes().for_each(|outbox| outbox.state(overview.clone()));
    }
}

/// The overview around standings that are written already.
fn overview_with(standings: &str, details: &[Detail], notices: &[Notice]) -> Utf8Bytes {
    const TAG: &str = r#"{"type":"standings","#;
    let lines = standings.strip_prefix(TAG).expect("standings begin with their type");
    let json = "every message can be written as JSON";
    let details = serde_json::to_string(details).expect(json);
    let notices = serde_json::to_string(notices).expect(json);
    format!(
        r#"{{"type":"overview","standings":{{{lines},"details":{details},"notices":{notices}}}"#
    )
    .into()
}

fn to_athletes(
    core: &Core,
    devices: &Devices,
    written: &Written<'_>,
    athletes: &BTreeMap<AthleteId, ForAthlete>,
) {
    let for_all: Vec<usize> = written.numbers(|to| to.athletes == Athletes::All);
    let all = written.bundles(&for_all);
    if !for_all.is_empty() {
        for (athlete, outbox) in devices.athlete_outboxes() {
            if !athletes.contains_key(&athlete) {
                queue_all(outbox, &all);
            }
        }
    }
    // Many athletes get the same events (a call, say): those are written once.
    let mut bundles: BTreeMap<Vec<usize>, Vec<Utf8Bytes>> = BTreeMap::new();
    for (athlete, has) in athletes {
        let Some(outbox) = devices.of_athlete(*athlete) else { continue };
        let mut numbers: Vec<usize> = for_all.iter().chain(&has.events).copied().collect();
        numbers.sort_unstable();
        numbers.dedup();
        let Some(((durable, refused), earlier)) = has.acks.split_last() else {
            let bundle =
                bundles.entry(numbers).or_insert_with_key(|numbers| written.bundles(numbers));
            queue_all(outbox, bundle);
            if let Some(own) = core.own(*athlete).filter(|_| has.own) {
                outbox.state(text(&ServerMsg::Own(own)));
            }
            continue;
        };
        // Acknowledgements are cumulative: the last of a recording says it all.
        let mut refused = refused.clone();
        for (other, more) in earlier {
            if other.run == durable.run {
                refused.extend(more.iter().cloned());
            } else {
                let (durable, refused) = (other.clone(), more.clone());
                let ack = Ack { durable, refused, own: None, events: Vec::new() };
                say(outbox, &ServerMsg::Ack(ack));
            }
        }
        let (events, rest) = written.some(&numbers);
        let own = core.own(*athlete);
        say(outbox, &ServerMsg::Ack(Ack { durable: durable.clone(), refused, own, events }));
        queue_all(outbox, &written.bundles(rest));
    }
}

fn to_coach(devices: &Devices, msg: &ServerMsg) {
    let msg = text(msg);
    devices.coach_outboxes().for_each(|outbox| outbox.queue(msg.clone()));
}

fn queue_all(outbox: &Outbox, texts: &[Utf8Bytes]) {
    for text in texts {
        outbox.queue(text.clone());
    }
}

/// The events of one commit, each written as JSON once.
struct Written<'a> {
    events: &'a [(To, Event)],
    texts: Vec<String>,
}

impl<'a> Written<'a> {
    fn of(events: &'a [(To, Event)]) -> Written<'a> {
        let text = |(_, event): &(To, Event)| {
            serde_json::to_string(event).expect("every event can be written as JSON")
        };
        Written { events, texts: events.iter().map(text).collect() }
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
        for text in numbers.iter().filter_map(|number| self.texts.get(*number)) {
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
                size += self.texts.get(**number).map_or(0, String::len);
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
    fn an_overview_around_written_standings_is_the_message() {
        let example = include_str!("../../../protocol/examples/server/overview.json");
        let ServerMsg::Overview(overview) = serde_json::from_str(example).unwrap() else {
            panic!("{example} is no overview")
        };
        let standings = text(&ServerMsg::Standings(overview.standings.clone()));
        let around = overview_with(&standings, &overview.details, &overview.notices);
        assert_eq!(around, text(&ServerMsg::Overview(overview)));
    }
}
