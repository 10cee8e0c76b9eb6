//! Who a club knows, and the club itself.

use thole_piece::{limits, name};
pub use thole_protocol::club::{ClubId, Person, PersonId};

use crate::day::Zone;

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
