//! Edges: a start state of the part in which a limit is near, and up to three operations during
//! which power is cut.

use std::fmt;

use super::definition::Workload;
use super::value::stamped;
use crate::part::Geometry;
use crate::subject::{Change, KeyNames, Op};

/// The state of the part before the operations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Start {
    /// Never used, so the first start is cut too.
    Blank,
    /// Started twice, and nothing written.
    Fresh,
    /// Still in its first sector.
    First,
    /// The log is as long as it can get, and nothing in its oldest sector is live.
    TailDead,
    /// The same, and some of the settings are live in the oldest sector.
    TailMixed,
    /// The same, and all small settings are live in the oldest sector.
    TailLive,
    /// The log has gone round all sectors more than once.
    Round,
    /// After a factory reset.
    Cleared,
    /// After housekeeping.
    Tidied,
    /// Started again and again, which used up the room that each start takes.
    Restarted,
}

impl Start {
    /// All start states.
    pub const ALL: [Self; 10] = [
        Self::Blank,
        Self::Fresh,
        Self::First,
        Self::TailDead,
        Self::TailMixed,
        Self::TailLive,
        Self::Round,
        Self::Cleared,
        Self::Tidied,
        Self::Restarted,
    ];

    /// The name, as the name of a workload has it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Blank => "blank",
            Self::Fresh => "fresh",
            Self::First => "first",
            Self::TailDead => "tail-dead",
            Self::TailMixed => "tail-mixed",
            Self::TailLive => "tail-live",
            Self::Round => "round",
            Self::Cleared => "cleared",
            Self::Tidied => "tidied",
            Self::Restarted => "restarted",
        }
    }

    /// Whether a sector of it is filled up to a point that can be chosen.
    pub(crate) const fn is_filled(self) -> bool {
        !matches!(self, Self::Blank | Self::Fresh)
    }
}

/// The number of restarts in [`Start::Restarted`].
const RESTARTS: u32 = 6;

const KEYS: [&str; 4] = ["datum", "span", "quay.name", "log"];
const DATUM: u16 = 0;
const SPAN: u16 = 1;
const NAME: u16 = 2;
/// Its long values fill sectors. Its short values supersede them, so that no record there is live.
const LOG: u16 = 3;

/// Up to three operations, each given by its number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct OpSequence {
    ops: [u8; Self::MOST],
    count: u8,
}

impl OpSequence {
    /// The largest number of operations.
    pub const MOST: usize = 3;
    /// The number of different operations: puts of 4, 24 and no bytes, a delete, a batch of three
    /// changes, a factory reset, housekeeping, a restart, and a put of 300 bytes (or a quarter of a
    /// small sector).
    pub const KINDS: u8 = 9;

    /// These operations; `None` if there are too many or if one does not exist.
    pub fn new(ops: &[u8]) -> Option<Self> {
        let mut kept = Self { count: u8::try_from(ops.len()).ok()?, ..Self::default() };
        kept.ops.get_mut(..ops.len())?.copy_from_slice(ops);
        ops.iter().all(|op| *op < Self::KINDS).then_some(kept)
    }

    /// The operations in order.
    pub fn as_slice(&self) -> &[u8] {
        self.ops.get(..usize::from(self.count)).unwrap_or_default()
    }

    /// The same without the last operation, if there is one.
    pub(crate) fn before_last(self) -> Option<Self> {
        let (_, before) = self.as_slice().split_last()?;
        Self::new(before)
    }

    /// All sequences of `count` operations.
    pub(crate) fn all_of(count: usize) -> impl Iterator<Item = Self> {
        let kinds = u32::from(Self::KINDS);
        let count = count.min(Self::MOST);
        (0..kinds.pow(count as u32)).map(move |number| {
            let mut sequence = Self { count: count as u8, ..Self::default() };
            let mut rest = number;
            for op in sequence.ops.iter_mut().take(count).rev() {
                *op = (rest % kinds) as u8;
                rest /= kinds;
            }
            sequence
        })
    }
}

/// One digit for each operation, the first operation first.
impl fmt::Display for OpSequence {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.as_slice().iter().try_for_each(|op| write!(out, "{op}"))
    }
}

/// A list of operations under construction. Each value is stamped with the number of its operation.
#[derive(Default)]
struct OpList {
    ops: Vec<Op>,
    number: u32,
    /// The length of a long value.
    long: usize,
}

impl OpList {
    fn value(&mut self, key: u16, len: usize) -> Vec<u8> {
        self.number += 1;
        stamped(key, self.number, len)
    }

    fn put(&mut self, key: u16, len: usize) {
        let value = self.value(key, len);
        self.ops.push(Op::Put { key, value });
    }

    fn small(&mut self) {
        self.put(DATUM, 4);
        self.put(SPAN, 2);
        self.put(NAME, 9);
    }

    fn fill(&mut self, bytes: u32, times: u32) {
        (0..times).for_each(|_| self.put(LOG, bytes as usize));
    }

    fn op(&mut self, op: u8) {
        match op {
            0 => self.put(DATUM, 4),
            1 => self.put(NAME, 24),
            2 => self.put(SPAN, 0),
            3 => self.ops.push(Op::Delete { key: DATUM }),
            4 => {
                let (datum, name) = (self.value(DATUM, 4), self.value(NAME, 5));
                self.ops.push(Op::Batch(vec![
                    Change::Put { key: DATUM, value: datum },
                    Change::Delete { key: SPAN },
                    Change::Put { key: NAME, value: name },
                ]));
            }
            5 => self.ops.push(Op::Clear),
            6 => self.ops.push(Op::Tidy),
            7 => self.ops.push(Op::Reopen),
            _ => self.put(LOG, self.long),
        }
    }
}

/// The workload that begins at `start`, with a value of `filler` bytes in the last sector, and
/// carries out `ops`.
pub(crate) fn workload(
    geometry: &Geometry,
    start: Start,
    filler: u32,
    ops: OpSequence,
) -> Workload {
    let sectors = geometry.sectors;
    // Too large for two of them to share a sector.
    let whole = geometry.sector_bytes / 8 * 7;
    let long = (geometry.sector_bytes / 4).min(300) as usize;
    let mut list = OpList { long, ..OpList::default() };
    match start {
        Start::Blank => {}
        Start::Fresh => list.ops.push(Op::Reopen),
        _ => list.small(),
    }
    match start {
        Start::Blank | Start::Fresh | Start::First | Start::Restarted => {}
        Start::TailLive => list.fill(whole, sectors.saturating_sub(2)),
        Start::TailMixed => {
            list.fill(whole, sectors.saturating_sub(2));
            list.put(DATUM, 4);
        }
        Start::TailDead => {
            list.fill(whole, sectors.saturating_sub(2));
            list.small();
        }
        Start::Round | Start::Tidied => {
            list.fill(whole, 2 * sectors);
            list.small();
        }
        Start::Cleared => {
            list.fill(whole, sectors);
            list.ops.push(Op::Clear);
            list.small();
        }
    }
    if start.is_filled() {
        list.fill(filler, 1);
        list.put(LOG, 2);
    }
    match start {
        Start::Tidied => list.ops.push(Op::Tidy),
        Start::Restarted => (0..RESTARTS).for_each(|_| list.ops.push(Op::Reopen)),
        _ => {}
    }
    let prelude = std::mem::take(&mut list.ops);
    ops.as_slice().iter().for_each(|op| list.op(*op));
    let name = format!("edge {} {filler} {ops}", start.name());
    Workload {
        name,
        keys: KeyNames::new(KEYS),
        prelude,
        ops: list.ops,
        may_fill: false,
        goes_round: false,
    }
}
