//! What people set up before and during a session: pieces, targets, plans, calls, settings.
//!
//! Plain data as it crosses the socket and is kept in the journal; whether it makes sense is judged by the
//! core (`thole-piece`). Fields and variants are only ever added.

use serde::{Deserialize, Serialize};

use crate::{
    ids::{AthleteId, CallId},
    units::{Bpm, Decimetres, Millis},
};

/// How long one stretch of work is: by distance or by time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Extent {
    /// A fixed distance; the result is a time.
    Distance {
        /// Length of the work.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::DISTANCE.start(), "maximum" = crate::limits::DISTANCE.end())))]
        distance_dm: Decimetres,
    },
    /// A fixed time; the result is a distance.
    Time {
        /// Length of the work.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::TIME.start(), "maximum" = crate::limits::TIME.end())))]
        time_ms: Millis,
    },
}

/// One stretch of work and the rest after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Repeat {
    /// The work.
    pub work: Extent,
    /// Rest after it; after the last repeat it is ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("maximum" = crate::limits::REST.end())))]
    pub rest_ms: Millis,
}

/// Where the clock of a piece begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum StartClock {
    /// At the common go, for everybody.
    #[default]
    CommonGo,
    /// At each athlete's own first stroke after the go.
    OwnFirstStroke,
}

/// When the next repeat of an interval piece begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum RepeatStart {
    /// On a signal for everybody: the rest counts from the last athlete who is still rowing.
    #[default]
    CommonSignal,
    /// For each athlete when their own rest is over.
    OwnRest,
}

/// One timed effort of a session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PieceSpec {
    /// What the coach calls it; may be empty.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::TITLE_MAX)))]
    pub title: String,
    /// The work, one entry a repeat; all by distance or all by time.
    #[cfg_attr(feature = "schema", schemars(extend("minItems" = crate::limits::REPEATS.start(), "maxItems" = crate::limits::REPEATS.end())))]
    pub repeats: Vec<Repeat>,
    /// Where the clock begins.
    #[serde(default)]
    pub clock: StartClock,
    /// When later repeats begin.
    #[serde(default)]
    pub repeat_start: RepeatStart,
    /// Length of the countdown before the go.
    #[serde(default = "PieceSpec::default_count")]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::COUNT.start(), "maximum" = crate::limits::COUNT.end())))]
    pub count_ms: Millis,
    /// Focus calls prepared for points of the piece.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::CALL_SHEET_MAX)))]
    pub call_sheet: Vec<SheetCall>,
}

impl PieceSpec {
    /// The shortest countdown.
    pub const COUNT_MIN: Millis = *crate::limits::COUNT.start();
    /// The longest.
    pub const COUNT_MAX: Millis = *crate::limits::COUNT.end();

    /// Ten seconds: enough to put the phone down and take the handle.
    #[must_use]
    pub fn default_count() -> Millis {
        Millis(10_000)
    }

    /// A piece of these repeats with every setting at its default.
    #[must_use]
    pub fn of(repeats: Vec<Repeat>) -> PieceSpec {
        PieceSpec {
            title: String::new(),
            repeats,
            clock: StartClock::default(),
            repeat_start: RepeatStart::default(),
            count_ms: PieceSpec::default_count(),
            call_sheet: Vec::new(),
        }
    }
}

/// What one athlete wants from a piece; in an interval piece, from all its work together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "want", rename_all = "snake_case")]
pub enum Target {
    /// A finish time, for pieces by distance.
    Finish {
        /// Time of all the work.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::limits::DAY)))]
        finish_ms: Millis,
    },
    /// A distance, for pieces by time.
    Distance {
        /// Distance of all the work.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1)))]
        distance_dm: Decimetres,
    },
    /// A mean pace, for any piece.
    Pace {
        /// Milliseconds per 500 m.
        per_500m_ms: Millis,
    },
}

