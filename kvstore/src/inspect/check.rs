//! Whether records pass their checks, and with which generation they would.

use alloc::vec::Vec;

use super::dump::Dump;
use super::record::{Record, Repair};
use super::region::Region;
use crate::flash::medium::Medium;
use crate::flash::reader::{Examined, Place};
use crate::format::check::{Check, zeros_of};
use crate::format::generation::Generation;

impl Region<'_> {
    /// Whether a record passes its checks as a record of a sector with this epoch and sequence
    /// number. Its wrong bit, if one is known, counts as corrected.
    #[must_use]
    pub fn passes(&self, record: &Record, epoch: u32, sequence: u32) -> bool {
        self.trailer_is_right(record, epoch, sequence) && self.is_in_order(record)
    }

    /// The same, but a tally also passes if its cells were not cleared in order. A mount takes it
    /// for the newest record of its key then.
    #[must_use]
    pub fn trailer_is_right(&self, record: &Record, epoch: u32, sequence: u32) -> bool {
        let stored = self.stored_trailer(record);
        let wanted = self.trailer(record, Generation { epoch, sequence });
        stored.is_some_and(|stored| wanted.starts_with(&stored))
    }

    /// Whether the cells of a record, if it is a tally, were cleared in order.
    pub(super) fn is_in_order(&self, record: &Record) -> bool {
        self.tally(record).is_none_or(|tally| tally.in_order)
    }

    /// The record at an address as a mount reads it: if it does not pass its checks, but would with
    /// one bit changed, with that bit corrected. Also returns whether it passes then. A record that
    /// is not `proven` to have been finished may be torn, so not every bit of it is corrected.
    #[must_use]
    pub fn examine(
        &self,
        address: u32,
        limit: u32,
        (epoch, sequence): (u32, u32),
        proven: bool,
    ) -> Option<(Record, bool)> {
        let generation = Generation { epoch, sequence };
        let (record, passes) = self.examined(&Place { address, limit, generation, proven })?;
        let passes = passes && self.is_in_order(&record);
        Some((record, passes))
    }

    /// The same, but a tally also passes if its cells were not cleared in order.
    pub(super) fn examined(&self, place: &Place) -> Option<(Record, bool)> {
        let mut medium = self.medium();
        let examined = medium.examine(place, &mut |_, _, _, _| {})?;
        Some((self.record_as_read(&medium, examined)?, examined.whole))
    }

    /// A record that was read, with its wrong bit if one was corrected.
    pub(super) fn record_as_read(
        &self,
        medium: &Medium<Dump<'_>>,
        Examined { found, whole }: Examined,
    ) -> Option<Record> {
        let is_fixed = whole && medium.has_fix(found.address, self.geometry.end(found));
        let repair = is_fixed.then(|| {
            let (address, mask) = medium.fix;
            let byte = self.bytes(address, address + 1).and_then(<[u8]>::first).copied();
            let lacks_zero = byte.is_some_and(|byte| byte & mask != 0);
            Repair { address, bit: mask.trailing_zeros(), lacks_zero }
        });
        self.record_of(found, repair)
    }

    /// The bytes that a record's check covers.
    fn covered(&self, record: &Record) -> Option<Vec<u8>> {
        let body_end = record.end - record.trailer_bytes;
        let cells = self.cells(record);
        if cells.from == cells.to {
            return self.content(record.address, (record.address, body_end), record.repair);
        }
        let address = record.address;
        let mut covered = self.content(address, (address, cells.from), record.repair)?;
        covered.extend(self.content(address, (cells.to, body_end), record.repair)?);
        Some(covered)
    }

    fn stored_trailer(&self, record: &Record) -> Option<Vec<u8>> {
        let trailer_at = record.end - record.trailer_bytes;
        self.content(record.address, (trailer_at, record.end), record.repair)
    }

    /// Whether the zero count at the end of a record is right. That does not depend on epoch and
    /// sequence number, and refuses nearly everything that only looks like a record.
    #[must_use]
    pub fn zero_count_is_right(&self, record: &Record) -> bool {
        let (Some(covered), Some(trailer)) = (self.covered(record), self.stored_trailer(record))
        else {
            return false;
        };
        let Some((crc, count)) = trailer.split_first_chunk::<4>() else { return false };
        let zeros = zeros_of(&covered) + zeros_of(crc);
        count.iter().fold(0, |number, byte| number << 8 | u32::from(*byte)) == zeros
    }

    /// The trailer a record should have.
    #[must_use]
    pub fn expected_trailer(&self, record: &Record, epoch: u32, sequence: u32) -> [u8; 7] {
        let [trailer @ .., _] = self.trailer(record, Generation { epoch, sequence });
        trailer
    }

    fn trailer(&self, record: &Record, generation: Generation) -> [u8; 8] {
        let mut check = Check::new(generation, self.geometry.offset_of(record.address));
        check.update(&self.covered(record).unwrap_or_default());
        check.trailer(record.trailer_bytes).to_le_bytes()
    }

    /// The only sequence number with which a record of this epoch passes its checks, if there is
    /// one. It can be computed, since a CRC is linear. For sectors whose opening is lost.
    #[must_use]
    pub fn sequence_of(&self, record: &Record, epoch: u32) -> Option<u32> {
        let crc = |trailer: [u8; 8]| trailer.first_chunk().map(|crc| u32::from_le_bytes(*crc));
        let of = |sequence| crc(self.trailer(record, Generation { epoch, sequence }));
        let stored: [u8; 4] = *self.stored_trailer(record)?.first_chunk()?;
        let zero = of(0)?;
        let mut wanted = u32::from_le_bytes(stored) ^ zero;
        // Gaussian elimination over single bits. Each row is a sum of columns, and which columns
        // they are.
        let mut rows = [(0_u32, 0_u32); 32];
        for (bit, row) in rows.iter_mut().enumerate() {
            *row = (of(1 << bit)? ^ zero, 1 << bit);
        }
        let mut sequence = 0;
        for bit in 0..32 {
            let pivot = rows.iter().position(|(sum, _)| sum >> bit & 1 == 1)?;
            let (sum, which) = rows.get(pivot).copied()?;
            for row in &mut rows {
                if row.0 >> bit & 1 == 1 {
                    *row = (row.0 ^ sum, row.1 ^ which);
                }
            }
            if wanted >> bit & 1 == 1 {
                wanted ^= sum;
                sequence ^= which;
            }
        }
        self.passes(record, epoch, sequence).then_some(sequence)
    }
}
