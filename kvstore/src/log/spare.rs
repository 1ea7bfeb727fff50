//! The spare: its erase, and what happens if it cannot be used.
//!
//! A sector that cannot be erased or takes no programs is passed over. Its number is used up, and
//! the sector after it becomes the next head. In a long log, that sector is the tail. So the tail's
//! live records are moved into the head first, and then a decision says that the tail is no longer
//! part of the log. The head must have room for that. This is why the spare is tried before the
//! last of that room is used.

use embedded_storage::nor_flash::NorFlash;

use super::append::{Content, Written};
use super::log_end::LogEnd;
use super::state::{Access, Core, Log, Spare};
use crate::format::record::Header;
use crate::format::slot::Decision;
use crate::format::spare_note::SpareNote;
use crate::index::Index;

/// The value of the longest spare record.
const BLANK: [u8; 16] = [0xFF; 16];

impl<F: NorFlash> Core<F> {
    /// Erases the spare if that was not done yet, and passes over a sector that cannot be used.
    /// Nothing happens if no sector can be used, and the head goes on as long as it has room.
    ///
    /// This is done while the head has room for the tail's live records, as passing over needs it.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn ready_spare(&mut self, index: &mut Index) {
        if self.log.spare != Spare::Unknown || self.medium.fault.is_some() {
            return;
        }
        if self.find_spare(&LogEnd::at(self.log.end), index) {
            self.note_spare(index);
        } else {
            self.log.spare = Spare::Unusable;
        }
    }

    /// Notes in the head that the spare is erased. Without room for that, the erase counts in this
    /// power-up only.
    fn note_spare(&mut self, index: &mut Index) {
        let header = self.spare_note().header();
        let value = BLANK.get(..header.value_len() as usize).unwrap_or(&[]);
        let start = self.log_end();
        if self.medium.geometry.end_after(start, header) > self.limit() {
            return;
        }
        if self.write_record(header, &Content::New(&[], value)) == Written::Done {
            self.log.sure = true;
            self.log.spare = Spare::Noted;
        } else if !self.abandon(start) {
            self.compact(&[], index);
        }
    }

    /// The same for a compaction: if no sector can be used, the call ends. With a suspect in `log_end`,
    /// there is a record that may be dropped yet.
    pub(crate) fn prepare_spare(&mut self, log_end: &LogEnd, index: &mut Index) {
        if self.log.spare == Spare::Inherited && !self.spare_is_blank() && !self.must_decide_again()
        {
            // From now on, no spare record counts.
            self.decide_or_give_up(Decision::Out);
        }
        if !self.log.spare.is_erased() && !self.find_spare(log_end, index) {
            self.medium.give_up();
        }
    }

    /// Decides something without which the spare must not be erased, and returns whether there was a
    /// slot. If slots were left, and the part refused it, that ends the call. Slots that were
    /// interrupted are only used up.
    // Outlined, since it is called from several places.
    #[inline(never)]
    pub(crate) fn decide_or_give_up(&mut self, decision: Decision) -> bool {
        // What the part refused before says nothing about the slots.
        let earlier = self.medium.refusal.take();
        let decided = self.decide(decision, false);
        if !decided && self.medium.refusal.is_some() {
            self.medium.give_up();
        }
        self.medium.refusal = self.medium.refusal.take().or(earlier);
        decided
    }

    /// Whether the spare is erased. A cell that lost its charge since an earlier power-up erased it
    /// is a reason to erase it again.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn spare_is_blank(&mut self) -> bool {
        let g = self.medium.geometry;
        let base = self.base(self.next_head());
        if self.log.spare == Spare::Inherited
            && !(self.medium.is_blank(base, base + g.trial())
                && self.medium.is_blank(base + g.trial() + g.unit, base + g.sector_bytes))
        {
            self.log.spare = Spare::Unknown;
        }
        self.log.spare.is_erased()
    }

    /// Makes the spare a sector that is erased and takes programs. Returns whether there is one.
    // Outlined, since several callers share it.
    #[inline(never)]
    fn find_spare(&mut self, log_end: &LogEnd, index: &mut Index) -> bool {
        loop {
            // Once more, since an erase may fail for another reason than a bad sector.
            let mut is_blank = self.erase_spare();
            if self.log.spare != Spare::Erased {
                is_blank = self.erase_spare();
            }
            if self.log.spare == Spare::Erased {
                return true;
            }
            if self.medium.fault.is_some() || !self.pass_over(log_end, index) {
                // It may be no more than the place of the trial that takes no program.
                if is_blank {
                    self.log.spare = Spare::Erased;
                }
                return is_blank;
            }
        }
    }

    /// What a settle record or a spare record that is written now must say.
    pub(crate) const fn spare_note(&self) -> SpareNote {
        let Log { slot: slots, spare, passed_over: over, .. } = self.log;
        SpareNote { slots, erased: spare.is_erased(), over }
    }

    /// Takes over what an earlier power-up noted about the spare, if that still holds.
    pub(crate) fn trust_spare(&mut self, note: SpareNote) {
        // Without a slot, a compaction could not have shown that it began.
        if note.erased && note.slots == self.log.slot && note.slots < self.slot_limit(Decision::In)
        {
            self.log.spare = Spare::Inherited;
            self.log.passed_over = note.over;
        }
    }

    /// Erases the spare, and notes whether that worked and the sector takes a program. Returns
    /// whether it worked.
    fn erase_spare(&mut self) -> bool {
        let sector = self.sector(self.next_head());
        if self.must_decide_again() {
            // A mount without a free slot goes on without: see the known limit in `FORMAT.md`.
            self.log.sure = self.decide_or_give_up(Decision::Own);
        }
        self.medium.erase(sector);
        let is_blank = !self.medium.take_refused();
        let trial = sector * self.medium.geometry.sector_bytes + self.medium.geometry.trial();
        // One cell that stays zero does no harm. More are what the last trial left.
        if is_blank && self.medium.zeros_in_unit(trial) <= 1 {
            self.medium.zero_unit(trial);
            if !self.medium.take_refused() {
                self.log.spare = Spare::Erased;
            }
        }
        is_blank
    }

    /// Whether the head must decide that it counts before the spare is erased, since only the spare
    /// has decided so: that of two sectors always, that of three if one was passed over.
    pub(crate) const fn must_decide_again(&self) -> bool {
        !self.log.sure && self.sector(self.next_head()) == self.sector(self.log.before)
    }

    /// Makes the sector after the spare the spare, and returns whether that was possible. Two
    /// sectors in a row are not passed over, nor is one of only two.
    fn pass_over(&mut self, log_end: &LogEnd, index: &mut Index) -> bool {
        if self.log.passed_over || self.medium.geometry.sectors == 2 {
            return false;
        }
        if self.log_is_long() {
            // If a suspect is dropped, the record that it replaced lives again. And a mount must not
            // drop the last change since it does not fit with the live records of the next tail.
            if log_end.suspect.is_some()
                || self.log.access == Access::Write
                || self.log.tail_live.bytes > 0
                || log_end
                    .next_suspect
                    .is_some_and(|suspect| !self.fits_with(self.log.tail + 1, &suspect, index))
            {
                // All of it must fit into a sector again some day.
                let live = self.log.head_live.and(self.log.tail_live);
                if !self.medium.geometry.fits(live)
                    || self.end_of_tail(index) > self.limit()
                    || !self.medium.is_blank(self.log.end, self.limit())
                {
                    return false;
                }
                self.carry_tail(self.log.tail, &[], index);
                // It proves the last copy, or the last change.
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
        self.log.passed_over = !self.log.retired || self.decide(Decision::Retired, false);
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
}
