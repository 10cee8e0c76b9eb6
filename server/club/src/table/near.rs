//! Names that are nearly one of the club's: one letter more, less, other or exchanged, or the parts of it in another order.

use std::collections::BTreeMap;

use thole_piece::name::looks;

use crate::person::folded;

/// The club's names, to be asked about many others.
#[derive(Clone, Debug, Default)]
pub struct Names {
    /// Each name with one letter left out, or none; which name that is.
    without: BTreeMap<u64, Vec<u32>>,
    sorted: BTreeMap<String, Vec<u32>>,
    looks: BTreeMap<String, Vec<u32>>,
    folded: Vec<String>,
}

impl Names {
    /// Of these names, which are told apart by their order.
    #[must_use]
    pub fn of<'a>(names: impl Iterator<Item = &'a str>) -> Names {
        let mut all = Names::default();
        for (nth, name) in (0..).zip(names) {
            let plain = folded(name);
            for hash in without_one(&plain) {
                all.without.entry(hash).or_default().push(nth);
            }
            all.sorted.entry(parts(&plain)).or_default().push(nth);
            for look in looks(name) {
                all.looks.entry(look).or_default().push(nth);
            }
            all.folded.push(plain);
        }
        all
    }

    /// The name of the club that is probably meant by another one; of several the first. Names that are the same are not asked for.
    #[must_use]
    pub fn near(&self, name: &str) -> Option<u32> {
        let plain = folded(name);
        let by_looks = looks(name).into_iter().filter_map(|look| self.looks.get(&look));
        let by_parts = self.sorted.get(&parts(&plain)).into_iter();
        if let Some(found) = by_looks.chain(by_parts).flatten().min() {
            return Some(*found);
        }
        let candidates = without_one(&plain).into_iter().filter_map(|hash| self.without.get(&hash));
        let is_near = |nth: &&u32| {
            let other = usize::try_from(**nth).ok().and_then(|nth| self.folded.get(nth));
            other.is_some_and(|other| is_one_apart(&plain, other))
        };
        candidates.flatten().filter(is_near).min().copied()
    }
}

/// Shorter names are too many that are one letter apart: Bo and Jo.
const SHORTEST: usize = 4;

fn is_one_apart(one: &str, other: &str) -> bool {
    let (one, other): (Vec<char>, Vec<char>) = (one.chars().collect(), other.chars().collect());
    if one.len().min(other.len()) < SHORTEST || one.len().abs_diff(other.len()) > 1 {
        return false;
    }
    let front = one.iter().zip(&other).take_while(|(a, b)| a == b).count();
    let (one, other) =
        (one.get(front..).unwrap_or_default(), other.get(front..).unwrap_or_default());
    let back = one.iter().rev().zip(other.iter().rev()).take_while(|(a, b)| a == b).count();
    let differs =
        |letters: &[char]| letters.get(..letters.len() - back).unwrap_or_default().to_vec();
    match (differs(one).as_slice(), differs(other).as_slice()) {
        ([a, b], [c, d]) => a == d && b == c,
        ([] | [_], [] | [_]) => true,
        ([..], [..]) => false,
    }
}

/// The parts of a name in the order of the alphabet, without commas: `Lima, Ana` is `Ana Lima`.
fn parts(name: &str) -> String {
    let plain = name.replace(',', " ");
    let mut parts: Vec<&str> = plain.split_whitespace().collect();
    parts.sort_unstable();
    parts.join(" ")
}

/// Hashes of a name and of what is left of it without each of its letters.
fn without_one(name: &str) -> Vec<u64> {
    let letters: Vec<char> = name.chars().collect();
    let mut hashes = vec![hash(letters.iter())];
    for left_out in 0..letters.len() {
        let others = letters.iter().enumerate().filter(|(at, _)| *at != left_out);
        hashes.push(hash(others.map(|(_, letter)| letter)));
    }
    hashes.sort_unstable();
    hashes.dedup();
    hashes
}

/// FNV-1a, which needs no key and is the same everywhere; what it takes for the same is looked at.
fn hash<'a>(letters: impl Iterator<Item = &'a char>) -> u64 {
    letters.fold(0xcbf2_9ce4_8422_2325, |hash, letter| {
        (hash ^ u64::from(u32::from(*letter))).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_and_another_order_are_near_and_another_name_is_not() {
        let club = ["Ana Lima", "Bo Quist", "Нина", "Jo"];
        let names = Names::of(club.into_iter());
        for near in [
            "Ana Lma",
            "Ana Limma",
            "Ana Lina",
            "Ana Liam",
            "na Lima",
            "Lima, Ana",
            "LIMA Ana",
            "Аna Lima",
        ] {
            assert_eq!(names.near(near), Some(0), "{near}");
        }
        assert_eq!(names.near("Quist Bo"), Some(1));
        assert_eq!(names.near("Ннна"), Some(2));
        for far in ["Ana Lorca", "Ana", "Bo", "Ana Limasol", "", "Anna Lena"] {
            assert_eq!(names.near(far), None, "{far}");
        }
    }

    #[test]
    fn one_apart_is_one_letter_more_less_other_or_exchanged() {
        for (one, other) in [
            ("abcd", "abcde"),
            ("abcd", "xabcd"),
            ("abcd", "abxd"),
            ("abcd", "abdc"),
            ("abcd", "bacd"),
            ("abcd", "abcx"),
            ("abcde", "abce"),
        ] {
            assert!(is_one_apart(one, other) && is_one_apart(other, one), "{one} {other}");
        }
        for (one, other) in
            [("abcd", "abcdef"), ("abcd", "dcba"), ("abcd", "axxd"), ("abcd", "badc")]
        {
            assert!(!is_one_apart(one, other) && !is_one_apart(other, one), "{one} {other}");
        }
    }
}
