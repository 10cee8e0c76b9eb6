//! Who is who: identities are UUIDs, the join code is for people.

use std::{cmp::Ordering, fmt};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        /// The order of the bytes, compared as one number: somebody looked for among thousands is found
        /// sooner.
        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering {
                self.0.as_u128().cmp(&other.0.as_u128())
            }
        }

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
                Some(self.cmp(other))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id! {
    /// One gathering under one join code.
    SessionId
}
id! {
    /// One athlete of one session.
    AthleteId
}
id! {
    /// One recording by one device of one athlete; a new one begins when the old one's samples are gone.
    RunId
}
id! {
    /// One device, across its lost connections and, on a page, its reloads.
    DeviceId
}
id! {
    /// One order of a coach, so that saying it twice does it once.
    CommandId
}
/// What a session says of somebody beyond it.
pub use crate::club::PersonId;

id! {
    /// One coach of the club, across sessions.
    CoachId
}
id! {
    /// One request by somebody to be let in under a name.
    RequestId
}
id! {
    /// One focus call, however many athletes got it.
    CallId
}

impl CallId {
    /// The identity of a call that comes from entry `entry` of a piece's call sheet: the same for all
    /// athletes and after every replay (RFC 9562 version 8, "call sheet" in its first bytes).
    #[must_use]
    pub fn of_sheet(piece: PieceNo, entry: u16) -> CallId {
        const SHEET: u128 = 0x6361_6c6c_2073_8865_8574_0000_0000_0000;
        CallId(Uuid::from_u128(SHEET | u128::from(piece.0) << 16 | u128::from(entry)))
    }
}

/// Which piece of the session, counted from 0 in the order in which they are rowed.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct PieceNo(pub u16);

/// Number of an event within its session: 1, 2, 3 …; a client that comes back names the last it has.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct EventNo(pub u64);

/// Consonants of join codes: none that sounds like another in most languages (C, Q, X, Y are left out).
const CONSONANTS: &[u8; 16] = b"BDFHJKLMNPRSTVWZ";
/// Vowels of join codes.
const VOWELS: &[u8; 5] = b"AEIOU";

/// How long a join code is. Each syllable is one of 80: a consonant and a vowel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Syllables {
    /// 80 to the power of 4 = 40,960,000 codes: for a server of its own.
    #[default]
    Four,
    /// 80 to the power of 6 = 2.6 x 10^11 codes: for the many sessions of a store that several servers share.
    Six,
}

impl Syllables {
    fn count(self) -> usize {
        match self {
            Syllables::Four => 4,
            Syllables::Six => 6,
        }
    }
}

/// The short word under which a session is joined, four syllables such as `KAMU RETA`, or six.
///
/// It can be said across a noisy room: consonants and vowels alternate, so each position says which of the two it
/// is. Reading accepts lower case, spaces and hyphens, and takes digits and letters that are not used for those
/// that look or sound like them.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct JoinCode(String);

impl JoinCode {
    /// The code of four syllables that belongs to a random number; every code is as likely as every other.
    #[must_use]
    pub fn from_random(random: u64) -> JoinCode {
        JoinCode::drawn(random, Syllables::Four)
    }

    /// The code of this many syllables that belongs to a random number; every code is as likely as every other.
    #[must_use]
    pub fn drawn(random: u64, syllables: Syllables) -> JoinCode {
        let mut left = random;
        let mut text = String::with_capacity(2 * syllables.count());
        for _ in 0..syllables.count() {
            for letters in [&CONSONANTS[..], &VOWELS[..]] {
                let size = letters.len() as u64;
                let at = usize::try_from(left % size).unwrap_or(0);
                left /= size;
                text.push(char::from(letters.get(at).copied().unwrap_or(b'A')));
            }
        }
        JoinCode(text)
    }

