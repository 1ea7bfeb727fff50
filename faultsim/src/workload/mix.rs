//! Random operations, sized to fit the part.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

use super::value::stamped;
use crate::part::Geometry;
use crate::subject::{Change, KeyNames, Op};

/// Roughly the bytes that a setting takes besides its name and value. It is for sizing workloads,
/// and not a promise about any format.
const RECORD_OVERHEAD: u32 = 16;

/// Roughly the space that one setting takes.
pub(crate) fn record_bytes(geometry: &Geometry, name: usize, value: usize) -> u32 {
    let bytes = u32::try_from(name + value).unwrap_or(u32::MAX / 2) + RECORD_OVERHEAD;
    bytes.next_multiple_of(geometry.unit.max(1))
}

/// The space for live settings that a workload may use: half of all sectors but one, which storage
/// code generally needs free for compaction.
pub(crate) fn live_room(geometry: &Geometry) -> u32 {
    geometry.sectors.saturating_sub(1).max(1) * geometry.sector_bytes / 2
}

/// The size of the larger value that two of the settings have occasionally.
fn larger_value(geometry: &Geometry) -> usize {
    usize::try_from(geometry.sector_bytes / 12).unwrap_or(64).clamp(1, 96)
}

/// The longest value of the other settings.
const LONGEST_USUAL: usize = 20;

/// The longest value of a mix that does not fill the part.
pub(crate) fn longest_value(geometry: &Geometry) -> usize {
    larger_value(geometry).max(LONGEST_USUAL)
}

/// How the names of counters begin.
pub(crate) const COUNT: &str = "count.";

/// A source of random operations. What it draws depends only on the generator, never on the results
/// of earlier operations, so that a part of the draws can be repeated.
#[derive(Clone, Debug)]
pub struct OpMix {
    keys: KeyNames,
    sizes: Vec<usize>,
    /// The last value given to each setting.
    last: Vec<Option<Vec<u8>>>,
    largest: usize,
    number: u32,
    fill: bool,
}

impl OpMix {
    /// Settings for this geometry, drawn from the seed, and the generator to continue with. With
    /// `fill` they are too large for the part when all are present.
    pub fn new(seed: u64, geometry: &Geometry, fill: bool) -> (Self, ChaCha8Rng) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let room = if fill { live_room(geometry).saturating_mul(3) } else { live_room(geometry) };
        let most = if fill { 64 } else { 24 };
        // The size of each setting when they are to fill the part.
        let share = usize::try_from((room / 64).min(geometry.sector_bytes / 8)).unwrap_or(64);
        // Each of two settings may have the larger value at the same time.
        let largest = larger_value(geometry);
        let mut left = room.saturating_sub(2 * u32::try_from(largest).unwrap_or(0));
        let (mut names, mut sizes) = (Vec::new(), Vec::new());
        while names.len() < most {
            let index = names.len();
            let name = match rng.random_range(0..6) {
                0 => format!("{index}"),
                1 => format!("site.{index}.threshold.upper"),
                _ => format!("key.{index}"),
            };
            let size = match rng.random_range(0..10) {
                _ if fill => rng.random_range(share / 2..=share + share / 2),
                0 => 0,
                1..=2 => 1,
                3..=6 => rng.random_range(2..=8),
                _ => rng.random_range(4..=LONGEST_USUAL),
            };
            let cost = record_bytes(geometry, name.len(), size);
            if cost > left && names.len() >= 2 {
                break;
            }
            left = left.saturating_sub(cost);
            names.push(name);
            sizes.push(size);
        }
        let last = vec![None; names.len()];
        let mix = Self { keys: KeyNames::new(names), sizes, last, largest, number: 0, fill };
        (mix, rng)
    }

    /// Makes every fourth setting a counter: 8 bytes, little-endian, one more each time.
    #[must_use]
    pub fn with_counters(mut self) -> Self {
        let mut names: Vec<String> = self.keys.iter().map(|(_, name)| name.to_owned()).collect();
        for (index, name) in names.iter_mut().enumerate().skip(3).step_by(4) {
            *name = format!("{COUNT}{index}");
            self.sizes[index] = 8;
        }
        self.keys = KeyNames::new(names);
        self
    }

    /// The settings.
    pub fn keys(&self) -> &KeyNames {
        &self.keys
    }

    /// Whether the settings fill the part up.
    pub(crate) fn fills(&self) -> bool {
        self.fill
    }

    /// Roughly the space that a record of this mix takes.
    pub(crate) fn mean_record_bytes(&self) -> u32 {
        let total: usize =
            self.keys.iter().zip(&self.sizes).map(|((_, name), size)| name.len() + size).sum();
        let mean = total / self.sizes.len().max(1);
        u32::try_from(mean).unwrap_or(u32::MAX / 2) + RECORD_OVERHEAD
    }

    /// The next operation.
    pub fn draw(&mut self, rng: &mut ChaCha8Rng) -> Op {
        self.number = self.number.wrapping_add(1);
        let deletes = if self.fill { 4 } else { 10 };
        match rng.random_range(0..100) {
            // A part that is to fill up is not emptied often.
            0 if !self.fill || rng.random_bool(0.2) => Op::Clear,
            1..=3 => Op::Tidy,
            4..=6 => Op::Reopen,
            7..=16 => self.batch(rng),
            17..=24 => self.repeated(rng),
            25..=27 => {
                let (key, size) = (self.key(rng) % 2, rng.random_range(1..=self.largest));
                self.put(key, size)
            }
            roll if roll < 28 + deletes => {
                let key = self.key(rng);
                self.last[usize::from(key)] = None;
                Op::Delete { key }
            }
            _ => {
                let key = self.key(rng);
                self.put(key, self.sizes[usize::from(key)])
            }
        }
    }

    fn key(&self, rng: &mut ChaCha8Rng) -> u16 {
        let keys = u16::try_from(self.keys.len()).unwrap_or(u16::MAX);
        rng.random_range(0..keys)
    }

    fn value(&mut self, key: u16, size: usize) -> Vec<u8> {
        let value = if self.keys.name(key).starts_with(COUNT) {
            let last = self.last[usize::from(key)].as_deref();
            let count = last.and_then(|last| last.try_into().ok()).map_or(0, u64::from_le_bytes);
            count.wrapping_add(1).to_le_bytes().to_vec()
        } else {
            stamped(key, self.number, size)
        };
        self.last[usize::from(key)] = Some(value.clone());
        value
    }

    fn put(&mut self, key: u16, size: usize) -> Op {
        let value = self.value(key, size);
        Op::Put { key, value }
    }

    /// Puts the value that the setting already has, if it was ever given one.
    fn repeated(&mut self, rng: &mut ChaCha8Rng) -> Op {
        let key = self.key(rng);
        match &self.last[usize::from(key)] {
            Some(value) => Op::Put { key, value: value.clone() },
            None => self.put(key, self.sizes[usize::from(key)]),
        }
    }

    fn batch(&mut self, rng: &mut ChaCha8Rng) -> Op {
        let wanted = rng.random_range(2..=3_usize);
        let mut changes: Vec<Change> = Vec::with_capacity(wanted);
        let keys = u16::try_from(self.keys.len()).unwrap_or(u16::MAX);
        let mut key = self.key(rng);
        for _ in 0..wanted.min(self.keys.len()) {
            if rng.random_bool(0.2) {
                self.last[usize::from(key)] = None;
                changes.push(Change::Delete { key });
            } else {
                let value = self.value(key, self.sizes[usize::from(key)]);
                changes.push(Change::Put { key, value });
            }
            key = (key + 1) % keys;
        }
        Op::Batch(changes)
    }
}
