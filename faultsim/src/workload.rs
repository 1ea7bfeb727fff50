//! Workloads: the operations a device carries out while its power is being cut.

use rand::rngs::ChaCha8Rng;

use crate::device::Geometry;
use crate::edges::{self, Letters, Start};
use crate::mix::OpMix;
use crate::reference::cases;
use crate::scenario;
use crate::subject::{Change, Op};

/// The names of the settings, by the index that operations use.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct KeyNames {
    names: Vec<String>,
    /// Indices in the order of the names.
    sorted: Vec<u16>,
}

impl KeyNames {
    /// Names in the order of their indices; all but the first 65 536 are dropped.
    pub fn new(names: impl IntoIterator<Item = impl Into<String>>) -> Self {
        let limit = usize::from(u16::MAX) + 1;
        let names: Vec<String> = names.into_iter().map(Into::into).take(limit).collect();
        let mut sorted: Vec<u16> = (0..=u16::MAX).take(names.len()).collect();
        sorted.sort_by(|&a, &b| names[usize::from(a)].cmp(&names[usize::from(b)]));
        Self { names, sorted }
    }

    /// The name of a setting; empty for an index that has none.
    pub fn name(&self, key: u16) -> &str {
        self.names.get(usize::from(key)).map_or("", String::as_str)
    }

    /// The index of a name.
    pub fn find(&self, name: &[u8]) -> Option<u16> {
        let at = self
            .sorted
            .binary_search_by(|&key| self.names[usize::from(key)].as_bytes().cmp(name))
            .ok()?;
        Some(self.sorted[at])
    }

    /// How many settings there are.
    pub fn len(&self) -> usize {
        self.names.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.names.is_empty()
    }

    /// Index and name of each setting.
    pub fn iter(&self) -> impl Iterator<Item = (u16, &str)> {
        (0..=u16::MAX).zip(self.names.iter().map(String::as_str))
    }
}

/// Operations to run while power is cut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Workload {
    /// Short name for reports.
    pub name: String,
    /// The settings it uses.
    pub keys: KeyNames,
    /// Run first, without cuts: it brings the part into the state of a device in the field.
    pub prelude: Vec<Op>,
    /// The operations in which power is cut at every step.
    pub ops: Vec<Op>,
    /// Whether the part may run full: then it is no violation if a larger value or a batch is
    /// refused for want of room. Deleting, and replacing a value by one that is no longer, must
    /// work even so.
    pub may_fill: bool,
}

/// Where a workload comes from, so that a token can name it in a few bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WorkloadSource {
    /// The life of a tide gauge: [`scenario::tide_gauge`].
    TideGauge,
    /// A random workload that stays within half of the live capacity.
    Random {
        /// Seed of the draw.
        seed: u64,
        /// Operations in which power is cut.
        ops: u32,
    },
    /// A random workload that runs the part full.
    Full {
        /// Seed of the draw.
        seed: u64,
        /// Operations in which power is cut.
        ops: u32,
    },
    /// As [`Random`](Self::Random), with counters among the settings.
    Counters {
        /// Seed of the draw.
        seed: u64,
        /// Operations in which power is cut.
        ops: u32,
    },
    /// One of the short workloads that prove the rig: [`crate::reference::cases`].
    Case(u8),
    /// A start state and a few operations: [`crate::edges`].
    Edge {
        /// What came before.
        start: Start,
        /// Bytes of the value that fills the last sector.
        filler: u32,
        /// The operations.
        letters: Letters,
    },
}

impl WorkloadSource {
    /// The workload for a part of this geometry; the same arguments give the same workload.
    pub fn build(&self, geometry: &Geometry) -> Workload {
        match *self {
            Self::TideGauge => scenario::tide_gauge(geometry),
            Self::Random { seed, ops } => Workload::random(seed, geometry, ops, false),
            Self::Full { seed, ops } => Workload::random(seed, geometry, ops, true),
            Self::Counters { seed, ops } => {
                let (mix, rng) = OpMix::new(seed, geometry, false);
                Workload::drawn("counters", seed, (mix.with_counters(), rng), geometry, ops)
            }
            Self::Case(number) => cases::workload(number),
            Self::Edge { start, filler, letters } => {
                edges::workload(geometry, start, filler, letters)
            }
        }
    }
}

