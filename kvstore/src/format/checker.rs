//! Checks a record whose bytes arrive piece by piece.

use super::check::{Check, Trailer};
use super::generation::Generation;
use super::geometry::Geometry;
use super::record::RecordRef;

/// Gets a record's bytes in order and tells whether they pass the record's checks.
pub(crate) struct Checker {
    check: Check,
    /// Address where the bytes end that the check covers.
    body_end: u32,
    /// Bytes of the trailer.
    len: u32,
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

    /// The record's bytes from `address` on; none of them twice.
    pub(crate) fn feed(&mut self, address: u32, bytes: &[u8]) {
        let body = self.body_end.saturating_sub(address) as usize;
        let (covered, rest) = bytes.split_at(body.min(bytes.len()));
        self.check.update(covered);
        for byte in rest {
            self.stored = self.stored >> 8 | u64::from(*byte) << 56;
        }
    }

    /// Whether the record has the trailer it should have.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn passes(&self) -> bool {
        let mut stored = self.stored;
        // A loop: small parts shift a long number by a constant only.
        for _ in self.len..8 {
            stored >>= 8;
        }
        stored == self.check.trailer(self.len)
    }
}
