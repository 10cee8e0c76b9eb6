//! All athletes, coaches and boards of a run in one thread over one poll: what is due is done when it is due,
//! whether or not the server has answered (an open loop), and every answer is timed from when its cause was due.

mod hearing;
mod saying;

use std::{
    cmp::Reverse,
    collections::{BTreeSet, BinaryHeap},
    io,
    net::SocketAddr,
    time::Duration,
};

use hdrhistogram::Histogram;
use mio::{Events, Poll};
use thole::chance::Chance;
use thole_protocol::{ClientMsg, client_msg::Role, ids::CommandId};

use crate::{
    athlete::Athlete, clock::Clock, figures::latencies, link::Link, settings::Settings,
    wire::Traffic,
};

/// Devices of the coach: the first is in command.
pub(crate) const COACHES: usize = 2;
/// What is due is done in portions of this size, so that what has come is timed without delay.
const PORTION: usize = 64;
/// Events of the poll that are taken at once.
const EVENTS: usize = 1_024;
/// Bytes that are read at once.
const SCRATCH: usize = 64 << 10;

/// Something that is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Due {
    /// The next sample of an athlete.
    Stroke,
    /// A sign of life, if nothing else was said.
    Beat,
    /// An attempt to connect.
    Connect,
}

/// A focus call that the coach has sent.
#[derive(Debug)]
pub(crate) struct Call {
    /// Its identity as on the wire; with the floor, `newest`.
    pub(crate) id: String,
    /// When it was due.
    pub(crate) due_us: u64,
    /// Which athletes have it.
    pub(crate) has: Vec<bool>,
    /// The order that sent it.
    pub(crate) command: CommandId,
    /// The server has refused it.
    pub(crate) is_refused: bool,
}

/// Mean lengths of messages of one kind.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Mean {
    count: u64,
    bytes: u64,
}

impl Mean {
    fn add(&mut self, bytes: usize) {
        self.count += 1;
        self.bytes += bytes as u64;
    }

    /// The mean, or the usual value.
    pub(crate) fn or(self, usual: usize) -> usize {
        self.bytes
            .checked_div(self.count)
            .map_or(usual, |mean| usize::try_from(mean).unwrap_or(usual))
    }
}

/// What was seen, counted as it happened.
#[derive(Debug)]
pub(crate) struct Seen {
    pub(crate) call: Histogram<u64>,
    pub(crate) acknowledged: Histogram<u64>,
    pub(crate) acknowledged_after_loss: Histogram<u64>,
    pub(crate) board: Histogram<u64>,
    pub(crate) start: Histogram<u64>,
    pub(crate) late: Histogram<u64>,
    pub(crate) first_start_us: Option<u64>,
    pub(crate) last_start_us: u64,
    pub(crate) refused_joins: u64,
    pub(crate) refused_samples: u64,
    pub(crate) refused_calls: u64,
    pub(crate) journals_lost: u64,
    pub(crate) connections_lost: u64,
    pub(crate) dropped: u64,
    pub(crate) ack: Mean,
    pub(crate) welcome: Mean,
    pub(crate) call_text: Mean,
    pub(crate) standings: Mean,
    pub(crate) overview: Mean,
    pub(crate) call_sent: Mean,
}

impl Seen {
    fn nothing() -> Seen {
        Seen {
            call: latencies(),
            acknowledged: latencies(),
            acknowledged_after_loss: latencies(),
            board: latencies(),
            start: latencies(),
            late: latencies(),
            first_start_us: None,
            last_start_us: 0,
            refused_joins: 0,
            refused_samples: 0,
            refused_calls: 0,
            journals_lost: 0,
            connections_lost: 0,
            dropped: 0,
            ack: Mean::default(),
            welcome: Mean::default(),
            call_text: Mean::default(),
            standings: Mean::default(),
            overview: Mean::default(),
            call_sent: Mean::default(),
        }
    }
}

/// Everybody.
pub(crate) struct Crowd {
    pub(crate) clock: Clock,
    poll: Poll,
    pub(crate) server: SocketAddr,
    /// The key with which the coach makes the session; the floor needs none.
    key: Option<String>,
    /// Athletes, then coaches, then boards.
    pub(crate) links: Vec<Link>,
    pub(crate) athletes: Vec<Athlete>,
    due: BinaryHeap<Reverse<(u64, usize, Due)>>,
    chance: Chance,
    scratch: Vec<u8>,
    /// The session's clock less this run's, microseconds.
    pub(crate) offset_us: Option<i64>,
    /// When the repeats begin, on the session's clock, as far as it is known.
    starts: Vec<Option<u64>>,
    pub(crate) go_at_ms: Option<u64>,
    pub(crate) code: String,
    pub(crate) session: String,
    epoch: Option<String>,
    board_secret: Option<String>,
    pub(crate) calls: Vec<Call>,
    /// When the coach's start was due.
    pub(crate) start_due_us: u64,
    pub(crate) done: BTreeSet<CommandId>,
    /// What the coach has ordered since answers were last looked at.
    ordered: Vec<(CommandId, ClientMsg)>,
    /// What the first coach was told of events, in full.
    pub(crate) coach_events: Vec<String>,
    /// What the coach was told about the last order that was refused.
    pub(crate) last_refusal: String,
    /// The first coach's newest welcome.
    pub(crate) coach_welcome: String,
    pub(crate) traffic: Traffic,
    pub(crate) seen: Seen,
    /// While the server is being killed, a lost connection is nobody's fault.
    pub(crate) killing: bool,
    /// Nobody comes back any more.
    pub(crate) leaving: bool,
    /// Nobody rows on, and no latency counts, from this instant of the run's clock on.
    pub(crate) rows_until_us: u64,
}

