//! Everything has a limit; each has a name here, and those that a club may want to change are settings.

use std::time::Duration;

use clap::Args;
use tokio::time::Instant;

use crate::config::value::{mib, time, whole};

pub use thole_protocol::limits::{ADDED_MAX, SAMPLES_MAX};

/// Inputs of a session are collected into one commit for this long: long enough that a class of hundreds
/// shares it, short enough that nobody notices.
pub const COMMIT_WINDOW: Duration = Duration::from_millis(5);

/// After a commit of this many inputs the next one is collected for longer.
pub const BUSY_COMMIT: usize = 12;

/// How long, while that much comes in: twenty-five commits a second cost an eighth of two hundred, and most
/// of the 120 ms within which a stroke should be durable is left.
pub const BUSY_COMMIT_WINDOW: Duration = Duration::from_millis(40);

/// At most this many inputs in one commit, so that an acknowledgement never waits for thousands of others.
pub const BATCH_MAX: usize = 1_000;

/// How much connections may have said to a session before they have to wait: one commit's worth.
pub const INBOX_MAX: usize = BATCH_MAX;

/// How many batches of events an athlete's connection may fall behind by. The session makes at most one per
/// commit; past 64 resuming is the cure.
pub const EVENTS_MAX: usize = 64;

/// The same for the coach's devices and for boards, which are few and are told of everybody: thousands who join at
/// the same moment are hundreds of batches.
pub const SCREEN_EVENTS_MAX: usize = 1_024;

/// How much one athlete's connection may have on its way to the journal.
pub const ATHLETE_IN_FLIGHT: usize = 4;

/// How much one coach's device may have on its way to the journal: a script sets up a whole class.
pub const COACH_IN_FLIGHT: usize = 8;

/// A batch of at least this many samples is back-fill and goes as fast as it becomes durable.
pub const BACK_FILL: usize = 20;

/// Everything somebody may send before `hello` is accepted: some attempts to join, no more.
pub const STRANGER_BYTES: usize = 64 << 10;

/// Refused messages that a connection may send in one go before it is closed; one a second comes back.
pub const REFUSALS_MAX: f64 = 100.0;

/// Wrong codes, secrets or keys on one connection before it is closed: somebody who keeps mistyping has asked
/// for help by then.
pub const WRONG_MAX: u32 = 5;

/// For this long after a welcome, its network counts as one that has been in: an evening.
pub const KNOWN_FOR: Duration = Duration::from_secs(4 * 3_600);

/// The last connections, one in this many, are kept for networks that have been in.
pub const RESERVE: usize = 10;

/// A connection that gives way to others is told so, if it takes that within this time.
pub const FAREWELL: Duration = Duration::from_millis(100);

/// What the core refuses costs its sender this many messages: it was written.
pub const REFUSED_COSTS: f64 = 10.0;

/// A long message goes out in frames of this size, so that the write buffer holds one of any length.
pub const FRAME_BYTES: usize = 16 << 10;

/// Read buffer of a connection: some strokes. The library zeroes all of it before each read, and would take 128
/// KiB if allowed.
pub const READ_BUFFER: usize = 512;

/// The write buffer is handed to the system at this size.
pub const WRITE_BUFFER: usize = 4 << 10;

/// A connection never holds more unsent bytes than this; the library's default is no limit.
pub const WRITE_BUFFER_MAX: usize = 64 << 10;

/// Nothing was heard from an athlete for this long (session time): the session is told.
pub const NOT_HEARD_AFTER: Duration = Duration::from_secs(6);

/// The server says something at least this often (session time).
pub const HEARTBEAT: Duration = Duration::from_secs(1);

/// How many steps the wheel has in which those are looked at who are due for that.
pub const HEARTBEAT_STEPS: usize = 100;

/// All clients of a restarting server come back spread over this time, not all at once.
pub const RESTART_SPREAD_MS: u32 = 2_000;

/// A stop that takes longer than this is cut short.
pub const STOP_MAX: Duration = Duration::from_secs(5);

/// Those who come at the same moment wait in the system's queue, a whole club of them: as long as Linux
/// allows.
pub const BACKLOG: u32 = 4_096;