/// One leg of a plan that a coach has typed: this much of the piece at that pace.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Leg {
    /// How much of the work; the legs together are all of it.
    pub length: Extent,
    /// Milliseconds per 500 m. Without a target the legs make it; if they do not come to the target, they are scaled
    /// together so that they add up to it exactly, and the coach is asked (`question`).
    pub per_500m_ms: Millis,
}

/// How an athlete means to reach the target.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "profile", rename_all = "snake_case")]
pub enum Plan {
    /// One speed throughout.
    #[default]
    Even,
    /// The published profile of elite ergometer rowers (Garland 2005): quick, settled, a lift at the end.
    FastStart,
    /// Slower than the mean at first, faster at the end.
    NegativeSplit,
    /// Legs typed by the coach.
    Legs {
        /// In the order they are rowed.
        #[cfg_attr(feature = "schema", schemars(extend("minItems" = crate::limits::LEGS.start(), "maxItems" = crate::limits::LEGS.end())))]
        legs: Vec<Leg>,
    },
    /// Twenty relative speeds, one for each 5 % of the work.
    Speeds {
        /// Millionths of the mean speed, any scale; exactly twenty.
        #[cfg_attr(feature = "schema", schemars(extend("minItems" = crate::limits::SPEEDS, "maxItems" = crate::limits::SPEEDS)))]
        speeds_ppm: Vec<u32>,
    },
}

/// What the standings are ordered and shown by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Ranking {
    /// Margin as a share of their own target: a nine-minute rower can lead.
    #[default]
    Share,
    /// Margin in seconds (pieces by distance) or metres (pieces by time).
    Amount,
}

/// Who of those that type the join code gets a seat without being let in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Joining {
    /// Anybody with a new name, as a guest; for a name on the roster the coach is asked.
    #[default]
    Guests,
    /// Nobody: the coach is asked for new names, too.
    Asked,
    /// As `guests`: a name that is only typed opens no seat of the roster. Sessions of earlier builds have it.
    Trusted,
}

/// Settings of a session that its coach may change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SessionSettings {
    /// What standings are ordered by.
    #[serde(default)]
    pub ranking: Ranking,
    /// How many members of each team count; 0 = as many as the smallest team has ranked.
    #[serde(default)]
    pub team_best: u16,
    /// How long a focus call can be taken back before it goes out.
    #[serde(default = "SessionSettings::default_grace")]
    #[cfg_attr(feature = "schema", schemars(extend("maximum" = crate::limits::GRACE_MAX)))]
    pub grace_ms: Millis,
    /// Who may join with the code without being let in.
    #[serde(default)]
    pub joining: Joining,
}

impl SessionSettings {
    /// Two seconds to take a call back.
    #[must_use]
    pub fn default_grace() -> Millis {
        Millis(2_000)
    }
}

impl Default for SessionSettings {
    fn default() -> Self {
        SessionSettings {
            ranking: Ranking::default(),
            team_best: 0,
            grace_ms: SessionSettings::default_grace(),
            joining: Joining::default(),
        }
    }
}

/// What the coach knows of one athlete.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AthleteSpec {
    /// As everybody in the session knows them, 1 to 40 characters.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub name: String,
    /// Team, if any, 1 to 40 characters.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub team: Option<String>,
    /// Heart rate at which the coach wants to be told; needs the athlete's consent to heart rate.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::HEART_LIMIT_BPM.start(), "maximum" = crate::limits::HEART_LIMIT_BPM.end())))]
    pub heart_limit_bpm: Option<Bpm>,
}

/// How an athlete's name appears on boards, as the athlete wants it; the coach sees all of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum OnBoard {
    /// In full.
    #[default]
    Name,
    /// Without the last name, except for its first letter.
    Short,
    /// Not at all: boards say that somebody is rowing here.
    Hidden,
}

/// How an athlete rows today, in their own word; it stands until they say another, and nobody asks why.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Today {
    /// Like everybody else.
    #[default]
    AsUsual,
    /// Out of competition: without a target and a place, and nobody pushes them.
    Easy,
    /// Not at all: nobody waits for them. Whoever rows all the same rows as with `easy`.
    #[serde(rename = "not_today")]
    Not,
}

