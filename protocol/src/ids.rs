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

        /// The order of the bytes, compared as one number: who is looked for among thousands is found sooner.
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
    /// One device of a coach, across its lost connections and, on a page, its reloads.
    DeviceId
}
id! {
    /// One order of a coach, so that saying it twice does it once.
    CommandId
}
id! {
    /// One focus call, also when many athletes got it.
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

/// Which piece of the session, counted from 0 in the order they are rowed.
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

/// Consonants of join codes: none that looks or sounds like another letter or a digit.
const CONSONANTS: &[u8] = b"FHJKMNRTVW";
/// Vowels of join codes: no I (1, L) and no O (0, Q).
const VOWELS: &[u8] = b"AEU";
/// Syllables in a join code: 30 to the power of 4 = 810,000 codes.
const SYLLABLES: usize = 4;

/// The short word under which a session is joined, four syllables such as `KAMU RETA`.
///
/// Made of letters that are neither mistaken for each other nor for digits, so that it can be said
/// across a noisy room. Reading accepts small letters, spaces and hyphens.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct JoinCode(String);

impl JoinCode {
    /// The code that belongs to a random number; every code is as likely as every other.
    #[must_use]
    pub fn from_random(random: u64) -> JoinCode {
        let mut left = random;
        let mut text = String::with_capacity(2 * SYLLABLES);
        for _ in 0..SYLLABLES {
            for letters in [CONSONANTS, VOWELS] {
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
    /// assert_eq!(JoinCode::read("boat"), None);
    /// ```
    #[must_use]
    pub fn read(typed: &str) -> Option<JoinCode> {
        let text: String = typed
            .chars()
            .filter(|c| !c.is_whitespace() && *c != '-')
            .map(|c| c.to_ascii_uppercase())
            .collect();
        let fits = text.len() == 2 * SYLLABLES
            && text.bytes().enumerate().all(|(at, letter)| {
                if at % 2 == 0 { CONSONANTS.contains(&letter) } else { VOWELS.contains(&letter) }
            });
        fits.then_some(JoinCode(text))
    }

    /// The eight letters without a gap, as in links.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// In two words, as it is said.
impl fmt::Display for JoinCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (first, second) = self.0.split_at(self.0.len() / 2);
        write!(f, "{first} {second}")
    }
}
