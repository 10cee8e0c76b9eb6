//! Devices of the hall: each lies by a machine and is nobody's, shows tonight's list, and takes a seat for one session.

use serde::{Deserialize, Serialize};

use super::KeyId;
use crate::ids::{JoinCode, SessionId};

/// A device of the hall that is to be added.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewHallDevice {
    /// As people call it, such as `Machine 3`; no two are called alike.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub called: String,
}

/// A device of the hall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallDevice {
    /// Which.
    pub device: KeyId,
    /// As people call it.
    pub called: String,
    /// When it was last here, to the hour; `None` while no device has used its card.
    pub last_unix_ms: Option<u64>,
    /// A device has used its card, and has a key.
    pub is_let_in: bool,
}

/// The devices of the hall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallDevices {
    /// By their names.
    pub devices: Vec<HallDevice>,
}

/// A device of the hall that was added, with the card by which one device gets its key, once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallCard {
    /// Which.
    pub device: HallDevice,
    /// What is on the card, behind the # of its link; shown this once.
    pub secret: String,
    /// The last instant at which it can be used.
    pub until_unix_ms: u64,
}

/// A name of tonight's list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallSeat {
    /// As the list has it.
    pub name: String,
    /// Whether a device of the hall may take the seat: nobody is in it with a device of their own, and nobody is heard in it.
    pub is_free: bool,
}

/// A session of tonight with its list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallSession {
    /// Which.
    pub session: SessionId,
    /// What `join` says.
    pub code: JoinCode,
    /// What people call it; may be empty.
    pub title: String,
    /// In the order of their names.
    pub seats: Vec<HallSeat>,
}

/// Sessions of tonight, for a device of the hall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HallSessions {
    /// What the device itself is called.
    pub called: String,
    /// Newest first.
    pub sessions: Vec<HallSession>,
}
