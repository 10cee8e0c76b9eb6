//! Secrets: made from random bits, shown once, kept as a hash and looked up by it.

use std::fmt;

use data_encoding::{BASE64URL_NOPAD, HEXLOWER};
use sha2::{Digest, Sha256};

/// 192 random bits, well above the 128 that OWASP ASVS asks of a reference token; a multiple of three bytes,
/// so that the text needs no padding.
pub const SECRET_BYTES: usize = 24;

/// Random bits from outside: from the operating system, or from a seed when a life is to be repeated.
pub trait RandomBits {
    /// Fills all of it.
    fn fill(&mut self, bytes: &mut [u8]);
}

/// A secret on its way to the person it is for. Its `Debug` output does not show it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// The secret made of these bits, in base64url (RFC 4648 section 5): safe in a link.
    #[must_use]
    pub fn of(bits: [u8; SECRET_BYTES]) -> Secret {
        Secret(BASE64URL_NOPAD.encode(&bits))
    }

    /// A new one.
    #[must_use]
    pub fn drawn(chance: &mut dyn RandomBits) -> Secret {
        let mut bits = [0; SECRET_BYTES];
        chance.fill(&mut bits);
        Secret::of(bits)
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

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// SHA-256 of a secret. A text with this many random bits needs neither salt nor a slow hash.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4, the example of the one-block message `abc`.
    #[test]
    fn the_hash_is_sha_256() {
        let hex = SecretHash::of("abc").to_hex();
        assert_eq!(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn a_secret_never_shows_in_a_log() {
        let secret = Secret::of([0xfb; SECRET_BYTES]);
        assert_eq!(format!("{secret:?} {:?}", secret.hash()), "Secret(…) SecretHash(…)");
        assert_eq!(secret.reveal().len(), 32);
    }
}
