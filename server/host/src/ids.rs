//! Identities that a session gives.

use thole_protocol::ids::AthleteId;
use uuid::Builder;

use crate::secret::RandomBits;

/// Identities in order (RFC 9562, version 7): by millisecond, and counted within one.
#[derive(Debug, Default)]
pub(crate) struct Ids {
    unix_ms: u64,
    /// Counts those within the millisecond.
    count: u16,
}

impl Ids {
    /// This many can be told apart in one millisecond; the next one belongs to the millisecond after it.
    const IN_ONE_MS: u16 = 1 << 12;

    pub(crate) fn next(&mut self, unix_ms: u64, chance: &mut dyn RandomBits) -> AthleteId {
        if unix_ms > self.unix_ms {
            (self.unix_ms, self.count) = (unix_ms, 0);
        } else if self.count == Ids::IN_ONE_MS {
            (self.unix_ms, self.count) = (self.unix_ms + 1, 0);
        }
        let mut bits = [0; 10];
        chance.fill(&mut bits);
        let [high, low] = self.count.to_be_bytes();
        bits[0] = high;
        bits[1] = low;
        self.count += 1;
        AthleteId(Builder::from_unix_timestamp_millis(self.unix_ms, &bits).into_uuid())
    }
}
