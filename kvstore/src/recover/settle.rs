//! Settling: every later mount must report what this mount reports.
//!
//! The last program before a cut is suspect even if it reads well now, and the place after it may
//! be half-programmed even if it reads blank now. So a mount makes that place unreadable for good,
//! leaves the page, and writes a settle record. This says where the accepted log ends, and carries
//! a copy of the last record if that is accepted.

use embedded_storage::nor_flash::NorFlash;

use crate::flash::medium::Medium;
use crate::flash::writer::Copied;
use crate::format::geometry::Geometry;
use crate::format::opening::Opening;
use crate::format::record::{Header, Kind, RecordRef, SETTLE};
use crate::index::Index;
use crate::log::append::Content;
use crate::log::log_end::{LogEnd, Suspect};
use crate::log::state::Core;

/// What became of an attempt to settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Settled {
    Done,
    NoRoom,
    /// The suspect passed its checks before, but does not now.
    SuspectChanged,
}

/// How a suspect was dropped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dropped {
    /// The log ends before it.
    FromLog,
    /// The settle record that carried it is gone, so the log must be replayed without that.
    WithCarrier,
}

impl<F: NorFlash> Core<F> {
    /// Leaves the suspect's page and writes the settle record. Sets the end of the log, and lets
    /// the copy of the suspect take effect.
    // Outlined, so that a walk does not hold its frame.
    #[inline(never)]
    pub(crate) fn settle(
        &mut self,
        log_end: &LogEnd,
        opening: &Opening,
        index: &mut Index,
    ) -> Settled {
        if log_end.stop >= self.medium.geometry.sector_bytes {
            return Settled::NoRoom;
        }
        let seal = match &log_end.suspect {
            Some(suspect) => !self.fits_with_tail(suspect, index),
            None => false,
        };
        let base = self.base(self.log.head);
        let limit = base + self.medium.geometry.sector_bytes;
        let Some(page) = self.medium.end_log(base + log_end.stop, limit, log_end, seal) else {
            return Settled::NoRoom;
        };
        self.medium.zero(page, self.medium.geometry.trace());
        let record = self.medium.geometry.settle_record(page, log_end);
        let mut end = record.address;
        let content = Content::Settle(log_end, opening);
        if self.write_record(record.header, &content, &mut end) == Copied::Damaged {
            return Settled::SuspectChanged;
        }
        if seal {
            self.write_record(Header::SEAL, &Content::New(&[], &[]), &mut end);
        }
        self.log.end = self.medium.geometry.place(end - base);
        if let Some(suspect) = &log_end.suspect {
            let found =
                self.medium.geometry.carried_record(record.address, suspect.found.header.plain());
            self.apply(&Suspect { found, ..*suspect }, &[], index);
        }
        Settled::Done
    }

    /// Drops a suspect that passed its checks before, but does not now. Its program was
    /// interrupted, so nothing about it was acknowledged or reported. A settle record that carried
    /// it is made unreadable.
    pub(crate) fn drop_suspect(&mut self, log_end: &mut LogEnd) -> Dropped {
        let Some(carrier) = log_end.carrier else {
            log_end.suspect = None;
            log_end.stop = log_end.accepted;
            return Dropped::FromLog;
        };
        let page = self.medium.geometry.page_of(carrier.address);
        // The page with its header comes last, since the header says which pages it touched.
        let after = self.medium.geometry.page_after(carrier);
        self.medium.pass_all(page + self.medium.geometry.page, after);
        self.medium.pass(page);
        Dropped::WithCarrier
    }

    /// Whether the suspect fits into a new sector together with the tail's live records. If not, it
    /// gets a seal before anything about it is reported.
    pub(crate) fn fits_with_tail(&mut self, suspect: &Suspect, index: &Index) -> bool {
        if !self.log_is_long() {
            return true;
        }
        let mut sum = self.live_in(self.log.tail, index, &[]);
        if suspect.found.header.kind() == Kind::Commit {
            let mut batch = suspect.extent;
            while let Some(found) = self.next_in_batch(&mut batch) {
                sum = sum.plus(self.medium.geometry.size(found.header));
            }
        } else {
            sum = sum.plus(self.medium.geometry.size(suspect.found.header));
        }
        self.medium.geometry.fits(sum)
    }
}

