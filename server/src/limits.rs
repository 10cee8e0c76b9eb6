//! Everything has a limit; each has a name here, and those a club may want to change are settings.

use std::time::Duration;

use tokio::time::Instant;

pub use thole_protocol::limits::{ADDED_MAX, SAMPLES_MAX};

/// Inputs of a session are collected for this long into one commit: long enough that a class of
/// hundreds shares it, short enough that nobody sees it.
pub const COMMIT_WINDOW: Duration = Duration::from_millis(5);

/// After a commit of so many inputs the next one is collected for longer.
pub const BUSY_COMMIT: usize = 12;

/// How long, while so much comes: twenty-five commits a second cost an eighth of two hundred, and of the
/// 120 ms in which a stroke should be durable most are left.
pub const BUSY_COMMIT_WINDOW: Duration = Duration::from_millis(40);

/// Inputs in one commit at most, so that an acknowledgement never waits for thousands of others.
pub const BATCH_MAX: usize = 1_000;

/// What connections may have said to a session before they have to wait: one commit's worth.
pub const INBOX_MAX: usize = BATCH_MAX;

/// Batches of events that an athlete's connection may fall behind by. The session makes one a commit at most;
/// past 64 resuming is the cure.
pub const EVENTS_MAX: usize = 64;

/// The same for the coach's devices and for boards, which are few and are told of everybody: thousands who join in
/// one moment are hundreds of batches.
pub const SCREEN_EVENTS_MAX: usize = 1_024;

/// What one athlete's connection may have on its way to the journal.
pub const ATHLETE_IN_FLIGHT: usize = 4;

/// What one coach's device may have on its way to the journal: a script sets a whole class.
pub const COACH_IN_FLIGHT: usize = 8;

/// A batch of at least so many samples is back-fill and goes as fast as it becomes durable.
pub const BACK_FILL: usize = 20;

/// The whole of what somebody may send before `hello` was accepted: some tries to join, no more.
pub const STRANGER_BYTES: usize = 64 << 10;

/// Refused messages that a connection may send in one go before it is closed; one a second comes back.
pub const REFUSALS_MAX: f64 = 100.0;

/// Wrong codes, secrets or keys on one connection before it is closed: somebody who mistypes asks again by then.
pub const WRONG_MAX: u32 = 5;

/// So long after a welcome its network is taken for one that has been in: an evening.
pub const KNOWN_FOR: Duration = Duration::from_secs(4 * 3_600);

/// The last connections, one in so many, are kept for networks that have been in.
pub const RESERVE: usize = 10;

/// Who gives way to others is told so if they take it at once.
pub const FAREWELL: Duration = Duration::from_millis(100);

/// What the core refuses costs its sender so many messages: it was written.
pub const REFUSED_COSTS: f64 = 10.0;

/// A long message goes out in frames of this size, so that the write buffer holds one of any length.
pub const FRAME_BYTES: usize = 16 << 10;

/// Read buffer of a connection: some strokes. The library zeroes all of it before each read, 128 KiB if it is let.
pub const READ_BUFFER: usize = 512;

/// The write buffer is handed to the system at this size.
pub const WRITE_BUFFER: usize = 4 << 10;

/// A connection never holds more unsent bytes than this; the library's default is no limit.
pub const WRITE_BUFFER_MAX: usize = 64 << 10;

/// Nothing was heard from an athlete for so long (session time): the session is told.
pub const NOT_HEARD_AFTER: Duration = Duration::from_secs(6);

/// The server says something at least so often (session time).
pub const HEARTBEAT: Duration = Duration::from_secs(1);

/// It is looked at in so many steps who is due for that.
pub const HEARTBEAT_STEPS: usize = 100;

/// All clients of a restarting server come back within this, not all at once.
pub const RESTART_SPREAD_MS: u32 = 2_000;

/// A stop that takes longer than this is cut short.
pub const STOP_MAX: Duration = Duration::from_secs(5);

/// Those who come in one moment wait in the system's queue, a whole club of them: as long as Linux lets it be.
pub const BACKLOG: u32 = 4_096;

/// Who waits longer for a session to be opened is sent away and comes back: by then clients have given up this connection,
/// and thousands that nobody holds any more would take the places of others.
pub const OPENING_WAIT: Duration = Duration::from_secs(10);

/// Who finds all places of strangers taken waits for one for this share of the time that those have to say
/// who they are.
pub const STRANGER_WAIT: f64 = 0.8;

/// A connection that has said nothing for this long gives way before those that have just come.
pub const SILENT_AFTER: Duration = Duration::from_secs(1);

/// Requests that are read at once; a crowd that comes in one moment waits unread, which takes no memory.
pub const READING: usize = 128;

/// Who is slower than this with a request keeps nobody else waiting.
pub const READING_TURN: Duration = Duration::from_secs(1);

/// Who joins in a crowd waits for a turn at most so long; beyond that it is better to ask again.
pub const JOIN_WAIT: Duration = Duration::from_secs(8);

