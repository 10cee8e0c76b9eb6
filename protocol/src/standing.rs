//! What the server computes for people to see: phases, standings, results, notices, calls.

mod calibration;
mod result;
mod ruling;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::{
    ids::{AthleteId, CallId, PieceNo},
    question::Question,
    spec::{Aim, AthleteSpec, CallText, OnBoard, PieceSpec, Span, Today},
    total::{Margin, Total},
    units::{At, Bpm, Decimetres, HalfSpm, Millis},
};

pub use calibration::Calibration;
pub use result::{AthleteResult, Mark, Outcome, Split};
pub use ruling::{
    Corrected, Correction, Measured, Official, Reopened, Ruling, Rulings, TargetBefore, Unplaced,
    WouldBe,
};

/// How far a piece is; each phase carries everything it needs and nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "phase", rename_all = "snake_case")]
pub enum Phase {
    /// People arrive and get ready.
    Gathering,
    /// The coach may start at any moment.
    Armed,
    /// The countdown runs.
    Counting {
        /// The instant of the go, the same for every client.
        go_at_ms: At,
    },
    /// Work.
    Rowing {
        /// The instant of the first go.
        go_at_ms: At,
        /// Which repeat was signalled last, counted from 0.
        repeat: u16,
        /// When it was signalled.
        repeat_at_ms: At,
    },
    /// Rest between two repeats of an interval piece on a common signal.
    Resting {
        /// The instant of the first go.
        go_at_ms: At,
        /// Which repeat comes next, counted from 0.
        next_repeat: u16,
        /// When.
        next_at_ms: At,
    },
    /// The first has finished; the others are waited for until the coach closes the piece.
    Closing {
        /// The instant of the first go.
        go_at_ms: At,
    },
    /// The results are final, except for samples that were still on their way.
    Finished {
        /// The instant of the first go.
        go_at_ms: At,
    },
    /// The coach has stopped it; what was rowed is kept.
    Stopped {
        /// The instant of the first go, if there was one.
        go_at_ms: Option<At>,
        /// The instant of the stop.
        stopped_at_ms: At,
    },
}

/// What an athlete is doing in the current piece.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Doing {
    /// In the roster, nothing heard yet.
    #[default]
    Away,
    /// Connected, not yet rowing.
    Here,
    /// Rowing.
    Rowing,
    /// Has stopped rowing; never urged to go on.
    Stopped,
    /// Has finished the piece.
    Finished,
}

/// Where a finish is heading: a best guess, an 80 % interval, and the chance of making the target.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Projected {
    /// Best guess: a time for pieces by distance, a distance for pieces by time.
    pub finish: Total,
    /// Lower end of the 80 % interval, in the same unit.
    pub low: Total,
    /// Upper end of the 80 % interval, in the same unit.
    pub high: Total,
    /// Chance of making their own target, in thousandths; `None` without a target.
    pub chance_permille: Option<u16>,
}

/// One athlete in the standings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Line {
    /// Who.
    pub athlete: AthleteId,
    /// 1, 2, 2, 4, by the margins as they are given; `None` while not ranked.
    pub place: Option<u32>,
    /// Why there is no place and no margin; `None` for athletes who have both.
    #[serde(default)]
    pub instead: Option<Instead>,
    /// What they are doing; in a piece that is over, the results say how it turned out.
    pub doing: Doing,
    /// Whether the numbers are old: nothing was heard for a while.
    pub not_heard: bool,
    /// Against their own target, to 0.1 % of it, 0.1 s or 1 m until the piece is over: nobody stands behind somebody
    /// whose number reads the same.
    pub margin: Option<Margin>,
    /// The same in one word; `None` without a margin, before 5 % of the piece, and for athletes who have stopped.
    #[serde(default)]
    pub against_target: Option<AgainstTarget>,
    /// Where the finish is heading; for athletes who have finished, the result three times.
    pub projected: Option<Projected>,
    /// Work done.
    pub done_dm: Decimetres,
    /// Work time gone by.
    pub elapsed_ms: Millis,
    /// Share of the piece done, in thousandths.
    pub share_permille: u16,
}

/// Why somebody has no place; they are listed in this order after those who have one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Instead {
    /// There is no target.
    Untargeted,
    /// Rows, or has rowed, out of competition: by their own choice, or because the coach says so.
    Unranked,
    /// Repeats of the piece were over before they came: the whole of it is out of reach.
    Missed,
    /// Has rowed too little: in the first strokes the plan says more than they do.
    Settling,
    /// Nothing has been heard for so long that they are not ranked.
    Unheard,
    /// Has not begun to row.
    Here,
    /// Has stopped.
    Stopped,
    /// Is not connected, and has not rowed.
    Away,
    /// The coach has excluded the result.
    Excluded,
}

