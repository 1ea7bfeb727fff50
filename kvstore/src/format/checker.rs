//! Checks a record whose bytes are read in pieces.

use super::check::{Check, Trailer};
use super::generation::Generation;
use super::geometry::Geometry;
use super::record::RecordRef;

/// Takes a record's bytes in order and compares its trailer with the one it should have.
pub(crate) struct Checker {
    check: Check,
    /// Address where the bytes that the check covers end.
    body_end: u32,
    /// Bytes of the trailer.
    len: u32,
    /// The trailer as it was read.
    stored: Trailer,
}

impl Checker {
    pub(crate) fn new(g: &Geometry, generation: Generation, found: RecordRef) -> Self {
        #[cfg_attr(not(feature = "counters"), expect(unused_mut, reason = "nothing to leave out"))]
        let mut check = Check::new(generation, g.offset_of(found.address));
        #[cfg(feature = "counters")]
        check.leave_out(g.cells(found), found.address);
        Self { check, body_end: g.body_end(found), len: g.trailer(), stored: 0 }
    }

    /// Takes the record's next bytes, which stand at `address`.
    pub(crate) fn feed(&mut self, address: u32, bytes: &[u8]) {
        let body = self.body_end.saturating_sub(address) as usize;
        let (covered, rest) = bytes.split_at(body.min(bytes.len()));
        self.check.update(covered);
        for byte in rest {
            self.stored = self.stored >> 8 | u64::from(*byte) << 56;
        }
    }

    /// Whether the record has the trailer it should have.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn passes(&self) -> bool {
        let mut stored = self.stored;
        // A loop, since small processors shift 64 bits by a constant only.
        for _ in self.len..8 {
            stored >>= 8;
        }
        stored == self.check.trailer(self.len)
    }
}