/// Whoever waits longer than this for a session to be opened is sent away and comes back: by then clients have given up
/// this connection, and thousands that nobody holds any more would take the places of others.
pub const OPENING_WAIT: Duration = Duration::from_secs(10);

/// Somebody who finds all places of strangers taken waits for one for this share of the time that strangers
/// have to say who they are.
pub const STRANGER_WAIT: f64 = 0.8;

/// A connection that has said nothing for this long gives way before those that have just come.
pub const SILENT_AFTER: Duration = Duration::from_secs(1);

/// How many requests are read at once; a crowd that comes at the same moment waits unread, which takes no
/// memory.
pub const READING: usize = 128;

/// Whoever is slower than this with a request keeps nobody else waiting.
pub const READING_TURN: Duration = Duration::from_secs(1);

/// Whoever joins in a crowd waits at most this long for a turn; beyond that it is better to ask again.
pub const JOIN_WAIT: Duration = Duration::from_secs(8);

/// Length of the id by which a device joins: at least 128 random bits in base64url, with room for longer ones.
pub const JOIN_ID: std::ops::RangeInclusive<usize> = 22..=64;

/// Somebody who waits for the coach repeats that every few seconds; sooner than this it counts as one more
/// attempt.
pub const SAID_AGAIN_AFTER: Duration = Duration::from_secs(1);

/// When the system has no room for a connection, how long to wait before the next attempt.
pub const ACCEPT_AGAIN_AFTER: Duration = Duration::from_millis(100);

/// What everybody is told while the journal has no room.
pub const FULL: &str = "The server's disk is full: nothing can be saved just now. What you have rowed stays on this device; \
                        keep it open, and it comes in when there is room.";

/// What whoever makes a session is told when the disk is nearly full: what is left is for the sessions that are there.
pub const NEARLY_FULL: &str = "The server's disk is nearly full, so no new session can be made; those that are there go on. \
                               Ask whoever runs the server to make room, then try again.";

/// What they are told when as many sessions are open as are allowed …
pub const SESSIONS_FULL: &str =
    "This server has as many sessions open as it may have; try again in a few minutes.";

/// … and when more were made in this minute than are allowed.
pub const CREATED_TOO_FAST: &str =
    "Very many sessions are being made on this server just now; try again in a minute.";

const SECOND: Duration = Duration::from_secs(1);
const HOUR: Duration = Duration::from_secs(3_600);
const DAY: Duration = Duration::from_secs(24 * 3_600);

