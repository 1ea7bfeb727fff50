//! The first format of a region.

use embedded_storage::nor_flash::NorFlash;

use crate::format::opening::Opening;
use crate::format::slot::Decision;
use crate::index::Index;
use crate::log::log_end::LogEnd;
use crate::log::state::Core;

/// The first sector of a new log has the number of sectors as its sequence number. So the last
/// sector of the region counts as the one before it, and its slots decide.
impl<F: NorFlash> Core<F> {
    /// Whether the region is blank, or holds what an interrupted first format leaves: decisions in
    /// the last sector, and possibly anything in the first sector, or the first two.
    ///
    /// If the last decision is for the first sector, both of its openings were complete. If they
    /// cannot be read now, that is damage, and its records must not be erased.
    pub(crate) fn is_provably_empty(&mut self) -> bool {
        let g = self.medium.geometry;
        let last = (g.sectors - 1) * g.sector_bytes;
        let slots = self.slots(g.sectors - 1, 0);
        // If sector 0 could not be used, the store was begun in the one after it.
        let from = if slots.denies() { 2 * g.sector_bytes } else { g.sector_bytes };
        if !self.medium.is_blank(from.min(last), last + g.slot(0))
            || !self.medium.is_blank(last + g.slot(g.slots()), last + g.sector_bytes)
            || !self.are_slots_of_first_format()
        {
            return false;
        }
        if slots.denies() || slots.used == g.slots() || self.medium.is_blank(0, g.sector_bytes) {
            return true;
        }
        // Records come before openings. Without any, nothing can be lost.
        self.read_opening(0, &mut { Opening::NONE }).is_ok()
            && (slots.has_decided() || self.medium.is_blank(g.first_record(), g.records_end()))
    }

    /// Whether the slots of the last sector hold nothing but decisions that first formats with this
    /// layout have made or begun. What cannot be read was interrupted.
    fn are_slots_of_first_format(&mut self) -> bool {
        let g = self.medium.geometry;
        (0..g.slots()).all(|number| {
            let at = (g.sectors - 1) * g.sector_bytes + g.slot(number) + g.unit;
            let mut word = [0xFF; 4];
            let is_known = self.medium.read(at, &mut word);
            let word = u32::from_le_bytes(word);
            !is_known
                || [Decision::In, Decision::Out, Decision::Over]
                    .iter()
                    .any(|decision| decision.may_have_left(word, g.sectors - 1, number))
        })
    }

    /// Makes sector 0 the head of an empty log.
    pub(crate) fn first_format(&mut self, index: &mut Index) {
        let sectors = self.medium.geometry.sectors;
        self.log.epoch = 0;
        self.log.head = sectors - 1;
        self.log.tail = sectors - 1;
        let slots = self.slots(sectors - 1, 0);
        self.log.slot = slots.used;
        // It allows the next mount to start over if sector 0 is left half-erased. If that happened
        // already, the decision stands, unless a later slot may say otherwise, or be such a decision
        // that was interrupted.
        let is_blank = self.medium.is_blank(0, self.medium.geometry.sector_bytes);
        if is_blank || !slots.denies() || !slots.only_deny() {
            self.decide(Decision::Out, false);
        }
        self.log.sure = true;
        self.prepare_spare(&LogEnd::at(self.log.end), index);
        let slot = self.begin_sector();
        self.finish_sector(self.log.head, 0, slot);
        self.ready_spare(index);
    }
}
