//! Identities that last beyond a session.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

macro_rules! lasting_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl FromStr for $name {
            type Err = uuid::Error;

            fn from_str(text: &str) -> Result<$name, uuid::Error> {
                Uuid::try_parse(text).map($name)
            }
        }
    };
}

lasting_id! {
    /// Everybody and everything that one server keeps, or one tenant of several.
    ClubId
}
lasting_id! {
    /// Somebody who rows or coaches, across sessions; random, and known by nothing else.
    PersonId
}
lasting_id! {
    /// One result. That of a piece follows from session, piece and seat, so that it is the same however often results are made.
    ResultId
}
lasting_id! {
    /// People who come on the same days.
    GroupId
}
lasting_id! {
    /// What a coach has written down.
    NoteId
}
lasting_id! {
    /// A key of one device or coach, or a card; random, and no part of what opens.
    KeyId
}