/// How an athlete stands against their own target, in one word that stays: decided once, for every screen and for whom a
/// call is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum AgainstTarget {
    /// The chance of making it is under a quarter, and has not been over 35 % since; for a finish, it was not
    /// made.
    Behind,
    /// Neither of the two can be said.
    About,
    /// The chance is over three quarters, and has not been under 65 % since; for a finish, it was made.
    Ahead,
}

/// One team in the standings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TeamLine {
    /// Its name.
    pub team: String,
    /// 1, 2, 2, 4; `None` while too few of its members are ranked.
    pub place: Option<u32>,
    /// Mean of the best members' margins, in the unit that the session ranks by (millionths, ms or dm), rounded as
    /// theirs are.
    pub mean_margin: Option<i64>,
    /// How many counted.
    pub counted: u16,
}

/// A focus call that stands, across all athletes for whom it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct StandingCall {
    /// Which.
    pub call: CallId,
    /// For how many athletes.
    pub athletes: u32,
    /// Median of their own strokes left, if it counts strokes.
    pub strokes_left: Option<u16>,
}

/// Who stands where, best first.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Standings {
    /// Of which piece.
    pub piece: PieceNo,
    /// When calls, and whom everybody is waiting for, were looked at.
    pub at_ms: At,
    /// When order, places and numbers of `lines` and `teams` were taken, all at once. They stand for eight seconds of real
    /// time so that they can be read; new ones come sooner when somebody has begun, finished, stopped or is no longer heard.
    #[serde(default)]
    pub drawn_at_ms: At,
    /// Ranked athletes first by place, equals by their ids; then the others by why they are not ranked, and
    /// by name.
    pub lines: Vec<Line>,
    /// Teams, best first, equals by name; empty without teams.
    pub teams: Vec<TeamLine>,
    /// Focus calls that stand, by their identity.
    #[serde(default)]
    pub calls: Vec<StandingCall>,
    /// Athletes whom everybody else is waiting for: to begin the rest before the next repeat, or to finish the piece. The
    /// coach can go on without them: `next_repeat`, `close`.
    #[serde(default)]
    pub waits_for: Vec<AthleteId>,
    /// Set while the piece waits for its end and nobody rows any more: since when. Its clock stands still then, and the
    /// coach may close it. `None` while somebody rows, or may be rowing unheard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nobody_rows_since_ms: Option<At>,
}

/// What an athlete sees of their own standing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Own {
    /// Of which piece.
    pub piece: PieceNo,
    /// What the server takes them to be doing.
    pub doing: Doing,
    /// Place by what is known now; screens show the place of their picture, which stands for a while.
    pub place: Option<u32>,
    /// Against their own target.
    pub margin: Option<Margin>,
    /// The same in one word, as in `Line`.
    #[serde(default)]
    pub against_target: Option<AgainstTarget>,
    /// Where the finish is heading.
    pub projected: Option<Projected>,
    /// Work done.
    pub done_dm: Decimetres,
    /// Work time gone by.
    pub elapsed_ms: Millis,
    /// Which repeat is being rowed or comes next, counted from 0.
    pub repeat: u16,
    /// Pace of the stretch just rowed, milliseconds per 500 m.
    pub pace_per_500m_ms: Option<Millis>,
    /// The pace that is enough from here on, milliseconds per 500 m; `None` without a target.
    pub enough_per_500m_ms: Option<Millis>,
    /// Strokes left of the focus call that stands, if it counts strokes.
    pub call_strokes_left: Option<u16>,
}

/// What a notice is about, with the numbers behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "about", rename_all = "snake_case")]
pub enum About {
    /// Has stopped rowing.
    Stopped {
        /// Work done by then.
        done_dm: Decimetres,
    },
    /// Had stopped rowing, and the device has not been heard for a minute since: somebody may be alone. Told instead of
    /// `stopped` and `not_heard`.
    StoppedUnheard {
        /// Work done by then.
        done_dm: Decimetres,
        /// When the device was last heard.
        silent_since_ms: At,
    },
    /// Nothing is heard from the device.
    NotHeard {
        /// Since when.
        since_ms: At,
    },
    /// Heart rate over the athlete's own limit.
    HeartRate {
        /// Now, beats a minute.
        heart_bpm: u16,
        /// The limit.
        limit_bpm: u16,
    },
    /// The pace of the last stretch has fallen off compared with the pace before and with what is enough.
    Fading {
        /// Pace over the last tenth of the piece, milliseconds per 500 m.
        now_per_500m_ms: Millis,
        /// Median pace before that.
        before_per_500m_ms: Millis,
        /// What is enough from here on.
        enough_per_500m_ms: Millis,
    },
    /// Well ahead of their own plan early in the piece.
    TooFast {
        /// Pace so far, milliseconds per 500 m.
        now_per_500m_ms: Millis,
        /// Pace of the plan so far.
        plan_per_500m_ms: Millis,
    },
    /// The rate went up and the speed did not.
    RateNoFaster {
        /// Rate over the last half minute, half strokes a minute.
        rate_half_spm: HalfSpm,
        /// Rate over the half minute before.
        before_half_spm: HalfSpm,
        /// Pace over the last half minute, milliseconds per 500 m.
        now_per_500m_ms: Millis,
        /// Pace over the half minute before.
        before_per_500m_ms: Millis,
    },
    /// What is rowed is so unlike the target that the target says nothing: a slip of the keyboard, or a day
    /// that calls for another one.
    TargetFarOff {
        /// Their own target.
        target: Total,
        /// Where the finish is heading.
        heading: Total,
    },
    /// The machine was reset in mid-piece; the parts are joined.
    MachineReset {
        /// Work done by then.
        done_dm: Decimetres,
    },
    /// The session's clock and the machine's own have run apart while the athlete rowed: times may be wrong.
    ClocksApart {
        /// By how much the session's clock has gained on the machine's, milliseconds; negative: lost.
        apart_ms: i64,
    },
}