impl std::fmt::Display for WorkloadSource {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TideGauge => formatter.write_str("tide-gauge"),
            Self::Random { seed, ops } => write!(formatter, "random:{seed}:{ops}"),
            Self::Full { seed, ops } => write!(formatter, "full:{seed}:{ops}"),
            Self::Counters { seed, ops } => write!(formatter, "counters:{seed}:{ops}"),
            Self::Case(number) => write!(formatter, "case:{number}"),
            Self::Edge { start, filler, letters } => {
                write!(formatter, "edge:{}:{filler}:{letters}", start.name())
            }
        }
    }
}

/// A text that names no workload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnknownWorkload(String);

impl std::fmt::Display for UnknownWorkload {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            formatter,
            "unknown workload '{}': expected tide-gauge, random:SEED:OPS, full:SEED:OPS, \
             counters:SEED:OPS, case:NUMBER or edge:START:BYTES:DIGITS",
            self.0
        )
    }
}

impl std::error::Error for UnknownWorkload {}

impl std::str::FromStr for WorkloadSource {
    type Err = UnknownWorkload;

    fn from_str(text: &str) -> Result<Self, UnknownWorkload> {
        let unknown = || UnknownWorkload(text.to_owned());
        if text == "tide-gauge" {
            return Ok(Self::TideGauge);
        }
        if let Some(number) = text.strip_prefix("case:") {
            return number.parse().map(Self::Case).map_err(|_| unknown());
        }
        if let Some(edge) = text.strip_prefix("edge:") {
            return edge_from(edge).ok_or_else(unknown);
        }
        let mut parts = text.split(':');
        let kind = parts.next().unwrap_or_default();
        let seed = parts.next().and_then(|part| part.parse().ok()).ok_or_else(unknown)?;
        let ops = parts.next().and_then(|part| part.parse().ok()).ok_or_else(unknown)?;
        match (kind, parts.next()) {
            ("random", None) => Ok(Self::Random { seed, ops }),
            ("full", None) => Ok(Self::Full { seed, ops }),
            ("counters", None) => Ok(Self::Counters { seed, ops }),
            _ => Err(unknown()),
        }
    }
}

/// An edge from what stands behind `edge:`.
fn edge_from(text: &str) -> Option<WorkloadSource> {
    let mut parts = text.split(':');
    let name = parts.next()?;
    let start = Start::ALL.into_iter().find(|start| start.name() == name)?;
    let filler = parts.next()?.parse().ok()?;
    let digits: Option<Vec<u8>> =
        parts.next()?.chars().map(|digit| u8::try_from(digit.to_digit(10)?).ok()).collect();
    let letters = Letters::new(&digits?)?;
    parts.next().is_none().then_some(WorkloadSource::Edge { start, filler, letters })
}

/// A prelude is no longer than this, even on a part that it then does not fill.
pub(crate) const MOST_PRELUDE_OPS: u64 = 200_000;

impl Workload {
    /// A random workload sized to the geometry: small values, batches of two or three, deletes,
    /// overwrites by an equal value, now and then a larger value, a factory reset, housekeeping
    /// and restarts. With `fill` the values are too large for the part.
    pub fn random(seed: u64, geometry: &Geometry, ops: u32, fill: bool) -> Self {
        let kind = if fill { "full" } else { "random" };
        Self::drawn(kind, seed, OpMix::new(seed, geometry, fill), geometry, ops)
    }

    fn drawn(
        kind: &str,
        seed: u64,
        (mut mix, mut rng): (OpMix, ChaCha8Rng),
        geometry: &Geometry,
        ops: u32,
    ) -> Self {
        let turns = u64::from(geometry.bytes()) * 2 / u64::from(mix.mean_record_bytes());
        let prelude = (0..turns.min(MOST_PRELUDE_OPS)).map(|_| mix.draw(&mut rng)).collect();
        let ops = (0..ops).map(|_| mix.draw(&mut rng)).collect();
        let name = format!("{kind} {seed}");
        Self { name, keys: mix.keys().clone(), prelude, ops, may_fill: mix.fills() }
    }

    /// A workload given operation by operation, without a prelude.
    pub fn new(name: &str, keys: KeyNames, ops: Vec<Op>) -> Self {
        Self { name: name.to_owned(), keys, prelude: Vec::new(), ops, may_fill: false }
    }

