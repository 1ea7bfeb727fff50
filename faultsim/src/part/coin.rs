//! Reproducible coin tosses: a fixed function of a seed and an index, the same on every machine.

use serde::{Deserialize, Serialize};

/// Output number `index` of the SplitMix64 generator started at `seed` (G. L. Steele, D. Lea,
/// C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014).
pub(super) fn nth(seed: u64, index: u64) -> u64 {
    const STEP: u64 = 0x9E37_79B9_7F4A_7C15;
    let mut mixed = seed.wrapping_add(STEP.wrapping_mul(index.wrapping_add(1)));
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    mixed ^ (mixed >> 31)
}

/// One coin toss per bit of a run of bits: each lands with probability `of_256` / 256.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub(super) struct Coin {
    pub(super) seed: u64,
    pub(super) of_256: u16,
}

impl Coin {
    /// Whether the toss for bit number `index` lands: lane `index % 8` of 64 drawn bits.
    pub(super) fn lands(self, index: u32) -> bool {
        let lanes = nth(self.seed, u64::from(index / 8));
        let lane = (lanes >> (8 * (index % 8))) & 0xFF;
        lane < u64::from(self.of_256)
    }

    /// The tosses for bits `8 * byte ..= 8 * byte + 7`, one per bit of the result.
    pub(super) fn lands_8(self, byte: u32) -> u8 {
        lanes_below(nth(self.seed, u64::from(byte)), self.of_256)
    }
}

/// One bit per 8-bit lane of `lanes`, lowest first: set where the lane is below `limit`. It works
/// on all lanes at once because whole sectors are tossed.
pub(super) fn lanes_below(lanes: u64, limit: u16) -> u8 {
    const TOP: u64 = 0x8080_8080_8080_8080;
    const EACH: u64 = 0x0101_0101_0101_0101;
    /// Moves bit 8 i of a product to bit 56 + i.
    const GATHER: u64 = 0x0102_0408_1020_4080;
    let Ok(limit) = u8::try_from(limit) else { return 0xFF };
    let limit = EACH * u64::from(limit);
    // The top bit of a lane is set if its low seven bits are not below those of the limit.
    let low_reached = (lanes | TOP) - (limit & !TOP);
    let reached = (lanes & !limit) | (!(lanes ^ limit) & low_reached);
    let below = (!reached & TOP) >> 7;
    (below.wrapping_mul(GATHER) >> 56) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source of the numbers: Rosetta Code, task "Pseudo-random numbers/Splitmix64", seed 1234567.
    #[test]
    fn outputs_match_known_values() {
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        for (index, value) in expected.into_iter().enumerate() {
            assert_eq!(nth(1_234_567, index as u64), value);
        }
    }

    #[test]
    fn eight_tosses_at_once_equal_single_tosses() {
        for of_256 in [0, 1, 26, 127, 128, 129, 230, 255, 256] {
            let coin = Coin { seed: 7, of_256 };
            for byte in 0..200 {
                for bit in 0..8 {
                    assert_eq!(coin.lands_8(byte) >> bit & 1 == 1, coin.lands(8 * byte + bit));
                }
            }
        }
        assert!((0..1000).all(|index| Coin { seed: 3, of_256: 256 }.lands(index)));
        assert!(!(0..1000).any(|index| Coin { seed: 3, of_256: 0 }.lands(index)));
    }
}
