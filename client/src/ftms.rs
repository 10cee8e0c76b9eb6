//! What a rowing machine says over the open Fitness Machine Service: Rower Data (0x2AD1).
//!
//! Pure: bytes in, numbers out, and nothing that comes over the air fails worse than with a `Short`. Sources:
//! Fitness Machine Service 1.0.1, sections 4.8 and 4.19, and the GATT Specification Supplement.

use std::{collections::BTreeMap, fmt};

use serde::{Deserialize, Serialize};

#[cfg(feature = "bluetooth")]
pub mod bridge;
pub mod counters;

/// Number of the Fitness Machine Service.
pub const ROWER_SERVICE: u16 = 0x1826;
/// Number of Rower Data.
pub const ROWER_DATA: u16 = 0x2ad1;

/// A field of Rower Data, named by what it counts and its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Field {
    /// Stroke rate, half strokes a minute.
    RateHalfSpm,
    /// Strokes since the machine began to count; wraps at 65,536.
    Strokes,
    /// Mean stroke rate, half strokes a minute.
    MeanRateHalfSpm,
    /// Distance since the machine began to count.
    DistanceM,
    /// Pace in whole seconds; too coarse for anything but a glance.
    #[serde(rename = "pace_per_500m_s")]
    Pace,
    /// Mean pace in whole seconds.
    #[serde(rename = "mean_pace_per_500m_s")]
    MeanPace,
    /// Power.
    PowerW,
    /// Mean power.
    MeanPowerW,
    /// Resistance; its scale is unsettled, so it is not shown to anybody.
    Resistance,
    /// Energy.
    EnergyKcal,
    /// Energy per hour at this effort.
    EnergyPerHourKcal,
    /// Energy per minute at this effort.
    EnergyPerMinuteKcal,
    /// Heart rate that the machine receives.
    HeartBpm,
    /// Metabolic equivalent, tenths.
    MetTenths,
    /// Time since the machine began to count; wraps at 65,536.
    ElapsedS,
    /// Time left of what was set on the machine.
    RemainingS,
}

/// What a record says. A field that is absent was not sent, or the machine does not know its value.
pub type Rowed = BTreeMap<Field, i32>;

/// One notification, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// What it says.
    pub rowed: Rowed,
    /// It completes its record; otherwise more of it follows.
    pub closes: bool,
    /// Bytes after the last field that the flags call for; ignored.
    pub beyond: usize,
}

/// A notification shorter than its own flags imply: nothing in it can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Short;

impl fmt::Display for Short {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("The machine sent less than it said it would; the next report counts.")
    }
}

impl std::error::Error for Short {}

/// How a field is encoded in the record.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    U8,
    U16,
    U24,
    I16,
    /// All ones mean "not available"; the standard says so only for the energies.
    KnownU8,
    KnownU16,
}

impl Form {
    fn width(self) -> usize {
        match self {
            Form::U8 | Form::KnownU8 => 1,
            Form::U16 | Form::I16 | Form::KnownU16 => 2,
            Form::U24 => 3,
        }
    }

    /// The number in these bytes, least significant first.
    fn read(self, bytes: &[u8]) -> Option<i32> {
        let whole = bytes.iter().rev().fold(0_i32, |whole, byte| whole << 8 | i32::from(*byte));
        match self {
            Form::U8 | Form::U16 | Form::U24 => Some(whole),
            Form::I16 => Some(if whole >= 0x8000 { whole - 0x1_0000 } else { whole }),
            Form::KnownU8 => (whole != 0xff).then_some(whole),
            Form::KnownU16 => (whole != 0xffff).then_some(whole),
        }
    }
}

/// Bit of the flags that says more of the record follows; its fields are present when it is clear.
const MORE_DATA: u8 = 0;
/// Bit of the resistance: two bytes with a sign in the definition of 2017, one byte today.
const RESISTANCE: u8 = 7;

/// Fields in the order of the record, each with the bit that announces it.
const FIELDS: [(Field, u8, Form); 16] = [
    (Field::RateHalfSpm, MORE_DATA, Form::U8),
    (Field::Strokes, MORE_DATA, Form::U16),
    (Field::MeanRateHalfSpm, 1, Form::U8),
    (Field::DistanceM, 2, Form::U24),
    (Field::Pace, 3, Form::U16),
    (Field::MeanPace, 4, Form::U16),
    (Field::PowerW, 5, Form::I16),
    (Field::MeanPowerW, 6, Form::I16),
    (Field::Resistance, RESISTANCE, Form::U8),
    (Field::EnergyKcal, 8, Form::KnownU16),
    (Field::EnergyPerHourKcal, 8, Form::KnownU16),
    (Field::EnergyPerMinuteKcal, 8, Form::KnownU8),
    (Field::HeartBpm, 9, Form::U8),
    (Field::MetTenths, 10, Form::U8),
    (Field::ElapsedS, 11, Form::U16),
    (Field::RemainingS, 12, Form::U16),
];

