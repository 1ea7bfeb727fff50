//! Random draws that the tears of programs, erases and collateral damage share.

use rand::Rng;

use super::tear::Pick;
use crate::part::coin::Coin;

/// A number below `bound`, or 0 if `bound` is 0. It is written out here, and not taken from a
/// library, because a seed must give the same draw forever. The slight preference for small numbers
/// does not matter.
pub(in super::super) fn below(rng: &mut impl Rng, bound: u32) -> u32 {
    ((u64::from(rng.next_u32()) * u64::from(bound)) >> 32) as u32
}

pub(super) fn draw_pick(total: u32, rng: &mut impl Rng) -> Pick {
    match below(rng, 14) {
        0 => Pick::All,
        1 => Pick::Zeros,
        2 => Pick::Ones,
        3 => Pick::Window { from: below(rng, total), len: 1 + below(rng, 32) },
        4 | 5 => Pick::Few { count: 1 + below(rng, 4), seed: u64::from(rng.next_u32()) },
        6 => Pick::Toss(draw_coin(rng)),
        _ => Pick::Nothing,
    }
}

pub(super) fn draw_coin(rng: &mut impl Rng) -> Coin {
    const DENSITIES: [u16; 9] = [2, 8, 26, 77, 128, 179, 230, 248, 254];
    let of_256 = DENSITIES[below(rng, DENSITIES.len() as u32) as usize];
    Coin { seed: u64::from(rng.next_u32()), of_256 }
}
