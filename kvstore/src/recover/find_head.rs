//! Finds the head of the log.

use embedded_storage::nor_flash::NorFlash;

use super::held::Held;
use crate::error::Found as FoundInstead;
use crate::format::opening::{NoOpening, OPENING, Opening};
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// The newest sector whose mark was begun; or what there is instead. One opening of another
    /// layout is enough to say so: settle records and sectors beside it cannot be told from ours.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn find_head(&mut self, head: &mut Opening) -> Result<(), FoundInstead> {
        let sectors = self.medium.geometry.sectors;
        let mut result = Err(FoundInstead::ForeignData);
        for sector in 0..sectors {
            let mut opening = Opening::NONE;
            let read = self.read_opening(sector, &mut opening);
            let is_here = self.sector(opening.life.sequence) == sector;
            let counts = match read {
                Ok(()) if is_here => self.mark_is_begun(sector),
                Ok(()) | Err(NoOpening::OtherLayout) => return Err(FoundInstead::OtherLayout),
                Err(NoOpening::NewerFormat) => return Err(FoundInstead::NewerFormat),
                Err(NoOpening::Unreadable) => self.facts_from_settle(sector, &mut opening),
            };
            let Opening { life, older, .. } = opening;
            if counts
                && self.medium.geometry.is_possible(life, older)
                && (result.is_err() || head.life.is_before(life))
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

    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    fn read_opening(&mut self, sector: u32, opening: &mut Opening) -> Result<(), NoOpening> {
        let mut bytes = [0; OPENING as usize];
        let address = sector * self.medium.geometry.sector_bytes;
        if !self.medium.read(address, &mut bytes) {
            return Err(NoOpening::Unreadable);
        }
        let facts = Opening::facts_in(&bytes, &self.medium.geometry.opening_start())?;
        *opening = Opening::from_facts(facts);
        Ok(())
    }

    /// What is known of a log sector, if anything.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn facts(&mut self, sequence: u32, facts: &mut Opening) -> bool {
        let life = self.life(sequence);
        let sector = self.sector(sequence);
        let told = self.read_opening(sector, facts).is_ok() && facts.life == life;
        told || self.facts_from_settle(sector, facts) && facts.life == life
    }

    /// The facts the first settle record repeats that a walk over the sector meets.
    fn facts_from_settle(&mut self, sector: u32, facts: &mut Opening) -> bool {
        let base = sector * self.medium.geometry.sector_bytes;
        let limit = base + self.medium.geometry.sector_bytes;
        let mut at = base + self.medium.geometry.first_record();
        while let Some(found) = self.medium.header(at, limit) {
            at = self.medium.geometry.place_behind(found);
        }
        let mut settle = Held::NONE;
        while self.medium.next_settle(at, limit, None, &mut settle, facts) {
            if self.sector(facts.life.sequence) == sector {
                return true;
            }
            let Some(found) = settle.found else { break };
            at = self.medium.geometry.end(found) - 1;
        }
        false
    }

    /// Repeats the mark, which may have been the last program before a cut.
    ///
    /// A sector that was begun behind the head and does not count may look otherwise at the next
    /// mount, even if nothing of it can be read now. So its opening is made unreadable for good,
    /// and so are the settle records of mounts that took it for the head.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn confirm_head(&mut self, head: &Opening) {
        self.medium.zero(
            self.base(self.log.head) + self.medium.geometry.mark(),
            self.medium.geometry.unit,
        );
        let sector = self.sector(head.life.sequence + 1);
        let mut next = Opening::NONE;
        if self.read_opening(sector, &mut next).is_ok() && next.life.is_before(head.life) {
            // A retired sector that was not touched since: a new opening needs an erase.
            return;
        }
        self.void_sector(sector);
    }

    /// Makes opening and settle records of a sector unreadable for good.
    #[cfg_attr(target_pointer_width = "32", inline(always))] // Once in most images.
    pub(crate) fn void_sector(&mut self, sector: u32) {
        let base = sector * self.medium.geometry.sector_bytes;
        // Not the mark: its bits say that the opening is whole.
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
