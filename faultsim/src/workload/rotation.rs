//! A workload that comes to every sector within a few operations.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

use super::definition::Workload;
use super::value::stamped;
use crate::part::Geometry;
use crate::subject::{Change, KeyNames, Op};

/// The settings, and the lengths of their values; the first is the long one.
const KEYS: [(&str, usize); 5] = [("long", 0), ("x", 5), ("name", 12), ("ab", 3), ("mode", 1)];
const LONG: u16 = 0;
/// The long value takes this many eighths of a sector: more with every other seed.
const EIGHTHS: [u32; 2] = [2, 3];

/// Few settings, one of them long: each second change of it needs a new sector.
pub(super) fn rotation(seed: u64, geometry: &Geometry, ops: u32) -> Workload {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let long = geometry.sector_bytes * EIGHTHS[seed as usize % EIGHTHS.len()] / 8;
    let mut number = 0;
    let mut value = |key: u16| {
        number += 1;
        let len = if key == LONG { long as usize } else { KEYS[usize::from(key)].1 };
        stamped(key, number, len)
    };
    let short = |rng: &mut ChaCha8Rng| rng.random_range(1..KEYS.len() as u16);
    let mut draw = |rng: &mut ChaCha8Rng| match rng.random_range(0..20) {
        0..=8 => Op::Put { key: LONG, value: value(LONG) },
        9..=13 => {
            let key = short(rng);
            Op::Put { key, value: value(key) }
        }
        14..=15 => Op::Delete { key: short(rng) },
        16..=17 => {
            let (first, second) = (short(rng), LONG);
            Op::Batch(vec![
                Change::Put { key: first, value: value(first) },
                Change::Put { key: second, value: value(second) },
            ])
        }
        18 => Op::Reopen,
        _ => Op::Clear,
    };
    let prelude = vec![draw(&mut rng)];
    let ops = (0..ops).map(|_| draw(&mut rng)).collect();
    let keys = KeyNames::new(KEYS.map(|(name, _)| name));
    Workload { prelude, goes_round: true, ..Workload::new(&format!("rotation {seed}"), keys, ops) }
}