impl Today {
    /// Whether it is what holds of those who have said nothing.
    #[must_use]
    pub fn is_as_usual(&self) -> bool {
        *self == Today::AsUsual
    }
}

/// One past result of the same piece, for the projection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PastResult {
    /// How many days ago.
    pub days_ago: u32,
    /// Time of all the work (pieces by distance) or distance of it (pieces by time).
    pub result: Target,
}

/// What one athlete is to row one piece by.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Aim {
    /// Their own target; without one the athlete is listed but not ranked.
    #[serde(default)]
    pub target: Option<Target>,
    /// How they mean to reach it.
    #[serde(default)]
    pub plan: Plan,
    /// Past results of the same piece, newest first; may be empty.
    #[serde(default)]
    pub history: Vec<PastResult>,
}

/// The words of a focus call.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CallText {
    /// Shown large: at most 3 words and 18 characters.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::CALL_SHOWN_MAX)))]
    pub shown: String,
    /// One longer sentence to be spoken; may be empty. At most 120 characters.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::CALL_SPOKEN_MAX)))]
    pub spoken: String,
}

/// Whom a focus call is for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "whom", rename_all = "snake_case")]
pub enum Audience {
    /// Everybody who is rowing.
    All,
    /// The members of one team.
    Team {
        /// Its name.
        #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
        team: String,
    },
    /// Those whose projection is behind their target at the moment the call goes out.
    Behind,
    /// Athletes that the coach has picked.
    Picked {
        /// Who.
        #[cfg_attr(feature = "schema", schemars(extend("minItems" = 1)))]
        athletes: Vec<AthleteId>,
    },
}

/// How long a focus call stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "until", rename_all = "snake_case")]
pub enum Span {
    /// For this many of each athlete's own strokes, 1 to 200.
    Strokes {
        /// How many.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::CALL_STROKES.start(), "maximum" = crate::limits::CALL_STROKES.end())))]
        strokes: u16,
    },
    /// Until the next call.
    Next,
    /// For a time, at most an hour.
    Time {
        /// How long.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::CALL_TIME.start(), "maximum" = crate::limits::CALL_TIME.end())))]
        time_ms: Millis,
    },
}

/// A point of the piece that an athlete reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "point", rename_all = "snake_case")]
pub enum Point {
    /// This much of the work is done.
    DistanceDone {
        /// From the start.
        distance_dm: Decimetres,
    },
    /// This much of the work is left (pieces by distance).
    DistanceToGo {
        /// To the finish.
        distance_dm: Decimetres,
    },
    /// This much work time has gone by.
    Elapsed {
        /// From the start, rests cut out.
        time_ms: Millis,
    },
    /// The athlete's own stroke of this number.
    Stroke {
        /// 1 is the first.
        #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::limits::STROKE_NUMBER_MAX)))]
        number: u32,
    },
}

/// A focus call prepared for a point of the piece; each athlete gets it once, on reaching the point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SheetCall {
    /// Where.
    pub at: Point,
    /// The words.
    pub text: CallText,
    /// For whom; `behind` is judged for each athlete at that point.
    #[serde(default = "SheetCall::for_all")]
    pub audience: Audience,
    /// How long it stands.
    pub span: Span,
}

impl SheetCall {
    fn for_all() -> Audience {
        Audience::All
    }
}

/// A focus call as its coach sends it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CallSpec {
    /// Made by the coach's device.
    pub call: CallId,
    /// The words.
    pub text: CallText,
    /// For whom.
    pub audience: Audience,
    /// How long it stands.
    pub span: Span,
    /// How long it can be taken back before it goes out; if absent, the session's setting applies.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schemars(extend("maximum" = crate::limits::GRACE_MAX)))]
    pub grace_ms: Option<Millis>,
}

/// One athlete as a coach adds them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RosterEntry {
    /// Name, team, limits.
    pub spec: AthleteSpec,
    /// For the pieces in order, as far as known.
    #[serde(default)]
    pub aims: Vec<Aim>,
}
