//! The first format of a region.

use embedded_storage::nor_flash::NorFlash;

use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Whether the region is blank, or holds what an interrupted first format leaves: zeros at the
    /// start of the last sector, and possibly anything in the first sector.
    pub(crate) fn is_provably_empty(&mut self) -> bool {
        let last = (self.medium.geometry.sectors - 1) * self.medium.geometry.sector_bytes;
        let intent = self.medium.geometry.mark() + self.medium.geometry.unit;
        if !self.medium.is_blank(self.medium.geometry.sector_bytes, last)
            || !self.medium.is_blank(last + intent, last + self.medium.geometry.sector_bytes)
        {
            return false;
        }
        if self.medium.is_blank(0, self.medium.geometry.sector_bytes) {
            return true;
        }
        self.medium.is_all(0, last, last + intent)
    }

    /// Makes sector 0 the head of an empty log.
    pub(crate) fn first_format(&mut self, epoch: u32) {
        // These zeros allow the next mount to start over if sector 0 is left half-erased.
        self.medium.zero(
            (self.medium.geometry.sectors - 1) * self.medium.geometry.sector_bytes,
            self.medium.geometry.mark() + self.medium.geometry.unit,
        );
        // Zeros before the erase: else an interrupted erase could begin the mark of an opening that
        // was never finished.
        self.medium.zero(0, self.medium.geometry.mark());
        self.medium.erase(0);
        self.log.epoch = epoch;
        self.log.head = self.medium.geometry.sectors;
        self.finish_sector(self.medium.geometry.sectors, 0, self.medium.geometry.first_record());
    }
}
