//! Secrets: made from the system's random bits, shown once, kept as a hash and looked up by it.

use std::fmt;

use data_encoding::{BASE64URL_NOPAD, HEXLOWER};
use sha2::{Digest, Sha256};
use thole_protocol::ids::{JoinCode, Syllables};

/// 192 random bits, well above the 128 that OWASP ASVS asks of a reference token; a multiple of
/// three bytes, so that the text needs no padding.
const SECRET_BYTES: usize = 24;

/// A secret on its way to the person it is for. Its `Debug` does not show it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A new one.
    ///
    /// # Panics
    /// When the operating system has no random bits to give: going on would make guessable secrets.
    #[must_use]
    pub fn new() -> Secret {
        let mut bytes = [0; SECRET_BYTES];
        fill(&mut bytes);
        Secret(BASE64URL_NOPAD.encode(&bytes))
    }

    /// What is kept of it.
    #[must_use]
    pub fn hash(&self) -> SecretHash {
        SecretHash::of(&self.0)
    }

    /// The text, for the one message that shows it.
    #[must_use]
    pub fn reveal(self) -> String {
        self.0
    }
}

impl Default for Secret {
    fn default() -> Self {
        Secret::new()
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// SHA-256 of a secret. Of a text with so many random bits it needs neither salt nor a slow hash.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SecretHash([u8; 32]);

impl SecretHash {
    /// Of whatever text somebody offers as a secret.
    #[must_use]
    pub fn of(secret: &str) -> SecretHash {
        SecretHash(Sha256::digest(secret.as_bytes()).into())
    }

    /// As text, for a file that people may look at, or a record.
    #[must_use]
    pub fn to_hex(self) -> String {
        HEXLOWER.encode(&self.0)
    }

    /// As stored.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8] {
        &self.0
    }
}

impl fmt::Debug for SecretHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SecretHash(…)")
    }
}

/// A random key of 256 bits.
///
/// # Panics
/// As `Secret::new`.
#[must_use]
pub fn random_key() -> [u8; 32] {
    let mut key = [0; 32];
    fill(&mut key);
    key
}

/// What two syllables can spell and no gym TV should show.
const UNWANTED: [&str; 2] = ["NAZI", "PEDO"];

/// A join code that nobody can foresee.
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

/// The name of a journal's life: when it changes, the server has lost its disk.
#[must_use]
pub fn random_epoch() -> String {
    let mut bytes = [0; 9];
    fill(&mut bytes);
    BASE64URL_NOPAD.encode(&bytes)
}

/// A random number below `end`, for spreading what would otherwise come all at once.
#[must_use]
pub fn random_below(end: u32) -> u32 {
    let mut bytes = [0; 4];
    fill(&mut bytes);
    u32::from_le_bytes(bytes) % end.max(1)
}

fn fill(bytes: &mut [u8]) {
    getrandom::fill(bytes).expect("without random bits from the system no secret can be made");
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// FIPS 180-4, the example of the one-block message `abc`.
    #[test]
    fn the_hash_is_sha_256() {
        let hash = SecretHash::of("abc");
        assert_eq!(
            hash.to_hex(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn secrets_never_repeat_and_never_show_in_a_log() {
        let many: BTreeSet<String> = (0..1_000).map(|_| Secret::new().reveal()).collect();
        assert_eq!(many.len(), 1_000);
        let secret = Secret::new();
        assert_eq!(format!("{secret:?} {:?}", secret.hash()), "Secret(…) SecretHash(…)");
        let text = secret.reveal();
        assert_eq!(text.len(), 32);
        // The letters of base64url (RFC 4648, section 5): it stands in links as it is.
        assert!(text.chars().all(|c| c.is_ascii_alphanumeric() || "-_".contains(c)), "{text}");
    }
}