/// Something about one athlete that the coach should see now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Notice {
    /// About whom.
    pub athlete: AthleteId,
    /// Since when it has been so; it is shown once it has lasted.
    pub since_ms: At,
    /// What.
    pub about: About,
}

/// A focus call that went out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SentCall {
    /// Which.
    pub call: CallId,
    /// The words.
    pub text: CallText,
    /// How long it stands.
    pub span: Span,
    /// When it went out.
    pub sent_at_ms: At,
    /// Who got it.
    pub athletes: Arc<[AthleteId]>,
    /// Those among them who had another call running, which this one ended.
    pub replaced: Arc<[AthleteId]>,
    /// Number of the call-sheet entry it came from, counted from 0.
    pub sheet: Option<u16>,
}

/// One athlete as the roster shows them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AthleteView {
    /// Who.
    pub athlete: AthleteId,
    /// Name, team; the heart limit for the coach alone.
    pub spec: AthleteSpec,
    /// For the current piece.
    pub aim: Aim,
    /// What they are doing.
    pub doing: Doing,
    /// The health cautions were read and accepted.
    pub cautions_read: bool,
    /// What is linked.
    pub machine: Option<String>,
    /// How far off their countdown may be, at worst.
    pub clock_bound_ms: Option<Millis>,
    /// Heart rate is passed on.
    pub heart_rate: bool,
    /// How the name appears on boards; what boards are sent already follows it.
    #[serde(default)]
    pub on_board: OnBoard,
    /// How they row today; told to the coach and to themselves.
    #[serde(default, skip_serializing_if = "Today::is_as_usual")]
    pub today: Today,
    /// What the coach is asked about the target before the current piece starts; for the coach alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub question: Option<Question>,
}

/// One piece of the session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PieceView {
    /// Which.
    pub piece: PieceNo,
    /// What is rowed.
    pub spec: PieceSpec,
    /// How far it is.
    pub phase: Phase,
    /// Results so far; for an athlete only their own.
    pub results: Vec<AthleteResult>,
    /// What the teams made of it, best first; empty until it is over, without teams, and for athletes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub teams: Vec<TeamLine>,
    /// What coaches have ruled about it, once it is over.
    #[serde(default, skip_serializing_if = "Rulings::is_empty")]
    pub rulings: Rulings,
}

/// A focus call that one athlete has running.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RunningCall {
    /// Which.
    pub call: CallId,
    /// The words.
    pub text: CallText,
    /// How long it stands.
    pub span: Span,
    /// When it went out.
    pub sent_at_ms: At,
    /// Strokes left, if it counts strokes.
    pub strokes_left: Option<u16>,
}

/// What only the coach sees of an athlete besides the standings; newest values only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Detail {
    /// Who.
    pub athlete: AthleteId,
    /// Work done by now; the lines of the standings stand for a while.
    #[serde(default)]
    pub done_dm: Decimetres,
    /// Work time gone by now.
    #[serde(default)]
    pub elapsed_ms: Millis,
    /// Pace of the stretch just rowed, milliseconds per 500 m.
    pub pace_per_500m_ms: Option<Millis>,
    /// Pace that their own plan asks for here; `None` without a target.
    #[serde(default)]
    pub plan_per_500m_ms: Option<Millis>,
    /// Rate.
    pub rate_half_spm: Option<HalfSpm>,
    /// Heart rate, with consent.
    pub heart_bpm: Option<Bpm>,
    /// The focus call that stands.
    pub call: Option<CallId>,
    /// Its strokes left.
    pub call_strokes_left: Option<u16>,
}

/// State of the session for the coach; the newest replaces the unread.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Overview {
    /// Who stands where.
    pub standings: Standings,
    /// What else is known of each, in the same order.
    pub details: Vec<Detail>,
    /// Who needs a word, most urgent first.
    pub notices: Vec<Notice>,
}
