//! State of the log in RAM: which sectors it consists of, where it ends, what of it lives.

use crate::layout::Live;
use embedded_storage::nor_flash::NorFlash;

use crate::change::Change;
use crate::index::Index;
use crate::medium::Medium;
use crate::record::Found;
use crate::record::{Life, crc32c};

#[derive(Clone, Copy, Debug)]
pub(crate) struct Log {
    pub(crate) epoch: u32,
    /// Sequence number of the sector that takes appends; number s lives in sector s mod N.
    pub(crate) head: u32,
    /// Sequence number of the oldest live sector.
    pub(crate) tail: u32,
    /// Offset of the next record in the head.
    pub(crate) end: u32,
    /// All live records.
    pub(crate) live: Live,
    pub(crate) head_live: Live,
    pub(crate) tail_live: Live,
    /// The spare was erased in this power-up.
    pub(crate) spare_erased: bool,
    /// There may be live tallies.
    #[cfg(feature = "counters")]
    pub(crate) tallies: bool,
    /// A flash error left the state unknown.
    pub(crate) poisoned: bool,
    pub(crate) damaged: u32,
}

impl Log {
    /// Of a store that is not open.
    pub(crate) const NONE: Self = Self {
        epoch: 0,
        head: 0,
        tail: 0,
        end: 0,
        live: Live::NONE,
        head_live: Live::NONE,
        tail_live: Live::NONE,
        spare_erased: false,
        #[cfg(feature = "counters")]
        tallies: false,
        poisoned: true,
        damaged: 0,
    };
}

/// The store without its index.
#[derive(Debug)]
pub(crate) struct Core<F: NorFlash> {
    pub(crate) medium: Medium<F>,
    pub(crate) log: Log,
}

impl<F: NorFlash> Core<F> {
    /// Physical sector of a sequence number.
    pub(crate) const fn sector(&self, sequence: u32) -> u32 {
        self.medium.geometry.sector_in_turn(sequence)
    }

    /// Address of the first byte of a sector.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image, as what follows.
    pub(crate) const fn base(&self, sequence: u32) -> u32 {
        self.sector(sequence) * self.medium.geometry.sector_bytes
    }

    pub(crate) const fn life(&self, sequence: u32) -> Life {
        Life { epoch: self.log.epoch, sequence }
    }

    /// What seeds the check of a record in a sector of the log.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn life_at(&self, address: u32) -> Life {
        let g = &self.medium.geometry;
        let back = self.sector(self.log.head) + g.sectors - g.sector_of(address);
        self.life(self.log.head.wrapping_sub(g.sector_in_turn(back)))
    }

    /// End of the sector an address lies in.
    pub(crate) const fn limit_at(&self, address: u32) -> u32 {
        let g = &self.medium.geometry;
        (g.sector_of(address) + 1) * g.sector_bytes
    }

    /// Whether an address lies in the log sector with this number.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn is_in(&self, address: u32, sequence: u32) -> bool {
        self.medium.geometry.sector_of(address) == self.sector(sequence)
    }

    pub(crate) const fn log_is_long(&self) -> bool {
        self.log.head - self.log.tail + 2 >= self.medium.geometry.sectors
    }

    /// The header of the record an index entry points to.
    pub(crate) fn header_at(&mut self, address: u32) -> Option<Found> {
        self.medium.header(address, self.limit_at(address))
    }

    /// Enters a record into the live sums, or takes it out.
    pub(crate) fn note(&mut self, found: Found, lives: bool) {
        let bytes = self.medium.geometry.size(found.header);
        self.log.live.note(bytes, lives);
        if self.is_in(found.address, self.log.head) {
            self.log.head_live.note(bytes, lives);
        }
        if self.is_in(found.address, self.log.tail) {
            self.log.tail_live.note(bytes, lives);
        }
    }

    /// Takes the live sums anew from the index.
    pub(crate) fn sum_live(&mut self, index: &Index) {
        self.forget_live();
        for entry in index {
            if let Some(found) = self.header_at(entry.address) {
                self.note(found, true);
            }
        }
    }

    pub(crate) fn forget_live(&mut self) {
        self.log.live = Live::NONE;
        self.log.head_live = Live::NONE;
        self.log.tail_live = Live::NONE;
    }

    /// Sum of the live records of a sector that `changes` do not replace.
    pub(crate) fn live_in(&mut self, sequence: u32, index: &Index, changes: &[Change<'_>]) -> Live {
        let mut live = Live::NONE;
        for entry in index {
            if self.is_in(entry.address, sequence)
                && let Some(found) = self.header_at(entry.address)
                && !self.is_replaced(entry.hash, entry.address, changes)
            {
                live = live.plus(self.medium.geometry.size(found.header));
            }
        }
        live
    }

    /// Whether one of `changes` replaces or deletes the key of the record an index entry points
    /// to.
    pub(crate) fn is_replaced(&mut self, hash: u32, address: u32, changes: &[Change<'_>]) -> bool {
        changes.iter().any(|change| {
            crc32c(change.key()) == hash
                && self.has_key(address, change.key()).is_ok_and(|found| found.is_some())
        })
    }
}
