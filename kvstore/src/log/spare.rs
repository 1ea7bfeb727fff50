//! The spare: its erase, and what happens if it cannot be used.
//!
//! A sector that cannot be erased or takes no programs is passed over. Its number is used up, and
//! the sector after it becomes the next head. In a long log, that sector is the tail. So the tail's
//! live records are moved into the head first, and then a decision says that the tail is no longer
//! part of the log. The head must have room for that. This is why the spare is tried before the
//! last of that room is used.

use embedded_storage::nor_flash::NorFlash;

use super::append::Content;
use super::state::Core;
use crate::format::record::Header;
use crate::format::slot::Decision;
use crate::index::Index;

impl<F: NorFlash> Core<F> {
    /// Erases the spare, unless this power-up did that already, and passes over a sector that
    /// cannot be used. If no sector is left, the call ends. An erase of an earlier power-up does not
    /// count, since flash that reads blank proves nothing.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn prepare_spare(&mut self, index: &mut Index) {
        while !self.log.spare_erased && self.medium.fault.is_none() {
            // Once more, since an erase may fail for another reason than a bad sector.
            let mut is_blank = self.erase_spare();
            if !self.log.spare_erased {
                is_blank = self.erase_spare();
            }
            if !self.log.spare_erased && !self.pass_over(index) {
                if is_blank {
                    // It may be no more than the place of the trial that takes no program.
                    self.log.spare_erased = true;
                } else {
                    self.medium.give_up();
                }
            }
        }
    }

    /// Erases the spare, and notes whether that worked and the sector takes a program. Returns
    /// whether it worked.
    pub(crate) fn erase_spare(&mut self) -> bool {
        let sector = self.sector(self.next_head());
        if self.must_decide_again() {
            // A mount without a free slot goes on without: see the known limit in `FORMAT.md`.
            self.log.sure = self.decide(Decision::Own);
        }
        self.medium.erase(sector);
        let is_blank = !self.medium.refused;
        let trial = sector * self.medium.geometry.sector_bytes + self.medium.geometry.trial();
        self.medium.zero_unit(trial);
        self.log.spare_erased = !self.medium.take_refused();
        is_blank
    }

    /// Whether the head must decide that it counts before the spare is erased, since only the spare
    /// has decided so: that of two sectors always, that of three if one was passed over.
    pub(crate) const fn must_decide_again(&self) -> bool {
        !self.log.sure && self.sector(self.next_head()) == self.sector(self.log.before)
    }

    /// Makes the sector after the spare the spare, and returns whether that was possible. Two
    /// sectors in a row are not passed over, nor is one of only two.
    fn pass_over(&mut self, index: &mut Index) -> bool {
        if self.log.passed_over || self.medium.geometry.sectors == 2 {
            return false;
        }
        if self.log_is_long() {
            if self.log.tail_live.bytes > 0 {
                if self.end_of_tail(index) > self.limit() {
                    return false;
                }
                self.carry_tail(self.log.tail, &[], index);
                // It proves the last copy.
                if !self.append_seal() {
                    return false;
                }
                self.log.sure = true;
            }
            self.log.tail += 1;
            self.log.retired = true;
            self.sum_live(index);
        }
        // Decided again in each power-up, since the decision may have been interrupted.
        self.log.passed_over = !self.log.retired || self.decide(Decision::Retired);
        self.log.passed_over
    }

    /// Appends a seal to the head, and returns whether that has room and took it.
    pub(crate) fn append_seal(&mut self) -> bool {
        // Without room this must not end the call: a mount goes on without a seal.
        self.medium.geometry.end_after(self.log.end, Header::SEAL) <= self.limit()
            && self.place_record(Header::SEAL, &Content::NONE).is_some()
    }

    /// The address where the head would end after copies of the tail's live records and a seal.
    fn end_of_tail(&mut self, index: &Index) -> u32 {
        let mut end = self.log.end;
        for entry in index {
            if self.is_in(entry.address, self.log.tail)
                && let Some(found) = self.header_at(entry.address)
            {
                end = self.medium.geometry.end_after(end, found.header.plain());
            }
        }
        self.medium.geometry.end_after(end, Header::SEAL)
    }

    /// Whether the head certainly has room for the tail's live records after the address `end`.
    const fn has_room_for_tail(&self, end: u32) -> bool {
        end + self.medium.geometry.most_room(self.log.tail_live) <= self.limit()
    }

    /// Whether the head may be used up to the address `end` before the spare is erased.
    ///
    /// Before the room for the tail's live records is touched, it must be known whether the spare
    /// can be used. A power-up that opened the head erases the spare then, and uses up the head
    /// afterwards. Any other one leaves the head instead, since an erase counts in one power-up
    /// only, and each would erase the spare again.
    ///
    /// But if the head never had so much room, or for such a power-up if it is more than a quarter
    /// of what the head had for changes, the head is used up regardless, and then a spare that
    /// fails cannot be passed over.
    pub(crate) fn spare_can_wait(&mut self, end: u32) -> bool {
        let g = &self.medium.geometry;
        let had = g.records_end().saturating_sub(self.log.first);
        let is_too_much = if self.log.opened {
            self.log.tail_live.plus(g.size(Header::SEAL)).bytes > had
        } else {
            g.most_room(self.log.tail_live) > had / 4
        };
        if g.sectors == 2
            || self.log.spare_erased
            || !self.log_is_long()
            || self.has_room_for_tail(end)
            || is_too_much
        {
            return true;
        }
        if self.log.opened {
            self.erase_spare();
        }
        self.log.spare_erased
    }
}
