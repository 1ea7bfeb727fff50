//! Checks a record whose bytes are read in pieces, and finds out which single bit may be wrong.

#[cfg(feature = "counters")]
use super::cells::Cells;
use super::check::{Check, Trailer};
use super::generation::Generation;
use super::geometry::Geometry;
use super::record::RecordRef;

/// The CRC-32C polynomial in the bit order that is used here (RFC 3720).
const POLYNOMIAL: u32 = 0x82F6_3B78;

/// Takes a record's bytes in order and compares its trailer with the one it should have.
pub(crate) struct Checker {
    check: Check,
    /// Address of the trailer.
    body_end: u32,
    /// Bytes of the trailer.
    len: u32,
    /// The trailer as it was read.
    stored: Trailer,
    /// How many bytes the check covers.
    covered: u32,
    #[cfg(feature = "counters")]
    cells: Cells,
}

impl Checker {
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn new(g: &Geometry, generation: Generation, found: RecordRef) -> Self {
        Self {
            check: Check::new(generation, g.offset_of(found.address)),
            body_end: g.body_end(found),
            len: g.trailer(),
            stored: 0,
            covered: 0,
            #[cfg(feature = "counters")]
            cells: g.cells(found),
        }
    }

    /// Takes the record's next bytes, which stand at `address` and include no page tag.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn feed(&mut self, address: u32, bytes: &[u8]) {
        #[cfg(feature = "counters")]
        if self.cells.from < address + bytes.len() as u32 && address < self.cells.to {
            for (at, byte) in (address..).zip(bytes) {
                if !self.cells.holds(at) {
                    self.feed_covered(at, core::slice::from_ref(byte));
                }
            }
            return;
        }
        self.feed_covered(address, bytes);
    }

    #[cfg_attr(target_pointer_width = "64", inline)]
    fn feed_covered(&mut self, address: u32, bytes: &[u8]) {
        let body = self.body_end.saturating_sub(address) as usize;
        let (covered, rest) = bytes.split_at(body.min(bytes.len()));
        self.check.update(covered);
        self.covered += covered.len() as u32;
        for byte in rest {
            self.stored = self.stored >> 8 | u64::from(*byte) << 56;
        }
    }

    /// The trailer as it was read, in its place.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    fn stored(&self) -> Trailer {
        let mut stored = self.stored;
        // A loop, since small processors shift 64 bits by a constant only.
        for _ in self.len..8 {
            stored >>= 8;
        }
        stored
    }

    /// Whether the record has the trailer it should have.
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn passes(&self) -> bool {
        self.stored() == self.check.trailer(self.len)
    }

    /// The one bit whose change may let the record pass: its number among those that the check
    /// covers and those of the trailer after them. The record must be checked again with that change.
    ///
    /// A record that may be torn (`proven` is false) can lack several bits of its body, chosen so
    /// that its CRC passes, and then its zero count is too high. So a count that is too high is
    /// not corrected in such a record.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn suspicion(&self, proven: bool) -> Option<u32> {
        let (stored, wanted) = (self.stored(), self.check.trailer(self.len));
        let wrong = stored as u32 ^ wanted as u32;
        let body = self.covered * 8;
        if wrong == 0 {
            let counts = ((stored >> 32) as u32, (wanted >> 32) as u32);
            let bit = (counts.0 ^ counts.1).trailing_zeros();
            // The count's bytes are the other way round; a lower bit is found by its value.
            let is_too_high = counts.0.swap_bytes() > counts.1.swap_bytes();
            return (proven || !is_too_high).then_some(body + 32 + bit);
        }
        // What the CRC differs by if the last bit of the body is wrong, the one before it, and so
        // on.
        let mut difference = POLYNOMIAL;
        for bit in (0..body).rev() {
            if difference == wrong {
                return Some(bit);
            }
            let carry = (difference & 1).wrapping_neg() & POLYNOMIAL;
            difference = difference >> 1 ^ carry;
        }
        Some(body + wrong.trailing_zeros())
    }
}