/// Reads one notification of Rower Data.
///
/// # Errors
/// `Short`, when it is shorter than its own flags say.
///
/// ```
/// use thole::ftms::{Field, read_part};
/// let part = read_part(&[0x04, 0x00, 0x31, 0x13, 0x00, 0x9f, 0x00, 0x00]).unwrap();
/// assert_eq!(part.rowed[&Field::DistanceM], 159);
/// assert!(part.closes);
/// ```
pub fn read_part(value: &[u8]) -> Result<Part, Short> {
    let (flags, mut rest) = value.split_first_chunk::<2>().ok_or(Short)?;
    let flags = u16::from_le_bytes(*flags);
    let mut rowed = Rowed::new();
    for (field, form) in fields_of(flags, value.len()) {
        let (bytes, behind) = rest.split_at_checked(form.width()).ok_or(Short)?;
        rest = behind;
        if let Some(number) = form.read(bytes) {
            rowed.insert(field, number);
        }
    }
    Ok(Part { rowed, closes: calls(flags, MORE_DATA), beyond: rest.len() })
}

/// Whether the flags announce the fields of this bit. The More Data bit is inverted (4.8.1.1).
fn calls(flags: u16, bit: u8) -> bool {
    let set = flags >> bit & 1 == 1;
    if bit == MORE_DATA { !set } else { set }
}

/// The fields that a record with these flags and this length holds. Resistance is in the middle, so its width
/// shifts everything after it; only the length tells which definition the machine follows.
fn fields_of(flags: u16, length: usize) -> impl Iterator<Item = (Field, Form)> {
    let called = move |(_, bit, _): &(Field, u8, Form)| calls(flags, *bit);
    let today: usize = FIELDS.iter().filter(|f| called(f)).map(|(_, _, form)| form.width()).sum();
    let old = calls(flags, RESISTANCE) && length == 2 + today + 1;
    FIELDS.into_iter().filter(called).map(move |(field, bit, form)| {
        (field, if old && bit == RESISTANCE { Form::I16 } else { form })
    })
}

/// Parts that a record may have. The longest, 30 bytes, needs two; without a bound, a lost end would keep
/// joining for ever.
const PARTS_MAX: u8 = 8;

/// Joins the parts of records (4.19). Use a new one for every link: what a machine had begun to say before
/// the link was lost it never says again (4.18).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Joiner {
    begun: Rowed,
    parts: u8,
}

impl Joiner {
    /// Takes in one part; returns the record if this part completed it or was one more than a record can
    /// have.
    pub fn take(&mut self, part: Part) -> Option<Rowed> {
        self.begun.extend(part.rowed);
        self.parts += 1;
        (part.closes || self.parts == PARTS_MAX).then(|| std::mem::take(self).begun)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const VECTORS: &str =
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/ftms/vectors.json"));

    #[derive(Deserialize)]
    struct Vectors {
        rower: Vec<Vector>,
    }

    #[derive(Deserialize)]
    struct Vector {
        name: String,
        hex: Vec<String>,
        record: Wanted,
        #[serde(default)]
        beyond: usize,
    }

    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Wanted {
        Record(BTreeMap<Field, Option<i32>>),
        Short(String),
    }

    fn bytes(hex: &str) -> Vec<u8> {
        let digits: Vec<u8> =
            hex.chars().filter_map(|c| c.to_digit(16)).map(|d| d.try_into().unwrap()).collect();
        digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect()
    }

    /// The vectors are worked out by hand from the standard; `fixtures/ftms/crosscheck.py` has what three
    /// public decoders make of them.
    #[test]
    fn every_vector_is_read_as_it_was_worked_by_hand() {
        let vectors: Vectors = serde_json::from_str(VECTORS).unwrap();
        assert!(vectors.rower.len() >= 16);
        for vector in vectors.rower {
            let name = &vector.name;
            let (mut joiner, mut record) = (Joiner::default(), None);
            let last = vector.hex.len() - 1;
            for (nth, hex) in vector.hex.iter().enumerate() {
                assert_eq!(record, None, "{name}: told before its end");
                match read_part(&bytes(hex)) {
                    Ok(part) => {
                        assert_eq!(part.beyond, if nth == last { vector.beyond } else { 0 });
                        record = joiner.take(part);
                    }
                    Err(Short) => assert!(matches!(vector.record, Wanted::Short(_)), "{name}"),
                }
            }
            match vector.record {
                Wanted::Short(word) => assert_eq!((word.as_str(), record), ("short", None)),
                Wanted::Record(wanted) => {
                    let known: Rowed =
                        wanted.into_iter().filter_map(|(f, n)| Some((f, n?))).collect();
                    assert_eq!(record, Some(known), "{name}");
                }
            }
        }
    }

    #[test]
    fn a_record_whose_end_is_lost_does_not_go_on_for_ever() {
        let mut joiner = Joiner::default();
        let part = read_part(&[0x05, 0x00, 0x32, 0x01, 0x00]).unwrap();
        assert!(!part.closes);
        let closed = (1..=8).filter_map(|_| joiner.take(part.clone())).count();
        assert_eq!((closed, joiner), (1, Joiner::default()));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100_000))]
        /// Whatever comes over the air: no panic, no number outside its field, nothing read twice.
        #[test]
        fn odd_values_do_no_harm(value in prop::collection::vec(any::<u8>(), 0..41)) {
            match read_part(&value) {
                Ok(part) => {
                    prop_assert!(part.rowed.values().all(|n| (-32_768..=16_777_215).contains(n)));
                    prop_assert!(part.beyond + 2 <= value.len());
                    let again = read_part(&value[..value.len() - part.beyond]).unwrap();
                    // Without the extra bytes, the length may be that of the old definition.
                    prop_assert_eq!(again.closes, part.closes);
                }
                Err(Short) => prop_assert!(value.len() < 30),
            }
        }
    }
}
