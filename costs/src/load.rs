//! Loads: which settings change, and how often.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

use crate::theory::Group;

/// A way of using a store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Load {
    /// All keys are updated equally often.
    Uniform,
    /// A tenth of the keys gets nine tenths of the updates.
    Skewed,
    /// One key gets nine tenths of the updates.
    HotKey,
    /// Nine tenths of the keys never change; the others are updated equally often.
    FactoryData,
    /// Uniform, with a power-up every ten updates.
    FrequentBoots,
    /// Uniform, four keys at a time, all or nothing.
    Batches,
    /// Eight keys with values of four bytes that count up.
    Counters,
}

impl Load {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Uniform,
        Self::Skewed,
        Self::HotKey,
        Self::FactoryData,
        Self::FrequentBoots,
        Self::Batches,
        Self::Counters,
    ];

    /// Short name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Uniform => "uniform",
            Self::Skewed => "skewed",
            Self::HotKey => "hot-key",
            Self::FactoryData => "factory-data",
            Self::FrequentBoots => "frequent-boots",
            Self::Batches => "batches",
            Self::Counters => "counters",
        }
    }

    /// One line that describes the load.
    pub const fn about(self) -> &'static str {
        match self {
            Self::Uniform => "all keys are updated equally often",
            Self::Skewed => "10 % of the keys take 90 % of the updates",
            Self::HotKey => "one key takes 90 % of the updates",
            Self::FactoryData => "90 % of the keys never change, the others change equally often",
            Self::FrequentBoots => "uniform, with a power-up every 10 updates",
            Self::Batches => "uniform, 4 keys at a time, all or none",
            Self::Counters => "8 counters of 4 bytes as plain puts",
        }
    }

    /// The load with this name, if there is one.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|load| load.name() == name)
    }

    /// How often the keys are updated, hottest group first. The first keys are the hot ones.
    pub fn groups(self, keys: u32) -> Vec<Group> {
        let count = f64::from(keys);
        match self {
            Self::Skewed => Group::skewed(keys, 0.1, 0.9),
            Self::HotKey if keys > 1 => {
                vec![Group { keys: 1.0, share: 0.9 }, Group { keys: count - 1.0, share: 0.1 }]
            }
            Self::FactoryData => {
                let hot = (count * 0.1).round().max(1.0);
                vec![Group { keys: hot, share: 1.0 }, Group { keys: count - hot, share: 0.0 }]
            }
            _ => Group::uniform(keys),
        }
    }

    /// Updates in one call.
    pub const fn updates_per_call(self) -> u32 {
        if matches!(self, Self::Batches) { 4 } else { 1 }
    }

    /// Updates between two power-ups; `None` without power-ups.
    pub const fn updates_per_boot(self) -> Option<u32> {
        if matches!(self, Self::FrequentBoots) { Some(10) } else { None }
    }

    /// Number of keys, if the load determines it.
    pub const fn own_keys(self) -> Option<u32> {
        if matches!(self, Self::Counters) { Some(8) } else { None }
    }

    /// Bytes of a value, if the load determines them.
    pub const fn own_value_bytes(self) -> Option<u32> {
        if matches!(self, Self::Counters) { Some(4) } else { None }
    }
}

/// Draws keys and values of a load.
#[derive(Debug)]
pub struct Draw {
    rng: ChaCha8Rng,
    /// For each group: first key, number of keys, upper bound of the random number that chooses it.
    groups: Vec<(u32, u32, f64)>,
    drawn: u64,
}

impl Draw {
    /// Equal seeds give equal draws.
    pub fn new(load: Load, keys: u32, seed: u64) -> Self {
        let mut first = 0;
        let mut below = 0.0;
        let mut groups = Vec::new();
        for group in load.groups(keys) {
            let count = group.keys as u32;
            below += group.share;
            if count > 0 && group.share > 0.0 {
                groups.push((first, count, below));
            }
            first += count;
        }
        Self { rng: ChaCha8Rng::seed_from_u64(seed), groups, drawn: 0 }
    }

    /// The key of the next update.
    pub fn key(&mut self) -> u16 {
        let point: f64 = self.rng.random();
        let group = self.groups.iter().find(|(_, _, below)| point < *below);
        let (first, count, _) =
            group.or_else(|| self.groups.last()).copied().unwrap_or((0, 1, 1.0));
        u16::try_from(first + self.rng.random_range(0..count)).unwrap_or(0)
    }

    /// A value that was not drawn before, as far as its size allows.
    pub fn value(&mut self, bytes: u32) -> Vec<u8> {
        self.drawn += 1;
        let mut value = vec![0; bytes as usize];
        // Vary the bytes after the number, so that they are not all zero.
        for (at, byte) in value.iter_mut().enumerate() {
            let [number, ..] = (self.drawn >> (8 * (at % 8))).to_le_bytes();
            *byte = if at < 8 { number } else { number.wrapping_mul(167).wrapping_add(at as u8) };
        }
        value
    }
}

#[cfg(test)]
mod tests {
    //! Goal: random updates follow the load. Method: shares of many draws.

    use super::*;

    #[test]
    fn draws_follow_the_groups() {
        for load in Load::ALL {
            assert_eq!(Load::by_name(load.name()), Some(load));
            let keys = 200;
            let mut draw = Draw::new(load, keys, 1);
            let mut hits = vec![0_u32; keys as usize];
            for _ in 0..100_000 {
                hits[usize::from(draw.key())] += 1;
            }
            let mut first = 0;
            for group in load.groups(keys) {
                let last = first + group.keys as usize;
                let share = f64::from(hits[first..last].iter().sum::<u32>()) / 100_000.0;
                assert!((share - group.share).abs() < 0.01, "{load:?}: {share}");
                first = last;
            }
            assert_eq!(first, keys as usize);
            let (one, two) = (draw.value(4), draw.value(4));
            assert_ne!(one, two);
        }
    }
}
