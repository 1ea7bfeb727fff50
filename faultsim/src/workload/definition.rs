//! The workload: operations, with the settings they use.

use super::value::stamped;
use crate::subject::{Change, KeyNames, Op};

/// A prelude, and the operations during which power is cut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Workload {
    /// Short name for reports.
    pub name: String,
    /// The settings it uses.
    pub keys: KeyNames,
    /// Run first, without cuts, to bring the part into the state of a device in the field.
    pub prelude: Vec<Op>,
    /// The operations during which power is cut at every step.
    pub ops: Vec<Op>,
    /// Whether the part may fill up. Then it is no violation if a larger value or a batch is
    /// refused for lack of room. Deleting a setting, and replacing a value by one that is no
    /// longer, must work even so.
    pub may_fill: bool,
    /// Whether what follows a cut goes round all sectors.
    pub goes_round: bool,
}

/// Puts of the longest value in what goes round all sectors.
const ROUND: usize = 6;

/// The most operations in a prelude, even on a part that they do not fill.
pub(super) const MOST_PRELUDE_OPS: u64 = 200_000;

impl Workload {
    /// A workload given operation by operation, without a prelude.
    pub fn new(name: &str, keys: KeyNames, ops: Vec<Op>) -> Self {
        Self {
            name: name.to_owned(),
            keys,
            prelude: Vec::new(),
            ops,
            may_fill: false,
            goes_round: false,
        }
    }

    /// The prelude and the explored operations, one after the other.
    pub fn all_ops(&self) -> impl Iterator<Item = &Op> {
        self.prelude.iter().chain(&self.ops)
    }

    /// The same operations, of which those from this one on are explored.
    pub(crate) fn explored_from(mut self, from: usize) -> Self {
        let mut all = std::mem::take(&mut self.prelude);
        all.append(&mut self.ops);
        self.ops = all.split_off(from.min(all.len()));
        self.prelude = all;
        self
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

    /// The length of the longest value.
    pub(crate) fn longest_value(&self) -> usize {
        self.all_ops().map(Op::longest_value).max().unwrap_or(0)
    }

    /// What a device does after it has recovered from a cut: a few writes, so that the rig sees
    /// whether the device can go on writing after the recovery. `about` is a setting that the
    /// interrupted operation changes, or any other; `round` counts the cuts so far.
    pub fn continuation(&self, sizes: &[usize], about: u16, round: u32) -> Vec<Op> {
        // There are at most 65 536 names, so the count fits.
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
        let mut ops = vec![
            Op::Put { key: key(0), value: value(key(0), 0) },
            Op::Put { key: key(1), value: value(key(1), 1) },
            Op::Delete { key: key(2) },
            Op::Batch(batch),
        ];
        if self.goes_round {
            ops.extend(self.round(sizes, 0xF000 + round * 64));
        }
        ops
    }

    /// Puts of the longest value, with puts of the others between them.
    fn round(&self, sizes: &[usize], number: u32) -> Vec<Op> {
        let Some(longest) = (0..sizes.len()).max_by_key(|&key| sizes[key]) else {
            return Vec::new();
        };
        let put = |key: usize, number| {
            let value = stamped(u16::try_from(key).unwrap_or(0), number, sizes[key]);
            Op::Put { key: u16::try_from(key).unwrap_or(0), value }
        };
        let others = (0..sizes.len()).filter(|&key| key != longest).cycle();
        let numbers = (number + 32..).step_by(2).take(ROUND);
        numbers
            .zip(others)
            .flat_map(|(number, other)| [put(longest, number), put(other, number + 1)])
            .collect()
    }

    /// Puts that rewrite all settings a few times, each with a new value.
    pub(crate) fn rewrite_all(&self, sizes: &[usize]) -> Vec<Op> {
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
