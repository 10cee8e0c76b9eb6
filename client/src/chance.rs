//! Randomness that can be repeated: the same seed gives the same numbers on every machine.

/// A small generator of pseudo-random numbers (the published SplitMix64 step); not for secrets.
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    /// The numbers that belong to a seed.
    #[must_use]
    pub fn seeded(seed: u64) -> Chance {
        Chance(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 up to, but not including, 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number from -1 to 1 that is mostly near 0 (mean of three).
    pub fn around_zero(&mut self) -> f64 {
        (self.unit() + self.unit() + self.unit()) * (2.0 / 3.0) - 1.0
    }

    /// A whole number below `limit`; 0 when `limit` is 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        if limit == 0 { 0 } else { self.bits() % limit }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs for seed 1234567, as listed with the reference implementation of SplitMix64
    /// by Sebastiano Vigna and on Rosetta Code ("Pseudo-random numbers/Splitmix64").
    #[test]
    fn the_published_numbers_come_out() {
        let mut chance = Chance::seeded(1_234_567);
        assert_eq!(
            [chance.bits(), chance.bits(), chance.bits()],
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]
        );
    }

    #[test]
    fn numbers_stay_in_their_range() {
        let mut chance = Chance::seeded(5);
        for _ in 0..10_000 {
            assert!((0.0..1.0).contains(&chance.unit()));
            assert!((-1.0..=1.0).contains(&chance.around_zero()));
            assert!(chance.below(7) < 7);
        }
        assert_eq!(chance.below(0), 0);
    }
}
