//! Finds the head of the log, and makes sure that every later mount finds the same.

use embedded_storage::nor_flash::NorFlash;

use super::held::Held;
use crate::error::Found;
use crate::format::opening::{NoOpening, OPENING, Opening};
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// The newest sector whose mark was begun, or what the region holds instead. A single opening
    /// of another layout is enough to refuse the region: the settle records and other sectors of
    /// such a store could not be distinguished from ours.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn find_head(&mut self, head: &mut Opening) -> Result<(), Found> {
        let sectors = self.medium.geometry.sectors;
        let mut result = Err(Found::ForeignData);
        for sector in 0..sectors {
            let mut opening = Opening::NONE;
            let read = self.read_opening(sector, &mut opening);
            let is_here = self.sector(opening.generation.sequence) == sector;
            let counts = match read {
                Ok(()) if is_here => self.mark_is_begun(sector),
                Ok(()) | Err(NoOpening::OtherLayout) => return Err(Found::OtherLayout),
                Err(NoOpening::NewerFormat) => return Err(Found::NewerFormat),
                Err(NoOpening::Unreadable) => self.sector_info_from_settle(sector, &mut opening),
            };
            let Opening { generation, older, .. } = opening;
            if counts
                && self.medium.geometry.is_possible(generation, older)
                && (result.is_err() || head.generation.is_before(generation))
            {
                *head = opening;
                result = Ok(());
            }
        }
        result
    }

    fn mark_is_begun(&mut self, sector: u32) -> bool {
        let mark = sector * self.medium.geometry.sector_bytes + self.medium.geometry.mark();
        !self.medium.is_blank(mark, mark + self.medium.geometry.unit)
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))]
    fn read_opening(&mut self, sector: u32, opening: &mut Opening) -> Result<(), NoOpening> {
        let mut bytes = [0; OPENING as usize];
        let address = sector * self.medium.geometry.sector_bytes;
        if !self.medium.read(address, &mut bytes) {
            return Err(NoOpening::Unreadable);
        }
        let info = Opening::sector_info_in(&bytes, &self.medium.geometry.opening_start())?;
        *opening = Opening::from_sector_info(info);
        Ok(())
    }

    /// Reads what is known of a log sector into `info`, and returns whether anything is.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn sector_info(&mut self, sequence: u32, info: &mut Opening) -> bool {
        let generation = self.generation(sequence);
        let sector = self.sector(sequence);
        let in_opening = self.read_opening(sector, info).is_ok() && info.generation == generation;
        in_opening || self.sector_info_from_settle(sector, info) && info.generation == generation
    }

    /// Reads the sector info that the first settle record of a sector repeats, and returns
    /// whether there is one. The first is the one that a walk over the sector would meet.
    fn sector_info_from_settle(&mut self, sector: u32, info: &mut Opening) -> bool {
        let base = sector * self.medium.geometry.sector_bytes;
        let limit = base + self.medium.geometry.sector_bytes;
        let mut at = base + self.medium.geometry.first_record();
        while let Some(found) = self.medium.header(at, limit) {
            at = self.medium.geometry.next_place(found);
        }
        let mut settle = Held::NONE;
        while self.medium.next_settle(at, limit, None, &mut settle, info) {
            if self.sector(info.generation.sequence) == sector {
                return true;
            }
            let Some(found) = settle.found else { break };
            at = self.medium.geometry.end(found) - 1;
        }
        false
    }

    /// Programs the mark again, which may have been the last program before a cut.
    ///
    /// The sector after the head does not count, but it may have been begun, and may read
    /// differently at the next mount even if nothing of it can be read now. So its opening is made
    /// unreadable for good, and so are the settle records of mounts that took it for the head.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn confirm_head(&mut self, head: &Opening) {
        self.medium.zero(
            self.base(self.log.head) + self.medium.geometry.mark(),
            self.medium.geometry.unit,
        );
        let sector = self.sector(head.generation.sequence + 1);
        let mut next = Opening::NONE;
        if self.read_opening(sector, &mut next).is_ok()
            && next.generation.is_before(head.generation)
        {
            // A retired sector that was not touched since. A new opening would need an erase.
            return;
        }
        self.void_sector(sector);
    }

    /// Makes the opening and the settle records of a sector unreadable for good.
    // Inlined, since most images call it from one place only.
    #[cfg_attr(target_pointer_width = "32", inline(always))]
    pub(crate) fn void_sector(&mut self, sector: u32) {
        let base = sector * self.medium.geometry.sector_bytes;
        // The mark stays as it is: its zeros say that the opening is whole.
        self.medium.zero(base, self.medium.geometry.mark());
        let mut page = self.medium.geometry.page;
        while page < self.medium.geometry.sector_bytes {
            let mut trace = [0; 32];
            let trace = trace.get_mut(..self.medium.geometry.trace() as usize).unwrap_or(&mut []);
            if !self.medium.read(base + page, trace) || trace.iter().all(|b| *b == 0) {
                self.medium.zero(
                    base + page + self.medium.geometry.trace(),
                    self.medium.geometry.header_area(),
                );
            }
            page += self.medium.geometry.page;
        }
    }
}