    /// Prelude and explored operations in one.
    pub fn all_ops(&self) -> impl Iterator<Item = &Op> {
        self.prelude.iter().chain(&self.ops)
    }

    /// The usual size of each setting: that of its last value, or 4 bytes if it never gets one.
    pub fn sizes(&self) -> Vec<usize> {
        let mut sizes = vec![4; self.keys.len()];
        let mut note = |key: u16, value: &[u8]| {
            if let Some(size) = sizes.get_mut(usize::from(key)) {
                *size = value.len();
            }
        };
        for op in self.all_ops() {
            match op {
                Op::Put { key, value } => note(*key, value),
                Op::Batch(changes) => changes.iter().for_each(|change| {
                    if let Change::Put { key, value } = change {
                        note(*key, value);
                    }
                }),
                _ => {}
            }
        }
        sizes
    }

    /// Bytes of the longest value.
    pub(crate) fn longest_value(&self) -> usize {
        self.all_ops().map(Op::longest_value).max().unwrap_or(0)
    }

    /// What a device does after it has come up again from a cut: a few writes, so that the rig
    /// sees whether what recovery left can be written on. `about` is a setting the interrupted
    /// operation was about, `round` counts the cuts so far.
    pub fn continuation(&self, sizes: &[usize], about: u16, round: u32) -> Vec<Op> {
        // At most 65 536 names exist, so the count fits.
        let keys = u32::try_from(self.keys.len().max(1)).unwrap_or(1);
        let key = |offset: u32| u16::try_from((u32::from(about) + offset) % keys).unwrap_or(about);
        let value = |key: u16, place: u32| {
            let size = sizes.get(usize::from(key)).copied().unwrap_or(4);
            stamped(key, 0xF000 + round * 8 + place, size)
        };
        let put = |offset: u32, place: u32| {
            let key = key(offset);
            Change::Put { key, value: value(key, place) }
        };
        // A batch names each setting once.
        let batch = if keys > 3 { vec![put(3, 2), put(0, 3)] } else { vec![put(0, 3)] };
        vec![
            Op::Put { key: key(0), value: value(key(0), 0) },
            Op::Put { key: key(1), value: value(key(1), 1) },
            Op::Delete { key: key(2) },
            Op::Batch(batch),
        ]
    }
}

impl Workload {
    /// Puts that go round all settings a few times, each value a new one.
    pub(crate) fn turnover(&self, sizes: &[usize]) -> Vec<Op> {
        const ROUNDS: u32 = 4;
        let mut number = 0xE000;
        let mut ops = Vec::new();
        for _ in 0..ROUNDS {
            for (key, &size) in (0..=u16::MAX).zip(sizes) {
                ops.push(Op::Put { key, value: stamped(key, number, size) });
                number += 1;
            }
        }
        ops
    }
}

/// A value that tells who wrote it: the number of the operation, the setting, and a pattern made
/// of both, as far as `len` bytes can hold them.
pub fn stamped(key: u16, number: u32, len: usize) -> Vec<u8> {
    let mut value = Vec::with_capacity(len);
    let [.., high, low] = number.to_be_bytes();
    // One-byte values carry the fast-changing end.
    if len == 1 {
        value.push(low);
        return value;
    }
    value.extend([high, low, key.to_be_bytes()[1]]);
    let mut state = (u64::from(number) << 16) ^ u64::from(key);
    while value.len() < len {
        state = mixed(state.wrapping_add(0x9E37_79B9_7F4A_7C15));
        value.extend(state.to_le_bytes());
    }
    value.truncate(len);
    value
}

