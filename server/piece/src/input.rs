//! All that can happen to a session. This is the journal's format: add variants and fields, never
//! change or remove one.

use serde::{Deserialize, Serialize};
use thole_protocol::{
    ids::{AthleteId, CommandId, DeviceId, PersonId, PieceNo, RunId},
    order::{GivenBy, Order},
    sample::{Reading, Sample},
    spec::{Aim, OnBoard, RosterEntry, SessionSettings, Today},
    units::{At, Millis},
};

use crate::{
    projection::{Count, ModelFile},
    settled::Settled,
};

/// One thing that happened. Raw, as it was said: whether it makes sense is judged when it is applied, in the
/// same way every time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "input", rename_all = "snake_case")]
pub enum Input {
    /// The first input of every session.
    Created {
        /// What people call it.
        title: String,
        /// Its settings.
        settings: SessionSettings,
        /// Which coach of the club made it; `None` when that was by the machine's key, or on a server that is open to all.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<GivenBy>,
    },
    /// Names are checked and compared by how they look; a session from before this existed goes on comparing them
    /// by spelling alone.
    NamesBySight,
    /// The model that projects finishes from the next piece on, and what is known of how good it is.
    Projecting {
        /// The whole model, so that the session can be recomputed with it.
        model: Box<ModelFile>,
        /// The share of misses that the intervals aim at, in millionths (`projection::Width`).
        aim_ppm: u32,
        /// How projections have turned out on this server so far.
        so_far: Count,
    },
    /// The coach adds athletes.
    AthletesAdded {
        /// The coach's order.
        command: CommandId,
        /// Who, with the identities that the shell has made for them.
        athletes: Vec<(AthleteId, RosterEntry)>,
    },
    /// Somebody joins with the code: a new athlete, or somebody who claims a name on the roster.
    Joined {
        /// Who; somebody new when no athlete in the roster has this id.
        athlete: AthleteId,
        /// As typed.
        name: String,
        /// What their device is known by when it says the same again, as a hash; `None` if it said nothing.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        join: Option<String>,
    },
    /// The coach lets in somebody who asked.
    LetIn {
        /// The coach's order.
        command: CommandId,
        /// Who; somebody new when no athlete in the roster has this id.
        athlete: AthleteId,
        /// As typed by whoever asked.
        name: String,
        /// What their device is known by when it says the same again, as a hash.
        join: String,
    },
    /// Somebody has a new secret.
    Renewed {
        /// The coach's order.
        command: CommandId,
        /// Whose.
        whose: Whose,
    },
    /// A device of the coach has come in with the newest secret: no other opens anything any more.
    CoachLinkUsed,
    /// A second device has come to an athlete's seat while the first was still heard.
    SecondDevice {
        /// Whose.
        athlete: AthleteId,
    },
    /// An athlete's device is connected and heard.
    Heard {
        /// Whose.
        athlete: AthleteId,
    },
    /// Nothing was heard from an athlete's device for a while, or its connection ended.
    NotHeard {
        /// Whose.
        athlete: AthleteId,
        /// When it was heard last.
        since: At,
    },
    /// The server was started again: no device is connected at this instant.
    Reopened,
    /// A batch of samples.
    Samples {
        /// Whose.
        athlete: AthleteId,
        /// Which recording.
        run: RunId,
        /// In any order.
        samples: Vec<Sample>,
    },
    /// Samples that an athlete's device no longer has.
    Skipped {
        /// Whose.
        athlete: AthleteId,
        /// Which recording.
        run: RunId,
        /// First missing number.
        from_seq: u32,
        /// Last missing number.
        to_seq: u32,
    },
    /// Heart rate; a kind of its own, so that it can be erased.
    HeartRate {
        /// Whose.
        athlete: AthleteId,
        /// In any order.
        readings: Vec<Reading>,
    },
    /// Consent to heart rate, given or taken back.
    Consent {
        /// Whose.
        athlete: AthleteId,
        /// Whether it may be passed on to the coach.
        heart_rate: bool,
        /// Version of the wording that was read.
        wording: u16,
    },
    /// What an athlete has ready.
    Ready {
        /// Whose.
        athlete: AthleteId,
        /// The health cautions were read and accepted.
        cautions_read: bool,
        /// What machine is linked.
        machine: Option<String>,
        /// How far off the countdown may be on that device, at worst.
        clock_bound_ms: Option<Millis>,
        /// How their own name appears on boards; `None` leaves it as it was.
        #[serde(default)]
        on_board: Option<OnBoard>,
        /// How they row today; `None` leaves it as it was.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        today: Option<Today>,
    },
    /// An athlete's own target for a piece that has not begun.
    Aimed {
        /// Whose.
        athlete: AthleteId,
        /// Which piece.
        piece: PieceNo,
        /// What they aim at.
        aim: Aim,
    },
    /// An athlete stops rowing this piece.
    StopRowing {
        /// Who.
        athlete: AthleteId,
    },
    /// An athlete goes on after having stopped.
    RowOn {
        /// Who.
        athlete: AthleteId,
    },
    /// A different device of the coach leads from now on: it has given an order, or has taken command.
    TookCommand {
        /// As it named itself in its hello.
        device: DeviceId,
        /// Which coach of the club it came by; `None` of whoever came by the session's coach link.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<GivenBy>,
    },
    /// An order of the coach.
    Ordered {
        /// May be said twice; is done once.
        command: CommandId,
        /// What to do.
        order: Order,
        /// Which coach of the club gave it; `None` for whoever came by the session's coach link.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<GivenBy>,
    },
    /// The instant that `Session::deadline` named has come.
    Deadline,
    /// The session's clock was checked against devices that came back, after the machine had been switched off in the
    /// middle of a piece; this record is already on the clock as it is from then on.
    ClockSet {
        /// How far it was put forward; `None` when too few devices had the time to tell.
        by_ms: Option<i64>,
        /// How many people's devices told the time.
        devices: u8,
    },
    /// Records before this one are not as they were written; found when the session was opened.
    Damaged(Damaged),
    /// Whose seat it is: its athlete has come with a key of a person of the club.
    CameByKey {
        /// Who came.
        athlete: AthleteId,
        /// As whom the club knows them.
        person: PersonId,
    },
    /// An athlete sits at a device of the hall, which takes their seat for now and had nobody else's any more.
    AtHall {
        /// Who.
        athlete: AthleteId,
        /// As the club knows the device.
        device: DeviceId,
    },
    /// The strokes of this session are kept no longer: from here on the records of its pieces are what they were. A journal
    /// says so in the place of the first one that it has let go.
    StrokesLetGo,
    /// How far an athlete's device was acknowledged, as it says on coming back: further than what is here, or far
    /// enough to show that nothing is missing.
    Acknowledged {
        /// Whose.
        athlete: AthleteId,
        /// Which recording.
        run: RunId,
        /// The last number.
        through_seq: u32,
    },
    /// What became of a piece, made by the core (`Session::to_settle`) and kept as it was made, under
    /// whatever build: from then on it is read and compared, never computed with.
    Settled {
        /// The record.
        settled: Box<Settled>,
    },
}

