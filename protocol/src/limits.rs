//! How long, how many and how much what crosses the socket may be: the numbers that clients have to know.
//!
//! The schema in `asyncapi.json` carries them, and core and shell refuse by them, so each is defined here,
//! once.

use std::ops::RangeInclusive;

use crate::units::{Bpm, Decimetres, Millis};

/// Characters of a name of an athlete or a team: what a board can show in one line.
pub const NAME_MAX: usize = 40;
/// Characters of the title of a piece or a session.
pub const TITLE_MAX: usize = 80;
/// Characters of a call that are shown large: what is read at a glance from a machine.
pub const CALL_SHOWN_MAX: usize = 18;
/// Words of a call that are shown large.
pub const CALL_WORDS_MAX: usize = 3;
/// Characters of a call that are spoken: about eight seconds of speech.
pub const CALL_SPOKEN_MAX: usize = 120;
/// How many of an athlete's own strokes a call can stand for.
pub const CALL_STROKES: RangeInclusive<u16> = 1..=200;
/// How long a call can stand for: one second to an hour.
pub const CALL_TIME: RangeInclusive<Millis> = Millis(1_000)..=Millis(3_600_000);
/// With a longer grace period than this, a call comes too late.
pub const GRACE_MAX: Millis = Millis(5_000);
/// More calls than a coach can find with one key.
pub const PREPARED_MAX: usize = 50;
/// Calls on one call sheet: one for each repeat of the longest interval piece, and some more.
pub const CALL_SHEET_MAX: usize = 100;
/// Highest stroke number that a call sheet can name: more than a day of strokes at 60 a minute.
pub const STROKE_NUMBER_MAX: u32 = 100_000;

/// More pieces than anybody rows in one gathering.
pub const PIECES_MAX: usize = 50;
/// Repeats of one piece: an hour of minutes.
pub const REPEATS: RangeInclusive<usize> = 1..=60;
/// Length of a repeat by distance: 100 m to 100 km.
pub const DISTANCE: RangeInclusive<Decimetres> = Decimetres(1_000)..=Decimetres(1_000_000);
/// Length of a repeat by time: 10 s to 3 h.
pub const TIME: RangeInclusive<Millis> = Millis(10_000)..=Millis(10_800_000);
/// Rest between two repeats: time to put the handle down, and never so long that people leave.
pub const REST: RangeInclusive<Millis> = Millis(5_000)..=Millis(3_600_000);
/// Countdown: long enough for the news to reach everybody in time, and nobody sits ready for longer.
pub const COUNT: RangeInclusive<Millis> = Millis(5_000)..=Millis(60_000);
/// All the work of one piece by time, and any finish time: nobody rows on into the next day here.
pub const DAY: Millis = Millis(86_400_000);
/// Legs of a plan.
pub const LEGS: RangeInclusive<usize> = 1..=100;
/// Relative speeds of a plan, one for each 5 % of the work.
pub const SPEEDS: usize = 20;

/// A coach's reason for a ruling, in characters: a sentence or two.
pub const REASON_MAX: usize = 200;
/// Past results of one athlete: two years of one a week.
pub const HISTORY_MAX: usize = 100;
/// A false start can be called until this long after the go.
pub const FALSE_START_MAX: Millis = Millis(30_000);
/// An athlete whose distance has not grown for this long, while the device is heard, has stopped: five of the slowest usual strokes.
pub const STOPPED_AFTER: Millis = Millis(12_000);

/// Faster than anybody rows, decimetres a second.
pub const SPEED_MAX_DM_A_SECOND: u32 = 90;
/// Fastest mean over 500 m and more, decimetres a second; the 500 m mark (1:10.5, World Rowing, 12 March 2021) is 70.9.
pub const SPEED_OVER_500M_MAX_DM_A_SECOND: u32 = 75;
/// Fastest mean over 2000 m and more; the 2000 m mark (5:35.8, World Rowing 2018) is 59.6.
pub const SPEED_OVER_2000M_MAX_DM_A_SECOND: u32 = 63;
/// How many samples of one athlete are accepted for each second of the recording's own time, in the long run.
pub const SAMPLES_A_SECOND: u32 = 4;
/// How many samples of a client may be on their way without being acknowledged.
pub const UNDERWAY_MAX: u32 = 1_000;
/// A client says something at least this often.
pub const HEARTBEAT: Millis = Millis(1_000);
/// Samples or readings in one message.
pub const SAMPLES_MAX: usize = 100;
/// Athletes in one message that adds them.
pub const ADDED_MAX: usize = 500;
/// Highest stroke rate that is believed, half strokes a minute: starts are rowed at 45 to 50 a minute,
/// beyond 70 the sensor counts something else (common practice, no source).
pub const RATE_MAX_HALF_SPM: u16 = 140;
/// Highest mean power of a stroke that is believed, watts: drive averages of well-trained rowers peak
/// at 1,971 W (Sprague, thesis, University of Texas).
pub const POWER_MAX_W: u16 = 2_050;
/// Highest stroke count that is believed.
pub const STROKES_MAX: u32 = 4_000_000;
/// Heart rates that are believed, beats a minute: below and above these, straps glitch (common practice, no
/// source).
pub const HEART_BELIEVED_BPM: RangeInclusive<i64> = 25..=240;
/// Heart rates that a coach may set as a limit.
pub const HEART_LIMIT_BPM: RangeInclusive<Bpm> = Bpm(80)..=Bpm(240);
