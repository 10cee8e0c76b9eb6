//! What nobody can predict: secrets, keys, codes and names, made from the system's random bits.

use data_encoding::BASE64URL_NOPAD;
use sha2::{Digest, Sha256};
use thole_host::{RandomBits, SECRET_BYTES};
pub use thole_host::{Secret, SecretHash};
use thole_protocol::ids::{JoinCode, Syllables};
use uuid::{Builder, Uuid};

/// The operating system's random bits.
#[derive(Clone, Copy, Debug)]
pub struct FromSystem;

impl RandomBits for FromSystem {
    /// # Panics
    /// When the operating system has no random bits to give: going on would make secrets that can be guessed.
    fn fill(&mut self, bytes: &mut [u8]) {
        getrandom::fill(bytes).expect("without random bits from the system no secret can be made");
    }
}

/// A new secret.
///
/// # Panics
/// As `FromSystem`.
#[must_use]
pub fn new_secret() -> Secret {
    Secret::drawn(&mut FromSystem)
}

/// The secret that follows from what only whoever asks for it can say, their own secret among it: asked for once more after a lost
/// answer, it is the same, although nothing of it is kept but its hash.
#[must_use]
pub fn derived(parts: &[&str]) -> Secret {
    let mut hash = Sha256::new();
    for part in parts {
        // With their lengths, so that no two lists of parts are one text.
        hash.update(part.len().to_be_bytes());
        hash.update(part);
    }
    let mut bits = [0; SECRET_BYTES];
    bits.iter_mut().zip(hash.finalize()).for_each(|(bit, byte)| *bit = byte);
    Secret::of(bits)
}

/// A random key of 256 bits.
///
/// # Panics
/// As `FromSystem`.
#[must_use]
pub fn random_key() -> [u8; 32] {
    let mut key = [0; 32];
    fill(&mut key);
    key
}

/// Random bits that make one key another one.
///
/// # Panics
/// As `FromSystem`.
#[must_use]
pub fn random_salt() -> [u8; 16] {
    let mut salt = [0; 16];
    fill(&mut salt);
    salt
}

/// What two syllables can spell and no gym TV should show.
const UNWANTED: [&str; 2] = ["NAZI", "PEDO"];

/// A join code that nobody can predict.
#[must_use]
pub fn random_code(syllables: Syllables) -> JoinCode {
    loop {
        let mut bytes = [0; 8];
        fill(&mut bytes);
        let code = JoinCode::drawn(u64::from_le_bytes(bytes), syllables);
        if !UNWANTED.iter().any(|word| code.as_str().contains(word)) {
            return code;
        }
    }
}

/// An identity that nobody can predict (RFC 9562 version 4).
///
/// # Panics
/// As `FromSystem`.
#[must_use]
pub fn random_uuid() -> Uuid {
    let mut bytes = [0; 16];
    fill(&mut bytes);
    Builder::from_random_bytes(bytes).into_uuid()
}

/// The name of a journal's life: when it changes, the server has lost its disk.
#[must_use]
pub fn random_epoch() -> String {
    let mut bytes = [0; 9];
    fill(&mut bytes);
    BASE64URL_NOPAD.encode(&bytes)
}

/// A random number below `end`, to spread out what would otherwise come all at once.
#[must_use]
pub fn random_below(end: u32) -> u32 {
    let mut bytes = [0; 4];
    fill(&mut bytes);
    u32::from_le_bytes(bytes) % end.max(1)
}

fn fill(bytes: &mut [u8]) {
    FromSystem.fill(bytes);
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn what_is_asked_for_in_another_way_is_another_secret() {
        let same = derived(&["card", "ab", "c"]);
        assert_eq!(same, derived(&["card", "ab", "c"]));
        for other in [&["card", "a", "bc"][..], &["key", "ab", "c"], &["card", "abc"], &[]] {
            assert!(same != derived(other), "{other:?}");
        }
        assert_eq!(same.reveal().len(), new_secret().reveal().len());
    }

    #[test]
    fn secrets_never_repeat() {
        let many: BTreeSet<String> = (0..1_000).map(|_| new_secret().reveal()).collect();
        assert_eq!(many.len(), 1_000);
    }
}