/// Length of the id by which a device joins: 128 random bits in base64url, and room for twice two UUIDs.
pub const JOIN_ID: std::ops::RangeInclusive<usize> = 22..=64;

/// Who waits for the coach says so again every few seconds; sooner than this it counts as one more try.
pub const SAID_AGAIN_AFTER: Duration = Duration::from_secs(1);

/// When the system has no room for a connection, how long to wait before the next try.
pub const ACCEPT_AGAIN_AFTER: Duration = Duration::from_millis(100);

/// What everybody is told while the journal has no room.
pub const FULL: &str = "The server's disk is full: nothing can be saved just now. What you have rowed stays on this device; \
                        keep it open, and it comes in when there is room.";

/// What whoever makes a session is told when the disk is nearly full: what is left is for the sessions that are there.
pub const NEARLY_FULL: &str = "The server's disk is nearly full, so no new session can be made; those that are there go on. \
                               Ask whoever runs the server to make room, then try again.";

/// What they are told when as many sessions are open as may be …
pub const SESSIONS_FULL: &str =
    "This server has as many sessions open as it may have; try again in a few minutes.";

/// … and when more were made in this minute than may be.
pub const CREATED_TOO_FAST: &str =
    "Very many sessions are being made on this server just now; try again in a minute.";

/// Limits that are settings; `config.rs` has their names, units and reasons.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Athletes in one session.
    pub athletes: usize,
    /// Sessions open at once.
    pub sessions: usize,
    /// Sessions made in one minute.
    pub sessions_per_min: u32,
    /// Athletes joining by code in one second, over all sessions.
    pub joins_per_s: u32,
    /// Connections at once.
    pub connections: usize,
    /// Connections that have not said who they are.
    pub strangers: usize,
    /// Connections at once from one address, or one /64 of IPv6.
    pub connections_per_address: usize,
    /// Connections of one address that keep the server waiting for what they want.
    pub strangers_per_address: usize,
    /// Wrong codes, secrets and keys of one address in one go; one a second comes back.
    pub wrong_codes: u32,
    /// Sessions made from one address in one minute.
    pub sessions_per_min_address: u32,
    /// Free bytes on the disk of the data folder below which it is warned.
    pub disk_low: u64,
    /// Devices of the coach in one session.
    pub coaches: usize,
    /// Boards in one session.
    pub boards: usize,
    /// Messages a second from one connection.
    pub messages_per_s: u32,
    /// Bytes of a message before `hello`, and of a board.
    pub stranger_bytes: usize,
    /// Bytes of an athlete's message.
    pub athlete_bytes: usize,
    /// Bytes of a coach's message.
    pub coach_bytes: usize,
    /// For each of: TLS, the request's header, `hello`.
    pub handshake: Duration,
    /// For sending one message.
    pub send: Duration,
    /// A connection that nothing is heard from is closed after this.
    pub silence: Duration,
    /// A session that nobody is connected to is closed from memory after this.
    pub idle: Duration,
    /// How long links live after their session was closed.
    pub links: Duration,
    /// How long links live of a session that nobody has closed, from when it was made: one gathering, and a season at the
    /// most. A code that was written on a wall must not open anything for ever.
    pub open_links: Duration,
}

/// So many at once, and so many a second from then on, by this machine's clock.
pub type Allowance = thole_host::limits::Allowance<Instant>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_is_allowed_and_then_the_rate() {
        let start = crate::clock::Clock::new(1).instant();
        let mut joins = Allowance::new(3.0, 2.0, start);
        let granted = (0..5).filter(|_| joins.take(start)).count();
        assert_eq!(granted, 3);
        assert!(!joins.take(start + Duration::from_millis(499)));
        assert!(joins.take(start + Duration::from_millis(501)));
    }

    #[test]
    fn a_crowd_gets_turns_one_after_the_other_and_nobody_one_that_is_too_far_off() {
        let start = crate::clock::Clock::new(1).instant();
        let mut joins = Allowance::new(2.0, 2.0, start);
        let longest = Duration::from_secs(1);
        let turns: Vec<_> = (0..6).map(|_| joins.book(start, longest)).collect();
        let ms = |ms| Some(Duration::from_millis(ms));
        assert_eq!(turns, [ms(0), ms(0), ms(500), ms(1_000), None, None]);
        // Who was sent away has taken nobody's turn.
        assert_eq!(joins.book(start + Duration::from_millis(500), longest), ms(1_000));
    }

    #[test]
    fn who_is_too_fast_waits_for_as_long_as_it_takes_to_pay_back() {
        let start = crate::clock::Clock::new(1).instant();
        let mut messages = Allowance::new(1.0, 20.0, start);
        assert_eq!(messages.owe(start), Duration::ZERO);
        assert_eq!(messages.owe(start), Duration::from_millis(50));
        assert_eq!(messages.owe(start), Duration::from_millis(100));
        assert_eq!(messages.owe(start + Duration::from_millis(150)), Duration::ZERO);
    }
}
