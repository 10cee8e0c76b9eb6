//! What all the work of a piece comes to, and how far that is from a target or from the truth.

use serde::{Deserialize, Serialize};

use crate::{
    spec::Target,
    units::{Decimetres, Millis, Ppm},
};

/// The time of all the work of a piece by distance, or the distance of all the work of a piece by time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "want", rename_all = "snake_case")]
pub enum Total {
    /// In a piece by distance.
    #[serde(rename = "finish")]
    Time {
        /// Time of all the work.
        finish_ms: Millis,
    },
    /// In a piece by time.
    Distance {
        /// Distance of all the work.
        distance_dm: Decimetres,
    },
}

impl Total {
    /// In seconds or metres.
    #[must_use]
    pub fn amount(self) -> f64 {
        match self {
            Total::Time { finish_ms } => f64::from(finish_ms.0) / 1e3,
            Total::Distance { distance_dm } => f64::from(distance_dm.0) / 1e1,
        }
    }
}

impl From<Total> for Target {
    fn from(total: Total) -> Target {
        match total {
            Total::Time { finish_ms } => Target::Finish { finish_ms },
            Total::Distance { distance_dm } => Target::Distance { distance_dm },
        }
    }
}

/// Projected or final result against their own target; plus is ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(try_from = "MarginFields", into = "MarginFields")]
pub struct Margin {
    /// Millionths of the target.
    pub margin_ppm: Ppm,
    /// The same in the unit of the piece.
    pub gap: Gap,
}

/// How far apart two totals of one piece are; plus is ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gap {
    /// Milliseconds, in a piece by distance.
    Time(i64),
    /// Decimetres, in a piece by time.
    Distance(i64),
}

impl Gap {
    /// Milliseconds or decimetres.
    #[must_use]
    pub fn amount(self) -> i64 {
        let (Gap::Time(amount) | Gap::Distance(amount)) = self;
        amount
    }

    /// Milliseconds; `None` in a piece by time.
    #[must_use]
    pub fn ms(self) -> Option<i64> {
        match self {
            Gap::Time(ms) => Some(ms),
            Gap::Distance(_) => None,
        }
    }

    /// Decimetres; `None` in a piece by distance.
    #[must_use]
    pub fn dm(self) -> Option<i64> {
        match self {
            Gap::Distance(dm) => Some(dm),
            Gap::Time(_) => None,
        }
    }

    /// The same unit, a different amount.
    #[must_use]
    pub fn with(self, amount: i64) -> Gap {
        match self {
            Gap::Time(_) => Gap::Time(amount),
            Gap::Distance(_) => Gap::Distance(amount),
        }
    }
}

/// Projected or final result against their own target; plus is ahead.
// As it crosses the socket: one field per unit.
#[derive(Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(feature = "schema", schemars(rename = "Margin"))]
struct MarginFields {
    /// Millionths of the target.
    margin_ppm: Ppm,
    /// Milliseconds, for pieces by distance.
    #[serde(default)]
    margin_ms: Option<i64>,
    /// Decimetres, for pieces by time.
    #[serde(default)]
    margin_dm: Option<i64>,
}

impl From<Margin> for MarginFields {
    fn from(Margin { margin_ppm, gap }: Margin) -> MarginFields {
        MarginFields { margin_ppm, margin_ms: gap.ms(), margin_dm: gap.dm() }
    }
}

impl TryFrom<MarginFields> for Margin {
    type Error = &'static str;

    fn try_from(fields: MarginFields) -> Result<Margin, &'static str> {
        let gap = match (fields.margin_ms, fields.margin_dm) {
            (Some(ms), None) => Gap::Time(ms),
            (None, Some(dm)) => Gap::Distance(dm),
            (Some(_), Some(_)) | (None, None) => {
                return Err("a margin has either margin_ms or margin_dm");
            }
        };
        Ok(Margin { margin_ppm: fields.margin_ppm, gap })
    }
}

/// How sure a result is: the truth is no further away than this.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(try_from = "CertaintyFields", into = "CertaintyFields")]
pub enum Certainty {
    /// Nothing is said: for athletes who have not rowed to the end.
    Unsaid,
    /// For a time, in a piece by distance.
    Time(Millis),
    /// For a distance, in a piece by time.
    Distance(Decimetres),
}

/// A certainty as it crosses the socket: one field per unit, among those of the result.
#[derive(Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct CertaintyFields {
    /// How sure `time_ms` is (pieces by distance): the truth is no further away than this. At least half the gap between the
    /// two samples around the finish; in an interval piece, for all repeats together. `None` for athletes who have not rowed
    /// to the end, and in a piece by time. Parts that were joined (`joined`) may lack what was rowed between them.
    sure_ms: Option<Millis>,
    /// The same for `distance_dm` (pieces by time); `None` in a piece by distance.
    sure_dm: Option<Decimetres>,
}

impl Certainty {
    /// For a time; `None` for a distance, and where nothing is said.
    #[must_use]
    pub fn ms(self) -> Option<Millis> {
        match self {
            Certainty::Time(ms) => Some(ms),
            Certainty::Distance(_) | Certainty::Unsaid => None,
        }
    }

    /// For a distance; `None` for a time, and where nothing is said.
    #[must_use]
    pub fn dm(self) -> Option<Decimetres> {
        match self {
            Certainty::Distance(dm) => Some(dm),
            Certainty::Time(_) | Certainty::Unsaid => None,
        }
    }
}

impl From<Certainty> for CertaintyFields {
    fn from(sure: Certainty) -> CertaintyFields {
        CertaintyFields { sure_ms: sure.ms(), sure_dm: sure.dm() }
    }
}

impl TryFrom<CertaintyFields> for Certainty {
    type Error = &'static str;

    fn try_from(fields: CertaintyFields) -> Result<Certainty, &'static str> {
        match (fields.sure_ms, fields.sure_dm) {
            (None, None) => Ok(Certainty::Unsaid),
            (Some(ms), None) => Ok(Certainty::Time(ms)),
            (None, Some(dm)) => Ok(Certainty::Distance(dm)),
            (Some(_), Some(_)) => Err("a result has either sure_ms or sure_dm"),
        }
    }
}
