//! Settling: every later mount must report what this mount reports.
//!
//! The last program before a cut is suspect even if it reads well now, and the place after it may
//! be half-programmed even if it reads blank now. So a mount leaves all pages that may have been
//! touched, and writes a settle record into the next one. This says where the accepted log ends,
//! and carries a copy of the last record if that is accepted.

use embedded_storage::nor_flash::NorFlash;

use super::walk::Replayed;
use crate::flash::medium::Medium;
use crate::flash::writer::Copied;
use crate::format::record::{Header, Kind, RecordRef};
use crate::format::slot::Decision;
use crate::index::Index;
use crate::log::append::{Content, Written};
use crate::log::log_end::{LogEnd, Suspect};
use crate::log::state::Core;

impl<F: NorFlash> Core<F> {
    /// Settles, in the head or, if that has no room, in a new sector. If the suspect does not pass
    /// its checks when it is copied, nothing is settled.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn settle(
        &mut self,
        Replayed { log_end, void_slots, spare, .. }: &Replayed,
        index: &mut Index,
    ) -> Copied {
        let slots = self.slots(self.log.head, *void_slots);
        self.log.slot = slots.used;
        self.trust_spare(*spare);
        if let Some(copied) = self.settle_in_head(log_end, index) {
            return copied;
        }
        if let Some(suspect) = &log_end.suspect
            && !self.fits_with(self.log.tail, suspect, index)
        {
            // It would have been sealed before it was acknowledged or reported, so it was neither.
            return Copied::Damaged;
        }
        let is_denied = slots.used > *void_slots && slots.only_deny();
        if !self.spare_is_blank() && !is_denied && !self.must_decide_again() {
            // A decision that was interrupted may say that the spare counts, and a spare record that
            // it is erased, once this erase has been interrupted too. An OWN would say that it does
            // not, as well.
            self.decide_or_give_up(Decision::Out);
        }
        // Nothing can be appended before that, not even copies of the tail's live records.
        self.log.end = self.limit();
        self.compact_with(&[], log_end, index)
    }

    /// Prepares for the first program or erase after a rest: the flag of the rest record says that
    /// something may follow.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn wake(&mut self, index: &mut Index) {
        let address = core::mem::take(&mut self.log.rest);
        if address == 0 {
            return;
        }
        let header = self.medium.geometry.rest_header(address);
        let flag = self.medium.geometry.end(RecordRef { address, header });
        if !self.medium.zero_blank_unit(flag) {
            // An earlier power-up was interrupted when it did this, and now it shows.
            let log_end = LogEnd { stop: self.log.end, ..LogEnd::at(address) };
            let void_slots = self.log.slot;
            self.settle(&Replayed { log_end, void_slots, ..Replayed::NONE }, index);
        }
    }

    /// Writes the settle record, sets the end of the log, and lets the copy of the suspect take
    /// effect. `None` if there is no room.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn settle_in_head(&mut self, log_end: &LogEnd, index: &mut Index) -> Option<Copied> {
        let limit = self.limit();
        let seal = match &log_end.suspect {
            Some(suspect) => {
                // Like `must_seal`.
                !self.fits_with(self.log.tail, suspect, index)
                    || self.may_be_retired() && !self.fits_with(self.log.tail + 1, suspect, index)
            }
            None => false,
        };
        let mut page = self.medium.free_page(log_end.stop, limit);
        loop {
            let record = self.medium.geometry.settle_record(page, log_end);
            let mut end = self.medium.geometry.end(record);
            if seal {
                end = self.medium.geometry.end_after(end, Header::SEAL);
            }
            if end > limit || self.medium.fault.is_some() {
                return None;
            }
            match self.write_settle(log_end, page) {
                Written::SourceDamaged => return Some(Copied::Damaged),
                Written::Refused => page = self.medium.geometry.next_page(self.log.end - 1),
                Written::Done => {
                    if let Some(suspect) = &log_end.suspect {
                        let header = suspect.found.header.plain();
                        let found = self.medium.geometry.carried_record(record.address, header);
                        self.apply(&Suspect { found, ..*suspect }, index);
                    }
                    self.log.sure = true;
                    if seal && self.place_record(Header::SEAL, &Content::NONE).is_none() {
                        self.medium.give_up();
                    }
                    return Some(Copied::Whole);
                }
            }
        }
    }

    /// Whether the suspect fits into a new sector together with the live records of this sector.
    pub(crate) fn fits_with(&mut self, sequence: u32, suspect: &Suspect, index: &Index) -> bool {
        // In a head that is the tail too, there was room for it when it was written.
        if !self.tail_may_retire() || sequence >= self.log.head {
            return true;
        }
        let mut sum = self.live_in(sequence, index, &[]);
        let whole = self.each_change(suspect, &mut |core, found, _| {
            sum = sum.plus(core.medium.geometry.size(found.header));
            true
        });
        whole && self.medium.geometry.fits(sum)
    }
}

/// Pages are addresses here, and `limit` is where the records of the sector end.
impl<F: NorFlash> Medium<F> {
    /// The first page after everything that an interrupted program can have touched: the record at
    /// `stop`, all pages that are not blank, and interrupted settle records.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn free_page(&mut self, stop: u32, limit: u32) -> u32 {
        let mut free = self.page_after_torn(stop, limit);
        let mut page = self.geometry.next_page(stop);
        while page < limit {
            let next = page + self.geometry.page;
            if !self.is_blank(page, next.min(limit)) {
                free = free.max(next).max(self.page_after_taken(page, limit));
            }
            page = next;
        }
        free
    }

    /// The first page after the record that was interrupted at the place `stop`: after the page of
    /// `stop`, and what the header there names.
    ///
    /// If that header cannot be read the next time, then only its own page was touched. What stands
    /// at `stop` may also be a rest record that read as whole before, with a record after it that
    /// was interrupted, too.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn page_after_torn(&mut self, stop: u32, limit: u32) -> u32 {
        let mut free = self.geometry.next_page(stop);
        let rest = RecordRef { address: stop, header: self.geometry.rest_header(stop) };
        let after_rest = self.geometry.next_place(rest);
        let flag = self.geometry.end(rest);
        if flag < limit && !self.is_blank(flag, flag + self.geometry.unit) {
            free = free.max(self.geometry.next_page(after_rest));
        }
        for place in [stop, after_rest] {
            if place < limit
                && let Some(torn) = self.header(place, limit)
            {
                free = free.max(self.geometry.page_after(torn));
            }
        }
        free
    }

    /// Whether a mount took a page: its tag is not blank.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn is_taken(&mut self, page: u32) -> bool {
        !self.is_blank(page, page + self.geometry.unit)
    }

    /// The first page after the settle record in a page that a mount took; `page` itself if none
    /// did.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    pub(crate) fn page_after_taken(&mut self, page: u32, limit: u32) -> u32 {
        let place = page + self.geometry.unit;
        if !self.is_taken(page) {
            return page;
        }
        match self.header(place, limit) {
            Some(torn) if torn.header.kind() == Kind::Settle => self.geometry.page_after(torn),
            _ => page + self.geometry.page,
        }
    }
}