impl Geometry {
    /// The settle record that would go into this page.
    fn settle_record(&self, page: u32, log_end: &LogEnd) -> RecordRef {
        let address = page + self.trace();
        let value_len = log_end.suspect.map_or(SETTLE, |suspect| {
            let carried = self.carried_record(address, suspect.found.header.plain());
            SETTLE + self.end(carried) - carried.address
        });
        RecordRef { address, header: Header::new(Kind::Settle, 0, value_len) }
    }
}

/// Pages are addresses here, and `limit` is where the sector ends.
impl<F: NorFlash> Medium<F> {
    /// Makes the place `stop`, where no record stands, unreadable for good. Returns the page that
    /// takes the settle record, if there is room for one.
    // Outlined, since its frame is not needed afterwards.
    #[inline(never)]
    fn end_log(&mut self, stop: u32, limit: u32, log_end: &LogEnd, seal: bool) -> Option<u32> {
        // A torn record may have touched every page up to the end that its header gives. If the
        // header cannot be read the next time, then only the first page was touched.
        let torn = self.header(stop, limit);
        let first = self.geometry.next_page(stop);
        let mut after = torn.map_or(first, |torn| self.geometry.page_after(torn));
        self.pass_all(first, after);
        let room = loop {
            let room = self.find_room(log_end, seal, after, limit);
            let Some(page) = room else { break None };
            after = self.pass_over(after, page, limit);
            if after == page {
                break room;
            }
        };
        // This comes after the other pages, since the header at `stop` says which those are. It is
        // needed even if there is no room: the opening that will give this sector's accepted end
        // may be lost.
        if stop == self.geometry.page_of(stop) {
            self.pass(stop);
        } else {
            self.zero(stop, self.geometry.header_area());
        }
        room
    }

    /// The first page, from `page` on, where a settle record would touch only blank pages.
    fn find_room(
        &mut self,
        log_end: &LogEnd,
        seal: bool,
        mut page: u32,
        limit: u32,
    ) -> Option<u32> {
        while page < limit {
            let mut end = self.geometry.end(self.geometry.settle_record(page, log_end));
            if seal {
                end = self.geometry.end_after(end, Header::SEAL);
            }
            if end > limit {
                break;
            }
            let (mut used, mut at) = (None, page);
            while at < end {
                let next = at + self.geometry.page;
                if !self.is_blank(at, next) {
                    used = Some(at);
                }
                at = next;
            }
            match used {
                None => return Some(page),
                Some(at) => page = self.reach(at, limit),
            }
        }
        None
    }

    /// The first page after everything that an earlier mount's settle record in this page may have
    /// touched.
    fn reach(&mut self, page: u32, limit: u32) -> u32 {
        let torn = self.settle_header(page, limit);
        torn.map_or(page + self.geometry.page, |torn| self.geometry.page_after(torn))
    }

    /// Passes over the pages from `page` to `to`, and over all pages that torn settle records in
    /// them may have touched. Returns the first page that was not passed over.
    fn pass_over(&mut self, mut page: u32, to: u32, limit: u32) -> u32 {
        while page < to {
            // In rising order, but the page of a header after those that the header names.
            let after = self.reach(page, limit);
            self.pass_all(page + self.geometry.page, after);
            self.pass(page);
            page = after;
        }
        page
    }

    fn pass_all(&mut self, mut page: u32, to: u32) {
        while page < to {
            self.pass(page);
            page += self.geometry.page;
        }
    }

    /// Marks a page as passed over. It stays recognisable, and no settle record can be read in it.
    fn pass(&mut self, page: u32) {
        // The trace must be whole before more of the page is touched.
        self.zero(page, self.geometry.trace());
        self.zero(page + self.geometry.trace(), self.geometry.header_area());
    }
}
