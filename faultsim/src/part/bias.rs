//! How marginal cells read during one power-up: a rule that gives the same readings in every run.

use core::fmt;

use serde::{Deserialize, Serialize};

use super::coin::{lanes_below, nth};

/// How marginal cells read during one power-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Bias(pub(super) Reading);

/// The rule. `ones_of_256` says how many of 256 marginal bits read 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub(super) enum Reading {
    Zeros,
    Ones,
    Stored,
    /// The bit at `(byte address, bit)` reads 1 if lane `bit` of `nth(seed, address)` is below
    /// `ones_of_256`.
    Fixed {
        seed: u64,
        ones_of_256: u16,
    },
    /// All bits read `ones` before read number `first`, the opposite from there on, and `ones`
    /// again from read number `second` on.
    Flips {
        ones: bool,
        first: u64,
        second: u64,
    },
    /// The same as `Fixed` with the seed `nth(seed, number of the read)`.
    PerRead {
        seed: u64,
        ones_of_256: u16,
    },
}

impl Bias {
    /// Every marginal bit reads 0.
    pub const ZEROS: Self = Self(Reading::Zeros);
    /// Every marginal bit reads 1.
    pub const ONES: Self = Self(Reading::Ones);

    /// Every marginal bit reads as the value it is nearer to.
    pub const fn stored() -> Self {
        Self(Reading::Stored)
    }

    /// Every marginal bit has a value that is fixed for this power-up. The share that reads 1 is 0,
    /// 10, 50, 90 or 100 percent, and is itself drawn from the seed.
    pub fn seeded(seed: u64) -> Self {
        let shares = [0, 26, 128, 230, 256];
        let ones_of_256 = shares[(nth(seed, u64::MAX) % 5) as usize];
        Self(Reading::Fixed { seed, ones_of_256 })
    }

    /// Every read call draws every marginal bit anew. The share that reads 1 is 10, 50 or 90
    /// percent, drawn from the seed.
    pub fn flicker(seed: u64) -> Self {
        let shares = [26, 128, 230];
        let ones_of_256 = shares[(nth(seed, u64::MAX) % 3) as usize];
        Self(Reading::PerRead { seed, ones_of_256 })
    }

    /// All marginal bits read the same and change over at a read call drawn from the seed, among
    /// the first sixteen since power-up. With `twice` they change back at a later one.
    ///
    /// A mistake that shows when one bit reads differently at two reads is exposed by some choice
    /// of one change; a mistake that needs three readings is exposed by two changes.
    pub fn flipping(seed: u64, twice: bool) -> Self {
        const READS: u64 = 16;
        let one = nth(seed, 0) % READS;
        let other = if twice { nth(seed, 1) % READS } else { u64::MAX };
        let (first, second) = (one.min(other), one.max(other));
        Self(Reading::Flips { ones: nth(seed, 2) & 1 == 1, first, second })
    }

    /// The reading of a byte whose bits `marginal` are marginal. `read` is the number of earlier
    /// read calls since power-up.
    pub(super) fn byte(self, stored: u8, marginal: u8, at: u32, read: u64) -> u8 {
        let ones =
            match self.0 {
                Reading::Zeros => 0,
                Reading::Ones => 0xFF,
                Reading::Stored => stored,
                Reading::Flips { ones, first, second } => {
                    if ones != (first..second).contains(&read) { 0xFF } else { 0 }
                }
                Reading::Fixed { seed, ones_of_256 } => {
                    lanes_below(nth(seed, u64::from(at)), ones_of_256)
                }
                Reading::PerRead { seed, ones_of_256 } => {
                    lanes_below(nth(nth(seed, read), u64::from(at)), ones_of_256)
                }
            };
        (stored & !marginal) | (ones & marginal)
    }
}

impl fmt::Display for Bias {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = |ones_of_256: u16| (u32::from(ones_of_256) * 100 + 128) / 256;
        match self.0 {
            Reading::Zeros => out.write_str("marginal bits read 0"),
            Reading::Ones => out.write_str("marginal bits read 1"),
            Reading::Stored => out.write_str("marginal bits read as stored"),
            Reading::Flips { ones, first, second: u64::MAX } => {
                write!(out, "marginal bits read {}, otherwise from read {first} on", u8::from(ones))
            }
            Reading::Flips { ones, first, second } => {
                let ones = u8::from(ones);
                write!(out, "marginal bits read {ones}, otherwise from read {first} to {second}")
            }
            Reading::Fixed { seed, ones_of_256 } => {
                let share = percent(ones_of_256);
                write!(out, "marginal bits fixed, {share} % ones, seed {seed}")
            }
            Reading::PerRead { seed, ones_of_256 } => {
                let share = percent(ones_of_256);
                write!(out, "marginal bits flicker, {share} % ones, seed {seed}")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Share of ones among marginal bits, in percent.
    fn share(bias: Bias, read: u64) -> u32 {
        let ones: u32 = (0..5000).map(|at| bias.byte(0, 0xFF, at, read).count_ones()).sum();
        ones * 100 / 40_000
    }

    #[test]
    fn solid_bits_never_change() {
        for seed in 0..50 {
            for bias in [Bias::ZEROS, Bias::ONES, Bias::stored(), Bias::seeded(seed)] {
                assert_eq!(bias.byte(0xA5, 0x0F, 9, 3) & 0xF0, 0xA0);
            }
        }
    }

    #[test]
    fn shares_are_as_documented_and_all_occur() {
        let mut seen = [0; 5];
        for seed in 0..200 {
            let percent = share(Bias::seeded(seed), 0);
            let near = [0, 10, 50, 90, 100].iter().position(|wanted| percent.abs_diff(*wanted) < 2);
            seen[near.expect("a promised share")] += 1;
        }
        assert!(seen.iter().all(|count| *count > 10), "{seen:?}");
    }

    #[test]
    fn flips_are_as_many_as_documented_and_at_any_read() {
        let mut places = std::collections::BTreeSet::new();
        for seed in 0..2000 {
            for twice in [false, true] {
                let reads: Vec<u8> = (0..20)
                    .map(|read| Bias::flipping(seed, twice).byte(0, 0xFF, 9, read))
                    .collect();
                let changes: Vec<usize> =
                    (1..reads.len()).filter(|&at| reads[at] != reads[at - 1]).collect();
                assert!(changes.len() <= 1 + usize::from(twice));
                places.insert((reads[0], changes));
            }
        }
        // Either value may come first, with no change, one of 15 places for one change, or one of
        // the pairs of places for two.
        assert_eq!(places.len(), 2 * (1 + 15 + 15 * 14 / 2));
    }

    #[test]
    fn seeded_is_stable_and_flicker_is_not() {
        let fixed =
            Bias::seeded((0..).find(|s| share(Bias::seeded(*s), 0).abs_diff(50) < 5).unwrap());
        let flicker = Bias::flicker(1);
        assert!((0..100).all(|at| fixed.byte(0, 0xFF, at, 0) == fixed.byte(0, 0xFF, at, 1)));
        assert!((0..100).any(|at| flicker.byte(0, 0xFF, at, 0) != flicker.byte(0, 0xFF, at, 1)));
    }
}