    /// Reads what a person typed or said; `None` when it cannot be a join code.
    ///
    /// ```
    /// use thole_protocol::ids::JoinCode;
    /// assert_eq!(JoinCode::read("kamu reta"), JoinCode::read("KAMU-RETA"));
    /// assert_eq!(JoinCode::read("S0LI BEDA"), JoinCode::read("5OL1 8EDA"), "no code has a digit");
    /// assert_eq!(JoinCode::read("boat"), None);
    /// ```
    #[must_use]
    pub fn read(typed: &str) -> Option<JoinCode> {
        let plain = typed.chars().filter(|c| !c.is_whitespace() && *c != '-');
        // Anything longer than the longest code is not a code, however long it is.
        let letters: Vec<char> = plain.take(2 * Syllables::Six.count() + 1).collect();
        if ![Syllables::Four, Syllables::Six].iter().any(|of| letters.len() == 2 * of.count()) {
            return None;
        }
        let meant = |(at, typed): (usize, &char)| {
            let (meant, letters) = if at.is_multiple_of(2) {
                (consonant(*typed), &CONSONANTS[..])
            } else {
                (vowel(*typed), &VOWELS[..])
            };
            u8::try_from(meant).ok().filter(|byte| letters.contains(byte)).map(char::from)
        };
        letters.iter().enumerate().map(meant).collect::<Option<String>>().map(JoinCode)
    }

    /// The eight or twelve letters without a gap, as in links.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// The consonant that was meant, in a position that needs one.
fn consonant(typed: char) -> char {
    match typed.to_ascii_uppercase() {
        '1' | 'I' => 'L',
        '2' => 'Z',
        '5' => 'S',
        '8' => 'B',
        'C' | 'Q' => 'K',
        other => other,
    }
}

/// The vowel that was meant, in a position that needs one.
fn vowel(typed: char) -> char {
    match typed.to_ascii_uppercase() {
        '1' | 'L' | 'Y' => 'I',
        '0' | 'Q' => 'O',
        other => other,
    }
}

/// In words of two syllables, as it is said.
impl fmt::Display for JoinCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, letter) in self.0.chars().enumerate() {
            if at > 0 && at.is_multiple_of(4) {
                f.write_str(" ")?;
            }
            write!(f, "{letter}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_syllable_is_drawn_and_every_code_is_read_again() {
        let mut drawn = BTreeSet::new();
        for random in 0..80_u64 {
            let code = JoinCode::from_random(random);
            drawn.insert(code.as_str()[..2].to_owned());
            assert_eq!(JoinCode::read(&code.to_string()), Some(code));
        }
        assert_eq!(drawn.len(), 80, "80 to the power of 4 is 40,960,000");
        // The first and the last, and none after it.
        let last = 80_u64.pow(4) - 1;
        assert_eq!(JoinCode::from_random(last).to_string(), "ZUZU ZUZU");
        assert_eq!(JoinCode::from_random(last + 1).to_string(), "BABA BABA");
        let six = JoinCode::drawn(80_u64.pow(6) - 1, Syllables::Six);
        assert_eq!(
            (six.to_string().as_str(), JoinCode::read("zuzu zuzu-zuzu")),
            ("ZUZU ZUZU ZUZU", Some(six))
        );
    }

    /// Older codes: ten consonants and three vowels.
    #[test]
    fn codes_that_were_given_out_before_are_read_as_they_were() {
        for consonant in "FHJKMNRTVW".chars() {
            for vowel in "AEU".chars() {
                let code = format!("{consonant}{vowel}").repeat(4);
                assert_eq!(JoinCode::read(&code).unwrap().as_str(), code);
            }
        }
    }

    #[test]
    fn what_is_misread_or_misheard_is_still_the_code_that_was_meant() {
        for (typed, meant) in
            [("2OB1 5ELU", "ZOBI SELU"), ("camu qeta", "KAMU KETA"), ("1ami b0ly", "LAMI BOLI")]
        {
            assert_eq!(JoinCode::read(typed).unwrap().as_str(), meant.replace(' ', ""));
        }
        for wrong in [
            "",
            "KAMU",
            "KAMU RETA BO",
            "AKAM ERUT",
            "KAMU RET\u{c4}",
            "XAMU RETA",
            "KAMURETAKAMURETA",
        ] {
            assert_eq!(JoinCode::read(wrong), None, "{wrong}");
        }
    }
}
