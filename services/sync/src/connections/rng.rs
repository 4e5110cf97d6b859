//! Random numbers from a seed: the same seed makes the same choices.

/// Steele, Lea and Flood's `SplitMix64` (Fast Splittable Pseudorandom Number Generators, OOPSLA 2014).
#[derive(Debug)]
pub(super) struct Rng(u64);

impl Rng {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_makes_the_same_throws() {
        // From Vigna's reference implementation (prng.di.unimi.it/splitmix64.c), seed 1234567, as
        // published on rosettacode.org.
        let mut dice = Rng::new(1_234_567);
        let thrown = [dice.next(), dice.next(), dice.next()];
        let expected = [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423];
        assert_eq!(thrown, expected);
    }
}