impl Crowd {
    /// Everybody, nobody connected.
    ///
    /// # Errors
    /// The machine has no poll.
    pub(crate) fn gathered(
        settings: &Settings,
        server: SocketAddr,
        key: Option<String>,
        seed: u64,
    ) -> io::Result<Crowd> {
        let athletes: Vec<Athlete> =
            (0..settings.athletes).map(|number| Athlete::invented(number, seed)).collect();
        let mut links: Vec<Link> = athletes.iter().map(|_| Link::of(Role::Athlete)).collect();
        links.extend((0..COACHES).map(|_| Link::of(Role::Coach)));
        links.extend((0..settings.boards).map(|_| Link::of(Role::Board)));
        Ok(Crowd {
            clock: Clock::start(),
            poll: Poll::new()?,
            server,
            key,
            links,
            athletes,
            due: BinaryHeap::new(),
            chance: Chance::seeded(seed),
            scratch: vec![0; SCRATCH],
            offset_us: None,
            starts: vec![None; settings.piece().repeats.len()],
            go_at_ms: None,
            code: String::new(),
            session: String::new(),
            epoch: None,
            board_secret: None,
            calls: Vec::new(),
            start_due_us: 0,
            done: BTreeSet::new(),
            ordered: Vec::new(),
            coach_events: Vec::new(),
            last_refusal: String::new(),
            coach_welcome: String::new(),
            traffic: Traffic::default(),
            seen: Seen::nothing(),
            killing: false,
            leaving: false,
            rows_until_us: u64::MAX,
        })
    }

    /// The first of the coach's devices, the one in command.
    pub(crate) fn coach(&self) -> usize {
        self.athletes.len()
    }

    /// The screens: coaches, then boards.
    pub(crate) fn screens(&self) -> std::ops::Range<usize> {
        self.athletes.len()..self.links.len()
    }

    /// How many of these are in.
    pub(crate) fn in_of(&self, places: std::ops::Range<usize>) -> usize {
        self.links.get(places).unwrap_or(&[]).iter().filter(|link| link.is_in()).count()
    }

    /// How many athletes are in.
    pub(crate) fn athletes_in(&self) -> usize {
        self.in_of(0..self.athletes.len())
    }

    /// Strokes that are not durable yet.
    pub(crate) fn unacknowledged(&self) -> usize {
        self.athletes.iter().map(|athlete| athlete.strokes.len() - athlete.acknowledged).sum()
    }

    /// Whether every stroke that was due before the end was made.
    pub(crate) fn has_done_all_that_was_due(&self) -> bool {
        self.due.peek().is_none_or(|Reverse((at, _, _))| *at >= self.rows_until_us)
    }

    /// An instant of the session on this run's clock.
    pub(crate) fn us_of(&self, at_ms: u64) -> u64 {
        let us = i64::try_from(at_ms.saturating_mul(1_000)).unwrap_or(i64::MAX);
        u64::try_from(us.saturating_sub(self.offset_us.unwrap_or(0))).unwrap_or(0)
    }

    /// Goes on until something is so, for at most this long; returns whether it is so.
    ///
    /// # Errors
    /// The poll fails.
    pub(crate) fn until(
        &mut self,
        mut is_so: impl FnMut(&Crowd) -> bool,
        limit: Duration,
    ) -> io::Result<bool> {
        let end = self.clock.now_us() + us(limit);
        while !is_so(self) {
            if self.clock.now_us() >= end {
                return Ok(false);
            }
            self.turn(end)?;
        }
        Ok(true)
    }

    /// Goes on until an instant of this run's clock.
    ///
    /// # Errors
    /// The poll fails.
    pub(crate) fn until_us(&mut self, end_us: u64) -> io::Result<()> {
        while self.clock.now_us() < end_us {
            self.turn(end_us)?;
        }
        Ok(())
    }

    /// Does what is due, and hears what has come; waits for either until `end_us` at the latest.
    fn turn(&mut self, end_us: u64) -> io::Result<()> {
        for _ in 0..PORTION {
            let now = self.clock.now_us();
            let Some(Reverse((at, place, due))) = self.due.peek().copied() else { break };
            if at > now {
                break;
            }
            self.due.pop();
            match due {
                Due::Stroke => self.stroke(place, at),
                Due::Beat => self.beat(place, now),
                Due::Connect => self.connect(place, now),
            }
        }
        let next = self.due.peek().map_or(end_us, |Reverse((at, _, _))| (*at).min(end_us));
        let wait = Duration::from_micros(next.saturating_sub(self.clock.now_us()));
        let mut events = Events::with_capacity(EVENTS);
        match self.poll.poll(&mut events, Some(wait)) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => return Ok(()),
            other => other?,
        }
        for event in &events {
            let place = event.token().0;
            if event.is_writable() {
                self.writable(place);
            }
            if event.is_readable() || event.is_read_closed() || event.is_error() {
                self.readable(place);
            }
        }
        Ok(())
    }

    fn plan(&mut self, at_us: u64, place: usize, due: Due) {
        self.due.push(Reverse((at_us, place, due)));
    }
}

/// In microseconds.
pub(crate) fn us(length: Duration) -> u64 {
    u64::try_from(length.as_micros()).unwrap_or(u64::MAX)
}