/// The finaliser of the SplitMix64 generator (Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014): spreads each input bit over all output bits.
pub(crate) const fn mixed(mut word: u64) -> u64 {
    word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    word ^ (word >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::{live_room, record_bytes};
    use crate::subject::OpKind;
    use std::collections::BTreeSet;

    fn geometries() -> impl Iterator<Item = Geometry> {
        [(2, 512), (2, 4096), (3, 1024), (4, 4096), (8, 512), (8, 4096)].into_iter().flat_map(
            |(sectors, bytes)| {
                [1, 4, 8, 32].map(|unit| Geometry::new(sectors, bytes, unit, 256).unwrap())
            },
        )
    }

    #[test]
    fn names_are_found() {
        let keys = KeyNames::new(["radio.channel", "boots", "a"]);
        for (key, name) in keys.iter() {
            assert_eq!(keys.find(name.as_bytes()), Some(key));
            assert_eq!(keys.name(key), name);
        }
        assert_eq!((keys.find(b"b"), keys.name(3), keys.len()), (None, "", 3));
    }

    #[test]
    fn sources_read_as_they_print() {
        for source in [
            WorkloadSource::TideGauge,
            WorkloadSource::Random { seed: 7, ops: 40 },
            WorkloadSource::Full { seed: u64::MAX, ops: 0 },
            WorkloadSource::Counters { seed: 0, ops: 9 },
            WorkloadSource::Edge {
                start: Start::TailMixed,
                filler: 3990,
                letters: Letters::new(&[4, 8]).unwrap(),
            },
        ] {
            assert_eq!(source.to_string().parse(), Ok(source));
        }
        for wrong in [
            "",
            "tide",
            "random:1",
            "random:1:2:3",
            "random:-1:2",
            "random:1:x",
            "edge:first:1:9",
            "edge:first:1:0000",
            "edge:no-such:1:0",
            "edge:first:1:0:0",
        ] {
            assert!(wrong.parse::<WorkloadSource>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn live_settings_fit_half_of_what_can_be_live() {
        for geometry in geometries() {
            for source in [
                WorkloadSource::TideGauge,
                WorkloadSource::Random { seed: 1, ops: 50 },
                WorkloadSource::Random { seed: 2, ops: 50 },
            ] {
                let workload = source.build(&geometry);
                let sizes = workload.sizes();
                let names = workload.keys.iter().map(|(_, name)| name.len());
                let live: u32 = names
                    .zip(&sizes)
                    .map(|(name, &size)| record_bytes(&geometry, name, size))
                    .sum();
                // The first three settings are there however small the part is.
                let small = live_room(&geometry) < 512;
                assert!(live <= live_room(&geometry) * if small { 2 } else { 1 }, "{geometry}");
                assert_eq!(workload, source.build(&geometry));
            }
        }
    }

    #[test]
    fn the_tide_gauge_does_everything() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let workload = WorkloadSource::TideGauge.build(&geometry);
        let kinds: BTreeSet<OpKind> = workload.ops.iter().map(Op::kind).collect();
        assert_eq!(kinds.len(), 6, "{kinds:?}");
        let written = |ops: &[Op]| -> usize {
            let put = |key: u16, value: &[u8]| workload.keys.name(key).len() + value.len();
            ops.iter()
                .map(|op| match op {
                    Op::Put { key, value } => put(*key, value),
                    Op::Batch(changes) => changes
                        .iter()
                        .map(|change| match change {
                            Change::Put { key, value } => put(*key, value),
                            Change::Delete { .. } => 0,
                        })
                        .sum(),
                    _ => 0,
                })
                .sum()
        };
        // More than the part, and about a sector with the records' overhead.
        assert!(written(&workload.prelude) > 16384);
        assert!(written(&workload.ops) > 2048);
    }

    #[test]
    fn values_tell_who_wrote_them() {
        let mut seen = BTreeSet::new();
        for number in 0..300 {
            for key in 0..4 {
                for len in 2..40 {
                    let value = stamped(key, number, len);
                    assert_eq!(value.len(), len);
                    if len >= 3 {
                        assert!(seen.insert(value));
                    }
                }
            }
        }
        assert_eq!((stamped(1, 2, 0), stamped(1, 2, 1)), (vec![], vec![2]));
    }

    #[test]
    fn draws_do_not_depend_on_anything_else() {
        let geometry = Geometry::new(4, 1024, 1, 256).unwrap();
        let a = WorkloadSource::Random { seed: 5, ops: 30 }.build(&geometry);
        let b = WorkloadSource::Random { seed: 5, ops: 60 }.build(&geometry);
        assert_eq!(a.ops[..], b.ops[..30]);
        let other = WorkloadSource::Random { seed: 6, ops: 30 }.build(&geometry);
        assert_ne!(a.ops, other.ops);
    }
}
