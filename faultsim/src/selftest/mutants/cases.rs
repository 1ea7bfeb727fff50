//! Short workloads that bring the reference store into the situations where mistakes show: the
//! first format, compactions, batches, factory reset, a full part, and values that look like
//! records.

use super::codec::{Codec, Kind};
use super::walk::{Table, settled_bytes};
use crate::part::Geometry;
use crate::subject::{Change, KeyNames, Op};
use crate::workload::{Workload, stamped};

/// The number of cases.
pub const CASES: u8 = 6;

/// The part they are made for: two sectors of six small pages.
pub const GEOMETRY: Geometry = Geometry { sectors: 2, sector_bytes: 384, unit: 1, page: 64 };

/// Keys by number. Two of them have the same letters in a different order.
const KEYS: [&str; 7] = ["a", "ab", "ba", "e", "f", "g", "h"];
const A: u16 = 0;
const AB: u16 = 1;
const BA: u16 = 2;
const E: u16 = 3;
const F: u16 = 4;
const G: u16 = 5;
const H: u16 = 6;

/// A list of operations under construction. Each value is stamped with the number of its operation.
#[derive(Default)]
struct Ops {
    ops: Vec<Op>,
    number: u32,
}

impl Ops {
    fn value(&mut self, key: u16, len: usize) -> Vec<u8> {
        self.number += 1;
        stamped(key, self.number, len)
    }

    fn put(mut self, key: u16, len: usize) -> Self {
        let value = self.value(key, len);
        self.ops.push(Op::Put { key, value });
        self
    }

    fn bytes(mut self, key: u16, value: Vec<u8>) -> Self {
        self.ops.push(Op::Put { key, value });
        self
    }

    fn op(mut self, op: Op) -> Self {
        self.ops.push(op);
        self
    }

    fn delete(self, key: u16) -> Self {
        self.op(Op::Delete { key })
    }

    /// A batch of puts, and of deletions where there is no length.
    fn batch(mut self, changes: &[(u16, Option<usize>)]) -> Self {
        let changes = changes
            .iter()
            .map(|&(key, len)| match len {
                Some(len) => Change::Put { key, value: self.value(key, len) },
                None => Change::Delete { key },
            })
            .collect();
        self.op(Op::Batch(changes))
    }
}

/// The workload with this number; after the last one, the first.
pub fn workload(number: u8) -> Workload {
    let ops = Ops::default();
    let name = format!("case {number}");
    let (prelude, ops) = match number {
        // Factory resets: compactions while there is still room, the second into a used sector.
        1 => (Vec::new(), ops.put(A, 4).op(Op::Clear).put(E, 0).put(AB, 5).op(Op::Clear)),
        // Compactions because the sector is full.
        2 => {
            let mut before = ops.put(A, 3).put(AB, 4).put(BA, 5).put(E, 0).put(A, 4).put(A, 5);
            before = before.put(AB, 4).put(A, 6).put(A, 5).put(A, 5).put(AB, 3).put(A, 6);
            before = before.put(A, 5).put(AB, 4).put(A, 6).put(A, 5).put(A, 4).put(AB, 3);
            let prelude = std::mem::take(&mut before.ops);
            let after = before
                .delete(AB)
                .batch(&[(AB, Some(3)), (A, None), (E, Some(2))])
                .put(A, 4)
                .op(Op::Tidy)
                .put(A, 3);
            (prelude, after)
        }
        // A batch first, then restarts between later changes.
        3 => (
            Vec::new(),
            ops.batch(&[(A, Some(2)), (AB, Some(2))])
                .put(AB, 3)
                .op(Op::Reopen)
                .put(E, 2)
                .batch(&[(A, Some(3)), (E, Some(0))])
                .op(Op::Reopen)
                .put(A, 3)
                .batch(&[(AB, None), (E, Some(2))]),
        ),
        // Values that contain the bytes of a record and of a settle record.
        4 => {
            let plain = Codec::new(None, 0);
            // Long enough that a tear in the middle still contains the whole record.
            let mut record = plain.record(Kind::Put, b"a", &[0x0F, 0xF0]);
            record.extend(stamped(AB, 99, 14));
            let settle = plain.record(Kind::Settle, &[], &settled_bytes(0, &Table::new()));
            (Vec::new(), ops.put(A, 2).bytes(AB, record).bytes(BA, settle).put(A, 3))
        }
        // More than the part holds.
        5 => {
            let mut before = ops.put(E, 4).put(A, 38).put(AB, 38).put(G, 38).put(H, 38);
            let prelude = std::mem::take(&mut before.ops);
            let after = before
                .put(BA, 38)
                .batch(&[(F, Some(1)), (BA, Some(38))])
                .batch(&[(A, Some(4)), (AB, Some(3))])
                .put(F, 40)
                .put(A, 6);
            (prelude, after)
        }
        // Ordinary operations from the first format on.
        _ => (
            Vec::new(),
            ops.put(A, 6)
                .put(AB, 34)
                .put(BA, 3)
                .put(E, 0)
                .batch(&[(A, Some(5)), (AB, None), (BA, Some(2))])
                .delete(A),
        ),
    };
    let ops = ops.ops;
    // The last keys are there only to fill the part.
    let may_fill = number == 5;
    let keys = KeyNames::new(KEYS.iter().take(if may_fill { KEYS.len() } else { 4 }).copied());
    Workload { name, keys, prelude, ops, may_fill, goes_round: false }
}
