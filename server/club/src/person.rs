//! Who a club knows, and the club itself.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thole_piece::{limits, name};
use uuid::Uuid;

use crate::day::Zone;

macro_rules! lasting_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
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
pub(crate) use lasting_id;

lasting_id! {
    /// Everybody and everything that one server keeps, or one tenant of several.
    ClubId
}
lasting_id! {
    /// Somebody who rows or coaches, across sessions; random, and known by nothing else.
    PersonId
}

/// What holds for all of a club.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Club {
    /// Which.
    pub club: ClubId,
    /// What people call it; may be empty.
    pub name: String,
    /// What its days go by.
    pub zone: Zone,
}

/// Somebody across sessions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// Who.
    pub person: PersonId,
    /// As the club calls them.
    pub called: String,
    /// For those whose age a plan has to heed.
    pub born_year: Option<u16>,
    /// Of somebody who was in the club twice: who they are now.
    pub merged_into: Option<PersonId>,
}

/// A name as it is kept, without spaces around it; the rules are those of a roster, so that whoever is in the club can be in a
/// session.
///
/// # Errors
/// One sentence: what is wrong with it.
pub fn checked_name(name: &str) -> Result<String, String> {
    let trimmed = name.trim();
    limits::check_name(trimmed)
        .and_then(|()| name::check(trimmed))
        .map_err(|refusal| refusal.says)?;
    Ok(trimmed.to_owned())
}

/// What a name is looked for by: two that differ in this alone are the same to whoever types them.
#[must_use]
pub fn folded(name: &str) -> String {
    name::folded(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_person_may_be_called_what_a_roster_takes() {
        assert_eq!(checked_name("  Ana Lima ").unwrap(), "Ana Lima");
        assert_eq!(folded(" ANA  lima"), folded("Ana Lima"));
        for wrong in ["", "   ", "two\nlines", "\u{202e}ana", &"a".repeat(41)] {
            assert!(checked_name(wrong).is_err(), "{wrong:?}");
        }
    }
}
