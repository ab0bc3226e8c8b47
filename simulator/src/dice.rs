//! The only source of chance in the simulator: splitmix64, seeded, own code.
//!
//! Input: a seed. Output: numbers that are the same on every machine and in every year. Does not:
//! read a clock or an operating system's randomness.
//!
//! # Why not a library
//! A recording names scenario and seed; the bytes must come out identical after any update of a
//! library.
//!
//! # Sources
//! - Steele, Lea, Flood: Fast splittable pseudorandom number generators, OOPSLA 2014 (splitmix64)

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub(crate) struct Dice {
    state: u64,
}

impl Dice {
    /// A stream from a seed.
    pub(crate) fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// An independent stream, so that more throws here change nothing there.
    pub(crate) fn fork(seed: u64, purpose: u64) -> Self {
        let mut dice = Self::new(seed ^ purpose.wrapping_mul(0xd6e8_feb8_6659_fd93));
        dice.state = dice.next();
        dice
    }

    /// The next number.
    pub(crate) fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `limit` (0 where the limit is 0).
    pub(crate) fn below(&mut self, limit: usize) -> usize {
        let limit = limit as u64;
        usize::try_from(self.next() % limit.max(1)).unwrap_or(0)
    }

    /// A byte.
    pub(crate) fn byte(&mut self) -> u8 {
        self.next().to_be_bytes()[0]
    }

    /// Between -1 and 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit exactly")]
    pub(crate) fn around_zero(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }

    /// Whether something of this chance in percent happens.
    pub(crate) fn percent(&mut self, chance: f64) -> bool {
        (self.around_zero() + 1.0) * 50.0 < chance
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   from memory
    // Source: widely reprinted first outputs of splitmix64 for seed 1234567
    #[test]
    fn dice_with_known_seed_give_known_numbers() {
        let mut dice = Dice::new(1_234_567);
        assert_eq!(
            [dice.next(), dice.next()],
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973]
        );
    }

    // Kind: derived (a chance of 0 never happens, of 100 always)
    #[test]
    fn dice_at_the_ends_of_chance_are_certain() {
        let mut dice = Dice::new(1);
        assert!((0..1000).all(|_| dice.percent(100.0)));
        assert!(!(0..1000).any(|_| dice.percent(0.0)));
    }
}
