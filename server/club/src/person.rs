//! Who a club knows, and the club itself.

use std::ops::RangeInclusive;

use thole_piece::{limits, name};
pub use thole_protocol::club::{ClubId, Person, PersonId};

use crate::day::Zone;

/// Years in which somebody of a club may be born.
const BORN: RangeInclusive<u16> = 1900..=2200;

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

/// A year of birth as it is kept.
///
/// # Errors
/// One sentence: nobody of the club was born then.
pub fn checked_born_year(year: u16) -> Result<u16, String> {
    if BORN.contains(&year) {
        return Ok(year);
    }
    Err(format!("{year} is no year of birth: write it as 2009, or leave it out."))
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
        assert!(checked_born_year(1899).is_err() && checked_born_year(2201).is_err());
        assert_eq!(checked_born_year(2009), Ok(2009));
    }
}