/// Limits that are settings, each with its name, its variable, its default and its bounds.
#[derive(Args, Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Athletes in one session
    #[arg(long = "athletes-max", env = "THOLE_ATHLETES_MAX", default_value = "10000", value_parser = whole::<usize>(1..=100_000))]
    pub athletes: usize,
    /// Sessions open at once
    #[arg(long = "sessions-max", env = "THOLE_SESSIONS_MAX", default_value = "2000", value_parser = whole::<usize>(1..=1_000_000))]
    pub sessions: usize,
    /// Sessions made in one minute
    #[arg(long, env = "THOLE_SESSIONS_PER_MIN", default_value = "60", value_parser = whole::<u32>(1..=100_000))]
    pub sessions_per_min: u32,
    /// Athletes joining by code in one second
    #[arg(long, env = "THOLE_JOINS_PER_S", default_value = "2000", value_parser = whole::<u32>(1..=100_000))]
    pub joins_per_s: u32,
    /// Free MiB on the disk of the data folder below which there is a warning; below a quarter of that no new
    /// sessions are made
    // In bytes.
    #[arg(long = "disk-low-mib", env = "THOLE_DISK_LOW_MIB", default_value = "1024", value_parser = mib(1 << 30))]
    pub disk_low: u64,
    /// Connections at once; as many as fit into the system's limit of open files
    #[arg(long = "connections-max", env = "THOLE_CONNECTIONS_MAX", default_value = "20000", value_parser = whole::<usize>(1..=1_000_000))]
    pub connections: usize,
    /// Connections that have not said who they are
    #[arg(long = "strangers-max", env = "THOLE_STRANGERS_MAX", default_value = "1000", value_parser = whole::<usize>(1..=1_000_000))]
    pub strangers: usize,
    /// Connections at once from one address, or one /64 of IPv6
    #[arg(long, env = "THOLE_CONNECTIONS_PER_ADDRESS", default_value = "15000", value_parser = whole::<usize>(1..=1_000_000))]
    pub connections_per_address: usize,
    /// Connections from one address that have not said what they want; beyond that the oldest gives way
    #[arg(long, env = "THOLE_STRANGERS_PER_ADDRESS", default_value = "256", value_parser = whole::<usize>(1..=1_000_000))]
    pub strangers_per_address: usize,
    /// Wrong codes from one address in one go; one a second comes back
    #[arg(long, env = "THOLE_WRONG_CODES", default_value = "60", value_parser = whole::<u32>(1..=1_000_000))]
    pub wrong_codes: u32,
    /// Sessions made from one address in one minute
    #[arg(long, env = "THOLE_SESSIONS_PER_MIN_ADDRESS", default_value = "30", value_parser = whole::<u32>(1..=100_000))]
    pub sessions_per_min_address: u32,
    /// Devices of the coach in one session
    #[arg(long = "coaches-max", env = "THOLE_COACHES_MAX", default_value = "3", value_parser = whole::<usize>(1..=100))]
    pub coaches: usize,
    /// Boards in one session
    #[arg(long = "boards-max", env = "THOLE_BOARDS_MAX", default_value = "8", value_parser = whole::<usize>(1..=1_000))]
    pub boards: usize,
    /// Messages a second from one connection, not counting back-fill
    #[arg(long, env = "THOLE_MESSAGES_PER_S", default_value = "20", value_parser = whole::<u32>(1..=10_000))]
    pub messages_per_s: u32,
    /// Bytes of a message from somebody unknown, or from a board
    #[arg(long, env = "THOLE_STRANGER_BYTES", default_value = "4096", value_parser = whole::<usize>(1_024..=65_536))]
    pub stranger_bytes: usize,
    /// Bytes of a message from an athlete
    #[arg(long, env = "THOLE_ATHLETE_BYTES", default_value = "65536", value_parser = whole::<usize>(16_384..=1 << 20))]
    pub athlete_bytes: usize,
    /// Bytes of a message from a coach: rosters are long
    #[arg(long, env = "THOLE_COACH_BYTES", default_value = "262144", value_parser = whole::<usize>(16_384..=1 << 24))]
    pub coach_bytes: usize,
    /// Seconds for TLS, for the request, and for saying who is there, each
    #[arg(long = "handshake-s", env = "THOLE_HANDSHAKE_S", default_value = "10", value_parser = time(SECOND, 60))]
    pub handshake: Duration,
    /// Seconds for sending one message
    #[arg(long = "send-s", env = "THOLE_SEND_S", default_value = "5", value_parser = time(SECOND, 60))]
    pub send: Duration,
    /// Seconds of silence after which a connection is closed
    #[arg(long = "silence-s", env = "THOLE_SILENCE_S", default_value = "25", value_parser = time(SECOND, 3_600))]
    pub silence: Duration,
    /// Seconds after which a session with nobody connected is closed from memory
    #[arg(long = "idle-s", env = "THOLE_IDLE_S", default_value = "600", value_parser = time(SECOND, 86_400))]
    pub idle: Duration,
    /// Hours for which links keep working after their session was closed
    #[arg(long = "links-h", env = "THOLE_LINKS_H", default_value = "24", value_parser = time(HOUR, 8_760))]
    pub links: Duration,
    /// Days for which links of a session that nobody has closed keep working, from when it was made
    // One gathering, or a season at the most: a code written on a wall must not open anything for ever.
    #[arg(long = "open-links-days", env = "THOLE_OPEN_LINKS_DAYS", default_value = "90", value_parser = time(DAY, 3_660))]
    pub open_links: Duration,
}

/// This many at once, and so many a second from then on, by this machine's clock.
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
        // Whoever was sent away has taken nobody's turn.
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