/// What the journal has lost, as far as anybody can tell.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Damaged {
    /// Position of the first record.
    pub from: u64,
    /// Position of the last; `WHOLE` when what is damaged is not a record.
    pub to: u64,
    /// They were written at this instant or later.
    pub since_ms: At,
    /// And at this one or earlier.
    pub until_ms: At,
    /// Whose they are; empty when that is not known, or when they belong to the session.
    pub whose: Vec<AthleteId>,
    /// They hold only strokes and heart rates.
    pub only_strokes: bool,
}

impl Damaged {
    /// The last position of what is not a record but is needed to read all of somebody's records.
    pub const WHOLE: u64 = (1 << 53) - 1;
}

/// Whose secret is being replaced.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "whose", rename_all = "snake_case")]
pub enum Whose {
    /// The coach's.
    Coach {
        /// Hash of what opens now.
        opens: String,
        /// The device that asked, which may use the old one until the new one has been used.
        device: Option<DeviceId>,
    },
    /// The boards'.
    Board,
    /// An athlete's.
    Athlete {
        /// Whose.
        athlete: AthleteId,
    },
}

impl Input {
    /// Whose input it is, so that one person's records can be found; `None` for those of the session.
    #[must_use]
    pub fn athlete(&self) -> Option<AthleteId> {
        match self {
            Input::Joined { athlete, .. }
            | Input::LetIn { athlete, .. }
            | Input::Renewed { whose: Whose::Athlete { athlete }, .. }
            | Input::SecondDevice { athlete }
            | Input::Heard { athlete }
            | Input::NotHeard { athlete, .. }
            | Input::Samples { athlete, .. }
            | Input::Skipped { athlete, .. }
            | Input::Acknowledged { athlete, .. }
            | Input::CameByKey { athlete, .. }
            | Input::AtHall { athlete, .. }
            | Input::HeartRate { athlete, .. }
            | Input::Consent { athlete, .. }
            | Input::Ready { athlete, .. }
            | Input::Aimed { athlete, .. }
            | Input::StopRowing { athlete }
            | Input::RowOn { athlete } => Some(*athlete),
            Input::Created { .. }
            | Input::Projecting { .. }
            | Input::NamesBySight
            | Input::AthletesAdded { .. }
            | Input::Renewed { whose: Whose::Coach { .. } | Whose::Board, .. }
            | Input::CoachLinkUsed
            | Input::Reopened
            | Input::TookCommand { .. }
            | Input::Ordered { .. }
            | Input::Deadline
            | Input::ClockSet { .. }
            | Input::Damaged(_)
            | Input::StrokesLetGo
            | Input::Settled { .. } => None,
        }
    }

    /// The kind as it stands in the journal's column.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Input::Created { .. } => "created",
            Input::NamesBySight => "names_by_sight",
            Input::Projecting { .. } => "projecting",
            Input::AthletesAdded { .. } => "athletes_added",
            Input::Joined { .. } => "joined",
            Input::LetIn { .. } => "let_in",
            Input::Renewed { .. } => "renewed",
            Input::CoachLinkUsed => "coach_link_used",
            Input::SecondDevice { .. } => "second_device",
            Input::Heard { .. } => "heard",
            Input::NotHeard { .. } => "not_heard",
            Input::Reopened => "reopened",
            Input::Samples { .. } => "samples",
            Input::Skipped { .. } => "skipped",
            Input::HeartRate { .. } => "heart_rate",
            Input::Consent { .. } => "consent",
            Input::Ready { .. } => "ready",
            Input::Aimed { .. } => "aimed",
            Input::StopRowing { .. } => "stop_rowing",
            Input::RowOn { .. } => "row_on",
            Input::TookCommand { .. } => "took_command",
            Input::Ordered { .. } => "ordered",
            Input::Deadline => "deadline",
            Input::ClockSet { .. } => "clock_set",
            Input::Settled { .. } => "settled",
            Input::Damaged(_) => "damaged",
            Input::StrokesLetGo => "strokes_let_go",
            Input::Acknowledged { .. } => "acknowledged",
            Input::CameByKey { .. } => "came_by_key",
            Input::AtHall { .. } => "at_hall",
        }
    }
}
